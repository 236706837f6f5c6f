#include "outbox.h"

#include "board.h"

/* Bytes that one step sends at most, so that no step is long. */
#define SENT_AT_ONCE 16

static uint8_t *byte_at(struct outbox *outbox, const struct ring *ring, uint16_t offset) {
    uint16_t at = (uint16_t)(ring->oldest + offset);
    return &outbox->bytes[ring->start + (at < ring->size ? at : at - ring->size)];
}

/* Takes the oldest frame out of a ring that has one, into a buffer where there is one; returns its size. */
static uint16_t take_oldest(struct outbox *outbox, struct ring *ring, uint8_t *into) {
    uint16_t size = 0;
    uint8_t byte;
    do {
        byte = *byte_at(outbox, ring, size);
        if (into != 0) {
            into[size] = byte;
        }
        size++;
    } while (byte != outbox->last_byte);
    ring->oldest = (uint16_t)(ring->oldest + size - (ring->oldest + size < ring->size ? 0 : ring->size));
    ring->held = (uint16_t)(ring->held - size);
    return size;
}

void outbox_start(struct outbox *outbox, bool sysex) {
    outbox->raw = (struct ring){.size = RAW_BYTES};
    outbox->prompt = (struct ring){.start = RAW_BYTES, .size = OUTBOX_BYTES - RAW_BYTES};
    outbox->dropped = 0;
    outbox->sent = 0;
    outbox->last_byte = sysex ? SYSEX_END : 0;
    outbox->type_at = sysex ? 5 : 1; /* behind the header and the first top bits, or behind the first code */
    /* On a stream a zero goes first: it ends whatever noise the line had before. */
    outbox->size = sysex ? 0 : 1;
    outbox->under_way[0] = 0;
}

static bool has_room(const struct ring *ring, uint16_t size) { return size <= ring->size - ring->held; }

bool outbox_has_room(const struct outbox *outbox, uint16_t size) {
    return has_room(&outbox->prompt, size) && has_room(&outbox->raw, RAW_SYSEX_FRAME);
}

void outbox_add(struct outbox *outbox, const uint8_t *frame, uint16_t size) {
    struct ring *ring = frame[outbox->type_at] == TYPE_RAW ? &outbox->raw : &outbox->prompt;
    while (!has_room(ring, size)) {
        (void)take_oldest(outbox, ring, 0);
        outbox->dropped = (uint16_t)(outbox->dropped + (outbox->dropped < UINT16_MAX));
    }
    for (uint16_t i = 0; i < size; i++) {
        *byte_at(outbox, ring, (uint16_t)(ring->held + i)) = frame[i];
    }
    ring->held = (uint16_t)(ring->held + size);
}

bool outbox_send(struct outbox *outbox) {
    if (outbox->sent == outbox->size) {
        struct ring *ring = outbox->prompt.held > 0 ? &outbox->prompt : &outbox->raw;
        if (ring->held == 0) {
            return false;
        }
        outbox->size = take_oldest(outbox, ring, outbox->under_way);
        outbox->sent = 0;
    }
    uint16_t left = (uint16_t)(outbox->size - outbox->sent);
    uint16_t taken = board_send(outbox->under_way + outbox->sent, left < SENT_AT_ONCE ? left : SENT_AT_ONCE);
    outbox->sent = (uint16_t)(outbox->sent + taken);
    return taken > 0;
}
