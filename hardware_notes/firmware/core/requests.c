#include "requests.h"

#include "messages.h"

/* The least size of each request's payload, by its type; 0 for types that are not known. */
static uint16_t least_size(uint8_t type) {
    static const uint8_t sizes[] = {WHO_SIZE,  STREAM_SIZE, SET_THRESHOLDS_SIZE, GET_THRESHOLDS_SIZE,
                                    KEEP_SIZE, CLOCK_SIZE,  RESTART_SIZE};
    _Static_assert(TYPE_RESTART - TYPE_WHO + 1 == sizeof sizes, "one size for each request");
    _Static_assert(SET_THRESHOLDS_SIZE <= KEPT_MOST, "the reader keeps all of the longest request");
    return type >= TYPE_WHO && type <= TYPE_RESTART ? sizes[type - TYPE_WHO] : 0;
}

/* Writes the answer's body; returns its size. */
static uint16_t stream(struct chanter *c, const uint8_t *request, uint8_t *status, uint8_t *body) {
    uint8_t what = request[STREAM_AT_WHAT];
    uint32_t asked_hz = get_u16(request + STREAM_AT_RAW_RATE);
    if (what > STREAM_BOTH) {
        *status = STATUS_BAD_VALUE;
        return 0;
    }
    uint32_t frame_bytes = board.sysex ? RAW_SYSEX_FRAME : RAW_STREAM_FRAME;
    /* With both, a part of the link stays free for edges. */
    uint32_t for_raw = board.link_bytes_per_s;
    for_raw -= what == STREAM_BOTH ? for_raw / EDGES_SHARE : 0;
    uint32_t carried_hz = for_raw / frame_bytes;
    if (asked_hz == 0) {
        asked_hz = carried_hz;
    }
    if (asked_hz < SLOWEST_RAW_HZ) {
        asked_hz = SLOWEST_RAW_HZ;
    }
    /* A whole number of scans, and never faster than asked. */
    uint32_t per_frame_us = (1000000u + asked_hz - 1) / asked_hz;
    uint32_t every = (per_frame_us + board.scan_us - 1) / board.scan_us;
    uint32_t raw_us = every * board.scan_us;
    uint32_t rate_hz = (1000000u + raw_us / 2) / raw_us;
    if (what & STREAM_RAW) {
        /* Exact, where a rounded rate would not be: a frame every raw_us takes more than the link has. */
        if ((uint64_t)frame_bytes * 1000000u > (uint64_t)for_raw * raw_us) {
            *status = STATUS_BAD_VALUE;
            put_u16(body, (uint16_t)carried_hz);
            return 2;
        }
        c->raw_every = (uint16_t)every;
        c->raw_in = 1;
    } else {
        rate_hz = 0;
    }
    c->what = what;
    put_u16(body, (uint16_t)rate_hz);
    return 2;
}

static uint8_t set_thresholds(struct chanter *c, const uint8_t *request) {
    struct levels levels;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        levels.cover_at[hole] = get_u16(request + SET_THRESHOLDS_AT_LEVELS + 4 * hole);
        levels.uncover_at[hole] = get_u16(request + SET_THRESHOLDS_AT_LEVELS + 4 * hole + 2);
    }
    if (!levels_sound(&levels)) {
        return STATUS_BAD_VALUE;
    }
    c->levels = levels;
    baseline_start(&c->baseline);
    health_forget(&c->health);
    return STATUS_DONE;
}

static uint16_t get_thresholds(const struct chanter *c, uint8_t *body) {
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        put_u16(body + 4 * hole, c->levels.cover_at[hole]);
        put_u16(body + 4 * hole + 2, c->levels.uncover_at[hole]);
    }
    return 4 * HOLES;
}

static uint16_t clock(const uint8_t *request, uint8_t *body, uint32_t now_us) {
    for (uint8_t i = 0; i < 8; i++) {
        body[i] = request[CLOCK_AT_HOST_TIME + i];
    }
    put_u32(body + 8, now_us);
    return 12;
}

void answer_keep(struct chanter *c, enum stored how) {
    uint8_t answer[ANSWER_SIZE];
    say_answer(c, answer, c->keep_request, how == STORED ? STATUS_DONE : STATUS_STORAGE_FAILED, 0);
}

void answer_request(struct chanter *c, uint16_t size, uint32_t now_us) {
    const uint8_t *request = c->reader.kept;
    uint8_t answer[ANSWER_SIZE + 4 * HOLES], *body = answer + ANSWER_SIZE;
    uint8_t status = STATUS_DONE, number = size > 1 ? request[1] : 0;
    uint16_t body_size = 0, least = least_size(request[0]);
    if (request[0] < 0x80 || size < least) {
        return; /* not what a host sends, or too short to be read */
    }
    switch (request[0]) {
    case TYPE_WHO:
    case TYPE_RESTART:
        break;
    case TYPE_STREAM:
        body_size = stream(c, request, &status, body);
        break;
    case TYPE_SET_THRESHOLDS:
        status = set_thresholds(c, request);
        break;
    case TYPE_GET_THRESHOLDS:
        body_size = get_thresholds(c, body);
        break;
    case TYPE_KEEP:
        if (!c->keeping.busy) {
            keeping_begin(&c->keeping, &c->levels, c->boot);
            c->keep_request = number;
            c->keep_asked = true;
            return; /* the answer comes once it is stored */
        }
        status = STATUS_NOT_ABLE; /* the one before is still being stored */
        break;
    case TYPE_CLOCK:
        body_size = clock(request, body, now_us);
        break;
    default:
        status = STATUS_UNKNOWN_REQUEST;
    }
    say_answer(c, answer, number, status, body_size);
    if (request[0] == TYPE_WHO) {
        say_hello(c, now_us);
    } else if (request[0] == TYPE_RESTART && !c->restarting) {
        c->restarting = true;
        c->restart_us = now_us;
    }
}
