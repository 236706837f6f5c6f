#include "chanter.h"

#include "messages.h"
#include "requests.h"
#include "rig.h"

#define TROUBLE_FRAME_MOST (TROUBLE_SIZE + CHECK_BYTES + 7) /* on the longer carrier */
#define TELL_OVERRUN_EVERY_US 1000000u
#define RESTART_AFTER_US 50000u /* so that the answer is off the board too, through whatever queue it has */
#define READ_AT_ONCE 2
#define QUIET_SHARE 4 /* of the time between scans: so long before a scan nothing long begins, which would make it late */
#define TOLD UINT8_MAX
#define STUCK_EDGES 200 /* a sample that has not moved by one count over so many edges of the others */

/* -- a scan -------------------------------------------------------------------------------------------------------- */

/* Where earlier scans were missed, the time from here on counts from now. */
static void set_next_scan(struct chanter *c, uint32_t now_us) {
    uint32_t late_us = now_us - c->next_scan_us;
    c->next_scan_us += board.scan_us;
    if (late_us < board.scan_us) {
        return;
    }
    c->next_scan_us = now_us + board.scan_us;
    slopes_start(&c->slopes, board.scan_us);
    if (now_us - c->last_overrun_us >= TELL_OVERRUN_EVERY_US) {
        c->last_overrun_us = now_us;
        say_trouble(c, TROUBLE_SCAN_OVERRUN, NO_HOLE, 0, now_us);
    }
}

/* The lamps' own light alone, where they can be switched; a 16th of the range stays below it for noise. */
static void read_samples(uint16_t samples[HOLES]) {
    board_read_samples(samples);
    if (!board.read_dark) {
        return;
    }
    uint16_t dark[HOLES];
    board.read_dark(dark);
    int32_t end = (int32_t)((1u << board.raw_bits) - 1), room = end / 16;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        int32_t own = room + samples[hole] - dark[hole];
        samples[hole] = (uint16_t)(own < 0 ? 0 : own > end ? end : own);
    }
}

static void first_scan(struct chanter *c, const uint16_t samples[HOLES], uint32_t now_us) {
    c->seen_mask = first_seen(&c->levels, samples);
    health_start(&c->health, samples);
    light_start(&c->light, samples, now_us);
    baseline_start(&c->baseline);
    chatter_start(&c->chatter, c->seen_mask);
    say_hello(c, now_us);
    if (board_state() & STATE_WATCHDOG) {
        say_trouble(c, TROUBLE_RESTARTED_BY_WATCHDOG, NO_HOLE, 0, now_us);
    }
    say_holes(c, c->seen_mask, now_us, now_us);
    c->started = true;
}

/* Reports one stuck sensor at most in a scan: the step stays short, and the next edge reports the next. */
static void watch_sensors(struct chanter *c, const uint16_t samples[HOLES], uint8_t edges, uint32_t now_us) {
    bool told = false;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        if (samples[hole] != c->last_samples[hole]) {
            c->last_samples[hole] = samples[hole];
            c->still_edges[hole] = 0;
        } else if (c->still_edges[hole] < STUCK_EDGES) {
            c->still_edges[hole] = (uint8_t)(c->still_edges[hole] + edges);
        } else if (c->still_edges[hole] != TOLD && !told) {
            c->still_edges[hole] = TOLD;
            told = true;
            say_trouble(c, TROUBLE_SENSOR_STUCK, hole, 0, now_us);
        }
    }
}

/* One at most in a scan, for the step's sake; where holes do not stream, none. */
static void tell_slope(struct chanter *c) {
    uint8_t hole = slopes_whole(&c->slopes, c->chatter.waiting_mask);
    if (hole == NO_HOLE) {
        return;
    }
    if (c->what & STREAM_HOLES) {
        say_slope(c, hole);
    }
    slopes_done(&c->slopes, hole);
}

static void tell_health(struct chanter *c, uint32_t now_us) {
    struct trouble_news news;
    if (troubles_next(&c->health.troubles, now_us, &news)) {
        say_trouble(c, news.code, news.hole, news.detail, now_us);
    }
}

static void scan(struct chanter *c, uint32_t now_us) {
    uint16_t read[HOLES], samples[HOLES];
    read_samples(read);
    board_feed_watchdog();
    set_next_scan(c, now_us);
    if (!c->started) {
        first_scan(c, read, now_us);
        return;
    }
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        samples[hole] = read[hole];
    }
    uint8_t watched = light_take_off(&c->light, samples, now_us);
    baseline_take_off(&c->baseline, samples);
    uint8_t seen_before = c->seen_mask;
    c->seen_mask = next_seen(&c->levels, samples, c->seen_mask);
    board_show(c->seen_mask);
    health_see(&c->health, samples, &c->slopes, &c->light, &c->levels, c->seen_mask, seen_before ^ c->seen_mask, now_us);
    if (slopes_full(&c->slopes)) {
        uint8_t hole = (uint8_t)(c->health.turn - 1u) % HOLES;
        baseline_see(&c->baseline, hole, c->health.mean, c->seen_mask >> hole & 1);
    }
    if (watched != NO_HOLE) {
        struct lit lit;
        health_lit(&c->health, watched, &c->levels, c->seen_mask >> watched & 1, &lit);
        light_judge(&c->light, watched, &lit);
    }
    uint8_t waited = c->chatter.waiting_mask;
    uint8_t crossed = chatter_see(&c->chatter, now_us, c->seen_mask);
    slopes_see(&c->slopes, samples, crossed, waited & (uint8_t)~c->chatter.waiting_mask);
    struct edge edge;
    uint8_t edges = 0;
    while (chatter_decide(&c->chatter, now_us, SETTLE_US, &edge)) {
        say_holes(c, edge.covered_mask, edge.first_us, now_us);
        edges++;
    }
    watch_sensors(c, read, edges, now_us);
    tell_slope(c);
    tell_health(c, now_us);
    /* While an edge waits, a frame with the time of now would be later than the edge's own. */
    bool beat_due = now_us - c->last_beat_us >= BEAT_US;
    if (beat_due && c->chatter.waiting_mask == 0) {
        say_holes(c, c->chatter.covered_mask, now_us, now_us);
    }
    if ((c->what & STREAM_RAW) && --c->raw_in == 0) {
        c->raw_in = c->raw_every;
        say_raw(c, read, now_us);
    }
}

static void hello_again(struct chanter *c, uint32_t now_us) {
    say_hello(c, now_us);
    troubles_again(&c->health.troubles);
    if (board_state() & STATE_SUPPLY_LOW) {
        say_trouble(c, TROUBLE_SUPPLY_LOW, NO_HOLE, 0, now_us);
    }
}

/* -- the rest ------------------------------------------------------------------------------------------------------ */

/* At the start nothing is said before the boot number is stored: so no start ever has the number of another. */
static void go_on_storing(struct chanter *c, uint32_t now_us) {
    if (!c->keeping.busy) {
        return;
    }
    enum stored how = keeping_go_on(&c->keeping);
    if (how == STILL_STORING) {
        board_feed_watchdog(); /* at the start there are no scans yet */
        return;
    }
    if (c->keep_asked) {
        c->keep_asked = false;
        answer_keep(c, how);
    }
    if (!c->started) {
        if (how == NOT_STORED) {
            /* No counter without storage: what noise the samples have, and the time that all this took. */
            uint16_t samples[HOLES];
            board_read_samples(samples);
            c->boot = check_step((uint16_t)now_us, (uint8_t)(now_us >> 16));
            for (uint8_t hole = 0; hole < HOLES; hole++) {
                c->boot = check_step(c->boot, (uint8_t)samples[hole]);
            }
        }
        c->next_scan_us = now_us;
        c->last_overrun_us = now_us - TELL_OVERRUN_EVERY_US;
    }
}

/* Only while the host reads: else this frame would be dropped like the others, and the count with it. */
static void tell_drops(struct chanter *c, uint32_t now_us) {
    if (c->outbox.dropped > 0 && outbox_has_room(&c->outbox, TROUBLE_FRAME_MOST)) {
        say_trouble(c, TROUBLE_SEND_BUFFER_FULL, NO_HOLE, c->outbox.dropped, now_us);
        c->outbox.dropped = 0;
    }
}

void chanter_start(struct chanter *c) {
    *c = (struct chanter){.what = STREAM_HOLES, .raw_every = 1, .raw_in = 1};
    outbox_start(&c->outbox, board.sysex);
    reader_start(&c->reader, board.sysex);
    c->boot = (uint16_t)(keeping_load(&c->keeping, &c->levels) + 1u);
    keeping_begin(&c->keeping, &c->levels, c->boot);
    slopes_start(&c->slopes, board.scan_us);
}

void chanter_step(struct chanter *c) {
    uint32_t now_us = board_microseconds();
    bool starting = c->keeping.busy && !c->started;
    int32_t to_scan_us = (int32_t)(c->next_scan_us - now_us);
    bool quiet = to_scan_us > 0 && to_scan_us < (int32_t)(board.scan_us / QUIET_SHARE);
    if (!starting && to_scan_us <= 0) {
        scan(c, now_us);
    } else if (c->started && !quiet && now_us - c->last_hello_us >= HELLO_EVERY_US) {
        hello_again(c, now_us); /* the longest frame, so not in a step that scans */
    }
    go_on_storing(c, now_us);
    if (outbox_send(&c->outbox)) {
        tell_drops(c, now_us);
    }
    if (c->restarting && now_us - c->restart_us >= RESTART_AFTER_US && !c->keeping.busy) {
        board_restart();
    }
    if (c->asked_size > 0 && !quiet) {
        answer_request(c, c->asked_size, c->asked_us);
        c->asked_size = 0;
    }
    /* Two bytes at a time, up to the end of a request: whatever the host sends, the next scan is never far. */
    for (uint8_t most = starting ? 0 : READ_AT_ONCE; most > 0 && c->asked_size == 0; most--) {
        int byte = board_receive();
        if (byte < 0) {
            return;
        }
        c->asked_size = reader_take(&c->reader, (uint8_t)byte);
        if (c->asked_size > 0) {
            c->asked_us = board_microseconds();
        }
    }
}
