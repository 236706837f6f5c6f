/* Payloads <-> bytes on the carrier: COBS with a zero behind it, or System Exclusive packed seven in eight. */
#ifndef FINGERLEAD_FRAMES_H
#define FINGERLEAD_FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "numbers.h"

#define CHECK_BYTES 2
#define CHECK_START 0xFFFFu

/* A reader keeps the beginning of a payload, as much as any known request needs. */
#define KEPT_MOST 40

/* CRC-16/IBM-3740, one byte further. */
uint16_t check_step(uint16_t check, uint8_t byte);

/* Writes a whole frame to out (LONGEST_FRAME bytes or more); returns its size. At most HELLO_MOST bytes of payload. */
uint16_t frame_write(bool sysex, const uint8_t *payload, uint16_t size, uint8_t *out);

/* Little-endian numbers in payloads and pages. */
void put_u16(uint8_t *at, uint16_t value);
void put_u32(uint8_t *at, uint32_t value);
uint16_t get_u16(const uint8_t *at);
uint32_t get_u32(const uint8_t *at);

/* Cuts what comes over the line into payloads, a byte at a time, in bounded memory, whatever comes. */
struct reader {
    uint8_t kept[KEPT_MOST];
    uint16_t length;           /* unpacked bytes so far, the check included */
    uint16_t size;             /* bytes of the frame on the carrier so far */
    uint16_t check;            /* over all but the two latest bytes, which may be the check itself */
    uint8_t late[CHECK_BYTES]; /* those two, older one first */
    uint8_t left;              /* stream: bytes until the next COBS code. System Exclusive: place in the group of eight */
    uint8_t tops;              /* System Exclusive: top bits of the group, as far as not used up */
    bool sysex;
    bool bad;
    bool inside; /* System Exclusive: F0 has come */
};

void reader_start(struct reader *reader, bool sysex);

/* Takes one byte. Returns the size of the payload that ended with it, or 0; its beginning stands in reader->kept until
 * the next call. */
uint16_t reader_take(struct reader *reader, uint8_t byte);

#endif
