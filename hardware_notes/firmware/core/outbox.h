/* Frames on their way to the host. Never waits: where it is full, the oldest frame gives way and is counted. Raw frames
 * have a room of their own: they push out no other frame, and any other goes before them. A frame of which a part is on
 * the line already is always finished.
 */
#ifndef FINGERLEAD_OUTBOX_H
#define FINGERLEAD_OUTBOX_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"

#define OUTBOX_BYTES 504
#define RAW_BYTES    136 /* of them for raw frames: 5 on a stream, 4 in system exclusive */

/* Whole frames, the oldest first, in the part of the outbox from `start` on. */
struct ring {
    uint16_t start, size;
    uint16_t oldest; /* where the oldest frame begins, from the start */
    uint16_t held;   /* bytes in it */
};

struct outbox {
    uint8_t bytes[OUTBOX_BYTES];
    struct ring raw, prompt;          /* raw frames; all others */
    uint8_t under_way[LONGEST_FRAME]; /* the frame that is being sent */
    uint16_t dropped;                 /* frames that went since that was last told; stays at its most */
    uint16_t size;                    /* of the frame under way */
    uint16_t sent;                    /* bytes of it that are sent */
    uint8_t last_byte;                /* ends a frame, and stands nowhere else in one */
    uint8_t type_at;                  /* where in a frame its type stands */
};

void outbox_start(struct outbox *outbox, bool sysex);

void outbox_add(struct outbox *outbox, const uint8_t *frame, uint16_t size);

/* Whether there is room again: for a frame of this size that is no raw one, and for a raw one. */
bool outbox_has_room(const struct outbox *outbox, uint16_t size);

/* Give the board what it will take now; whether it took any. */
bool outbox_send(struct outbox *outbox);

#endif
