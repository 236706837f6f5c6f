/* What happens to a chanter without hardware: samples, bytes from the host, faults, each at its time. The host build and
 * the emulated board play the same scripts. scripts.py writes them.
 *
 * A script: "FLS1", clock u8 (0 the board's own timer, 1 counted: every reading of it is 5 us later than the one before,
 * 2 led), three spare bytes, start u32 (what the clock shows at power-up), number of records u32, then the records, times
 * rising: at u32 (us since power-up), kind u8, 16 bytes. Numbers are little-endian.
 *
 * A led script is for the emulated board only. Where its records are at an end, the board reads on from the pipe
 * chanter.samples, and time stands still until something is there: what is seen can depend on what the chanter has said,
 * and no sample is late, however slowly it comes. It ends with the pipe.
 */
#ifndef FINGERLEAD_SCRIPT_H
#define FINGERLEAD_SCRIPT_H

#include "board.h"

#define SCRIPT_HEADER_BYTES 16
#define SCRIPT_RECORD_BYTES 21
#define COUNTED_STEP_US 5u
#define SLOW_STORING_US 300000u

enum script_kind {
    SCRIPT_SAMPLES,  /* eight samples u16, until the next such record */
    SCRIPT_BYTES,    /* how many u8 (at most 15), bytes from the host */
    SCRIPT_AWAY,     /* from here on the reader is away */
    SCRIPT_BACK,     /* the reader is back */
    SCRIPT_HANG,     /* the program hangs, for the watchdog to find */
    SCRIPT_STORAGE,  /* u8: 0 the storage fails, 1 it works, 2 it works but takes SLOW_STORING_US */
    SCRIPT_STATE,    /* u8: what board_state() says */
    SCRIPT_OVERSLEEP, /* u32: counted clock only; so many us pass at once */
    SCRIPT_END,
    SCRIPT_DARK /* eight samples u16 with the lamps off, until the next such record */
};

struct script {
    const uint8_t *records;
    uint32_t count;
    uint32_t next;
    uint32_t start_us;  /* what the clock showed at power-up */
    uint32_t before_us; /* us that had passed at the last restart */
    uint32_t now_us;    /* the last reading of the clock since then, from 0 */
    uint16_t samples[HOLES];
    uint16_t dark[HOLES];
    uint8_t bytes[256]; /* a ring of bytes from the host */
    uint8_t read, written;
    uint8_t state;
    uint8_t polls;
    uint32_t storing_us; /* when a slow store began, 0 where none is under way */
    bool counted, led, away, hang, broken, slow, ended;
};

/* False where this is no script header. The records follow in memory. */
bool script_start(struct script *script, const uint8_t header[SCRIPT_HEADER_BYTES], const uint8_t *records);

/* The chanter restarts: the clock begins at 0, the script goes on. */
void script_restart(struct script *script);

/* The time of the last record, since the last start. */
uint32_t script_latest_us(const struct script *script);

/* A reading of the clock; timer_us is the board's own, since the last start. Does what is due. */
uint32_t script_microseconds(struct script *script, uint32_t timer_us);

/* The next byte from the host, or -1. */
int script_receive(struct script *script);

/* Whether a store is still under way: lasting storage takes its time, here some calls. */
bool script_storing(struct script *script);

#endif
