#include "outbox.h"

#include "board.h"

/* Bytes that one step sends at most, so that no step is long. */
#define SENT_AT_ONCE 16

/* Takes the oldest frame out of the ring, into a buffer where there is one; returns its size. */
static uint16_t take_oldest(struct outbox *outbox, uint8_t *into) {
    const uint8_t last_byte = outbox->last_byte;
    uint16_t at = outbox->oldest, size = 0;
    uint8_t byte;
    do {
        byte = outbox->ring[at];
        at = (uint16_t)((at + 1u) % OUTBOX_BYTES);
        if (into != 0) {
            into[size] = byte;
        }
        size++;
    } while (byte != last_byte);
    outbox->oldest = at;
    outbox->held = (uint16_t)(outbox->held - size);
    return size;
}

static uint16_t place_of(const struct outbox *outbox, uint16_t offset) {
    return (uint16_t)((outbox->oldest + offset) % OUTBOX_BYTES);
}

static uint16_t size_at(const struct outbox *outbox, uint16_t offset) {
    uint16_t size = 1;
    while (outbox->ring[place_of(outbox, (uint16_t)(offset + size - 1u))] != outbox->last_byte) {
        size++;
    }
    return size;
}

static void count_drop(struct outbox *outbox) { outbox->dropped = (uint16_t)(outbox->dropped + (outbox->dropped < UINT16_MAX)); }

/* Takes the oldest raw frame out from among the others; the older ones move up. False where there is none. */
static bool drop_raw(struct outbox *outbox) {
    uint16_t offset = 0, size = 0;
    while (offset < outbox->held) {
        size = size_at(outbox, offset);
        if (outbox->ring[place_of(outbox, (uint16_t)(offset + outbox->type_at))] == TYPE_RAW) {
            break;
        }
        offset = (uint16_t)(offset + size);
    }
    if (offset >= outbox->held) {
        return false;
    }
    while (offset-- > 0) {
        outbox->ring[place_of(outbox, (uint16_t)(offset + size))] = outbox->ring[place_of(outbox, offset)];
    }
    outbox->oldest = place_of(outbox, size);
    outbox->held = (uint16_t)(outbox->held - size);
    return true;
}

void outbox_start(struct outbox *outbox, bool sysex) {
    outbox->oldest = 0;
    outbox->held = 0;
    outbox->dropped = 0;
    outbox->sent = 0;
    outbox->last_byte = sysex ? SYSEX_END : 0;
    outbox->type_at = sysex ? 5 : 1; /* behind the header and the first top bits, or behind the first code */
    /* On a stream a zero goes first: it ends whatever noise the line had before. */
    outbox->size = sysex ? 0 : 1;
    outbox->under_way[0] = 0;
}

bool outbox_has_room(const struct outbox *outbox, uint16_t size) { return size <= OUTBOX_BYTES - outbox->held; }

void outbox_add(struct outbox *outbox, const uint8_t *frame, uint16_t size) {
    if (frame[outbox->type_at] == TYPE_RAW && !outbox_has_room(outbox, (uint16_t)(size + KEPT_FOR_EDGES))) {
        count_drop(outbox);
        return;
    }
    while (!outbox_has_room(outbox, size)) {
        if (!drop_raw(outbox)) {
            (void)take_oldest(outbox, 0);
        }
        count_drop(outbox);
    }
    uint16_t at = (uint16_t)((outbox->oldest + outbox->held) % OUTBOX_BYTES);
    for (uint16_t i = 0; i < size; i++) {
        outbox->ring[at] = frame[i];
        at = (uint16_t)((at + 1u) % OUTBOX_BYTES);
    }
    outbox->held = (uint16_t)(outbox->held + size);
}

bool outbox_send(struct outbox *outbox) {
    if (outbox->sent == outbox->size) {
        if (outbox->held == 0) {
            return false;
        }
        outbox->size = take_oldest(outbox, outbox->under_way);
        outbox->sent = 0;
    }
    uint16_t left = (uint16_t)(outbox->size - outbox->sent);
    uint16_t taken = board_send(outbox->under_way + outbox->sent, left < SENT_AT_ONCE ? left : SENT_AT_ONCE);
    outbox->sent = (uint16_t)(outbox->sent + taken);
    return taken > 0;
}
