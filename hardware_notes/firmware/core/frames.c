#include "frames.h"

/* Four bits at a time: 32 bytes of table, a quarter of the steps of a bitwise CRC. */
uint16_t check_step(uint16_t check, uint8_t byte) {
    static const uint16_t table[16] = {0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
                                       0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF};
    check = (uint16_t)((uint16_t)(check << 4) ^ table[(check >> 12) ^ (byte >> 4)]);
    return (uint16_t)((uint16_t)(check << 4) ^ table[(check >> 12) ^ (byte & 0x0F)]);
}

void put_u16(uint8_t *at, uint16_t value) {
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
}

void put_u32(uint8_t *at, uint32_t value) {
    put_u16(at, (uint16_t)value);
    put_u16(at + 2, (uint16_t)(value >> 16));
}

uint16_t get_u16(const uint8_t *at) { return (uint16_t)(at[0] | (uint16_t)(at[1] << 8)); }

uint32_t get_u32(const uint8_t *at) { return get_u16(at) | (uint32_t)get_u16(at + 2) << 16; }

/* -- writing ------------------------------------------------------------------------------------------------------ */

struct writer {
    uint8_t *out;
    uint16_t size;
    uint16_t code_at; /* stream: where the COBS code of this run stands. System Exclusive: the byte of top bits */
    uint8_t in_group; /* System Exclusive */
};

static void write_byte(struct writer *w, bool sysex, uint8_t byte) {
    if (!sysex) {
        if (byte != 0) {
            w->out[w->size++] = byte;
            return;
        }
        w->out[w->code_at] = (uint8_t)(w->size - w->code_at);
        w->code_at = w->size++;
        return;
    }
    if (w->in_group == 0) {
        w->code_at = w->size;
        w->out[w->size++] = 0;
    }
    w->out[w->code_at] = (uint8_t)(w->out[w->code_at] | (byte >> 7) << w->in_group);
    w->out[w->size++] = byte & 0x7F;
    w->in_group = w->in_group == 6 ? 0 : (uint8_t)(w->in_group + 1);
}

uint16_t frame_write(bool sysex, const uint8_t *payload, uint16_t size, uint8_t *out) {
    struct writer w = {out, 1, 0, 0};
    if (sysex) {
        out[0] = SYSEX_HEADER_0;
        out[1] = SYSEX_HEADER_1;
        out[2] = SYSEX_HEADER_2;
        out[3] = SYSEX_HEADER_3;
        w.size = 4;
    }
    uint16_t check = CHECK_START;
    for (uint16_t i = 0; i < size; i++) {
        check = check_step(check, payload[i]);
        write_byte(&w, sysex, payload[i]);
    }
    write_byte(&w, sysex, (uint8_t)check);
    write_byte(&w, sysex, (uint8_t)(check >> 8));
    if (!sysex) {
        out[w.code_at] = (uint8_t)(w.size - w.code_at);
    }
    out[w.size++] = sysex ? SYSEX_END : 0;
    return w.size;
}

/* -- reading ------------------------------------------------------------------------------------------------------ */

static void begin(struct reader *r) {
    r->length = 0;
    r->size = 0;
    r->check = CHECK_START;
    r->left = 0;
    r->tops = 0;
    r->bad = false;
}

void reader_start(struct reader *r, bool sysex) {
    begin(r);
    r->sysex = sysex;
    r->inside = false;
}

static void unpacked(struct reader *r, uint8_t byte) {
    if (r->length >= CHECK_BYTES) {
        uint16_t place = (uint16_t)(r->length - CHECK_BYTES);
        r->check = check_step(r->check, r->late[0]);
        if (place < KEPT_MOST) {
            r->kept[place] = r->late[0];
        }
    }
    r->late[0] = r->late[1];
    r->late[1] = byte;
    r->length++;
}

/* The payload's size where the frame that ends now is whole and its check holds, else 0. */
static uint16_t end(struct reader *r, bool whole) {
    bool sound = whole && !r->bad && r->length > CHECK_BYTES && r->check == get_u16(r->late);
    uint16_t size = sound ? (uint16_t)(r->length - CHECK_BYTES) : 0;
    begin(r);
    return size;
}

static uint16_t take_from_stream(struct reader *r, uint8_t byte) {
    if (byte == 0) {
        return end(r, r->left == 0);
    }
    if (r->size + 1 >= STREAM_FRAME_MOST) {
        r->bad = true; /* too long: the rest is not even counted */
        return 0;
    }
    r->size++;
    if (r->left > 0) {
        r->left--;
        unpacked(r, byte);
        return 0;
    }
    /* A code. FF, which no zero follows, needs no thought: its run alone is longer than a frame may be. */
    if (r->size > 1) {
        unpacked(r, 0);
    }
    r->left = (uint8_t)(byte - 1);
    return 0;
}

static uint16_t take_from_midi(struct reader *r, uint8_t byte) {
    static const uint8_t header[4] = {SYSEX_HEADER_0, SYSEX_HEADER_1, SYSEX_HEADER_2, SYSEX_HEADER_3};
    if (byte >= 0xF8) {
        return 0; /* a real-time message may stand anywhere */
    }
    if (byte == SYSEX_HEADER_0) {
        begin(r);
        r->size = 1;
        r->inside = true;
        return 0;
    }
    if (!r->inside) {
        return 0;
    }
    if (byte >= 0x80) {
        r->inside = false;
        /* left is 1 where the last group is its byte of top bits alone; a top bit that is left belongs to no byte. */
        bool whole = byte == SYSEX_END && r->size >= sizeof header && r->left != 1 && r->tops == 0;
        return end(r, whole);
    }
    if (r->size + 1 >= SYSEX_MOST) {
        r->bad = true;
        return 0;
    }
    if (r->size < sizeof header) {
        r->bad = r->bad || byte != header[r->size];
    } else if (r->left == 0) {
        r->bad = r->bad || r->tops != 0; /* the group before had one too many */
        r->tops = byte;
        r->left = 1;
    } else {
        unpacked(r, (uint8_t)(byte | (r->tops & 1) << 7));
        r->tops >>= 1;
        r->left = r->left == 7 ? 0 : (uint8_t)(r->left + 1);
    }
    r->size++;
    return 0;
}

uint16_t reader_take(struct reader *r, uint8_t byte) {
    return r->sysex ? take_from_midi(r, byte) : take_from_stream(r, byte);
}
