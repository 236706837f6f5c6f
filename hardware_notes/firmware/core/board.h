/* All that the chanter asks of a board: ten functions and a few facts. Nothing else of the core touches hardware.
 * None of them may wait: whatever cannot be done at once says so and is asked again.
 */
#ifndef FINGERLEAD_BOARD_H
#define FINGERLEAD_BOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "numbers.h"

#define PAGE_BYTES 48 /* what one storage slot holds */
#define SLOTS 2       /* each in an erase unit of its own, so that erasing one leaves the other whole */

struct board_facts {
    const char *name;          /* UTF-8, at most NAME_MOST bytes; how people tell this chanter from another */
    uint32_t link_bytes_per_s; /* what the link to the host carries: a UART's baud rate / 10 */
    uint16_t scan_us;          /* all eight holes are read every scan_us */
    uint16_t cover_at;         /* levels until the first calibration is kept: covered from here up */
    uint16_t uncover_at;       /* open from here down */
    uint8_t raw_bits;          /* how many bits a sample has */
    bool sysex;                /* the carrier: false a byte stream, true MIDI System Exclusive */
    /* Where the board can switch the lamps of its sensors: read what the eyes see with the lamps off, and switch them on
     * again. It is called right behind board_read_samples, and is to be as near to it in time as can be; what it reads
     * is taken off those samples. Left out where there are no such lamps. */
    void (*read_dark)(uint16_t samples[HOLES]);
};
extern const struct board_facts board;

enum stored { STORED, STILL_STORING, NOT_STORED };

/* Bits of board_state(). */
#define STATE_WATCHDOG 1u   /* this start is the watchdog's doing */
#define STATE_SUPPLY_LOW 2u /* the supply is low now */

/* One sample of each hole, from the thumb down, as near together in time as can be. They rise as a hole is covered:
 * where the sensor falls, turn it round here. Leave room at both ends; a sample that never moves counts as stuck. */
void board_read_samples(uint16_t samples[HOLES]);

/* Microseconds on a clock that never stops and wraps at 2^32. */
uint32_t board_microseconds(void);

/* Give the link as many of the bytes as it has room for, 0 where it has none; returns how many it took. */
uint16_t board_send(const uint8_t *bytes, uint16_t size);

/* The next byte from the host, or -1. Needs a queue of the bytes of two scans or more. */
int board_receive(void);

/* Write a slot of lasting storage. The first call begins it; called again with the same page until it is done. A power
 * cut may leave this slot in any state, the other must be untouched. */
enum stored board_store(uint8_t slot, const uint8_t page[PAGE_BYTES]);

/* Read a slot, whatever it holds. False where there is no storage. */
bool board_load(uint8_t slot, uint8_t page[PAGE_BYTES]);

/* Start anew. May return where the new start comes a little later. */
void board_restart(void);

/* Called at every scan, and while a page is being stored. A watchdog of 50 ms to 1 s restarts the board where this stays away. */
void board_feed_watchdog(void);

/* STATE_ bits. */
uint8_t board_state(void);

/* Eight bytes that no other chanter has: the microcontroller's serial number, or random ones written once. */
void board_device_id(uint8_t id[8]);

#endif
