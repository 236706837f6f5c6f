/* Frames on their way to the host. Never waits: where it is full, frames go and are counted. A raw frame pushes no other
 * out, and leaves room for edges; any other frame pushes out the oldest raw frame, or where there is none the oldest of
 * all. A frame of which a part is on the line already is always finished.
 */
#ifndef FINGERLEAD_OUTBOX_H
#define FINGERLEAD_OUTBOX_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"

#define OUTBOX_BYTES 512
#define KEPT_FOR_EDGES 128 /* bytes that raw frames leave free */

struct outbox {
    uint8_t ring[OUTBOX_BYTES];
    uint8_t under_way[LONGEST_FRAME]; /* the frame that is being sent */
    uint16_t oldest;                  /* where the oldest frame begins in the ring */
    uint16_t held;                    /* bytes in the ring */
    uint16_t dropped;                 /* frames that went since that was last told; stays at its most */
    uint16_t size;                    /* of the frame under way */
    uint16_t sent;                    /* bytes of it that are sent */
    uint8_t last_byte;                /* ends a frame, and stands nowhere else in one */
    uint8_t type_at;                  /* where in a frame its type stands */
};

void outbox_start(struct outbox *outbox, bool sysex);

void outbox_add(struct outbox *outbox, const uint8_t *frame, uint16_t size);

/* Whether a frame of this size can be added with none going for it. */
bool outbox_has_room(const struct outbox *outbox, uint16_t size);

/* Give the board what it will take now; whether it took any. */
bool outbox_send(struct outbox *outbox);

#endif
