#include "messages.h"

static uint16_t scan_rate_hz(void) { return (uint16_t)((1000000u + board.scan_us / 2u) / board.scan_us); }

static void say(struct chanter *c, const uint8_t *payload, uint16_t size) {
    uint8_t frame[LONGEST_FRAME];
    outbox_add(&c->outbox, frame, frame_write(board.sysex, payload, size, frame));
}

void say_hello(struct chanter *c, uint32_t now_us) {
    uint8_t p[HELLO_MOST];
    p[0] = TYPE_HELLO;
    p[HELLO_AT_PROTOCOL] = PROTOCOL;
    board_device_id(p + HELLO_AT_DEVICE_ID);
    p[HELLO_AT_FIRMWARE] = FIRMWARE_MAJOR;
    p[HELLO_AT_FIRMWARE + 1] = FIRMWARE_MINOR;
    p[HELLO_AT_FIRMWARE + 2] = FIRMWARE_PATCH;
    p[HELLO_AT_HOLES] = HOLES;
    p[HELLO_AT_ABILITIES] = CAN_RAW | CAN_STORE_THRESHOLDS | CAN_SLOPES;
    put_u16(p + HELLO_AT_SCAN_RATE, scan_rate_hz());
    p[HELLO_AT_RAW_BITS] = board.raw_bits;
    uint16_t size = HELLO_SIZE;
    for (const char *letter = board.name; *letter != 0 && size < HELLO_SIZE + NAME_MOST; letter++) {
        p[size++] = (uint8_t)*letter;
    }
    p[size++] = 0;
    put_u16(p + size, c->boot);
    say(c, p, (uint16_t)(size + 2));
    c->last_hello_us = now_us;
}

void say_trouble(struct chanter *c, uint8_t code, uint8_t hole, uint16_t detail, uint32_t now_us) {
    uint8_t p[TROUBLE_SIZE];
    p[0] = TYPE_TROUBLE;
    p[TROUBLE_AT_CODE] = code;
    p[TROUBLE_AT_HOLE] = hole;
    put_u16(p + TROUBLE_AT_DETAIL, detail);
    put_u32(p + TROUBLE_AT_TIME, now_us);
    say(c, p, TROUBLE_SIZE);
}

void say_holes(struct chanter *c, uint8_t covered_mask, uint32_t t_us, uint32_t now_us) {
    c->last_beat_us = now_us;
    if (!(c->what & STREAM_HOLES)) {
        return;
    }
    uint8_t p[HOLES_SIZE];
    p[0] = TYPE_HOLES;
    put_u16(p + HOLES_AT_SEQUENCE, c->holes_sequence++);
    put_u32(p + HOLES_AT_TIME, t_us);
    p[HOLES_AT_MASK] = covered_mask;
    say(c, p, HOLES_SIZE);
}

void say_slope(struct chanter *c, uint8_t hole) {
    uint8_t p[SLOPE_SIZE];
    p[0] = TYPE_SLOPE;
    put_u16(p + SLOPE_AT_SEQUENCE, c->slope_sequence++);
    put_u32(p + SLOPE_AT_TIME, c->chatter.first_us[hole]);
    p[SLOPE_AT_HOLE] = hole;
    put_u16(p + SLOPE_AT_RISE, slopes_rise(&c->slopes, hole, c->chatter.covered_mask, board.scan_us));
    put_u16(p + SLOPE_AT_LEVEL, c->slopes.level[hole]);
    say(c, p, SLOPE_SIZE);
}

void say_raw(struct chanter *c, const uint16_t samples[HOLES], uint32_t now_us) {
    uint8_t p[RAW_SIZE];
    p[0] = TYPE_RAW;
    put_u16(p + RAW_AT_SEQUENCE, c->raw_sequence++);
    put_u32(p + RAW_AT_TIME, now_us);
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        put_u16(p + RAW_AT_SAMPLES + 2 * hole, samples[hole]);
    }
    say(c, p, RAW_SIZE);
}

void say_answer(struct chanter *c, uint8_t *answer, uint8_t request, uint8_t status, uint16_t body_size) {
    answer[0] = TYPE_ANSWER;
    answer[ANSWER_AT_REQUEST] = request;
    answer[ANSWER_AT_STATUS] = status;
    say(c, answer, (uint16_t)(ANSWER_SIZE + body_size));
}
