/* The chanter: scans the holes, says what they do, answers requests. Everything it remembers is in one struct. */
#ifndef FINGERLEAD_CHANTER_H
#define FINGERLEAD_CHANTER_H

#include "board.h"
#include "frames.h"
#include "keeping.h"
#include "outbox.h"
#include "sensing.h"

#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 0
#define FIRMWARE_PATCH 0

struct chanter {
    struct levels levels;
    struct chatter chatter;
    struct keeping keeping;
    struct reader reader;
    struct outbox outbox;

    uint32_t next_scan_us;
    uint32_t last_hello_us;
    uint32_t last_beat_us; /* when a holes frame was last said */
    uint32_t last_overrun_us;
    uint32_t restart_us; /* when a restart was asked for */

    uint16_t boot;
    uint16_t holes_sequence;
    uint16_t raw_sequence;
    uint16_t raw_every; /* scans from one raw frame to the next */
    uint16_t raw_in;    /* scans until the next raw frame */

    uint16_t last_samples[HOLES]; /* each hole's last sample that differed from the one before it */
    uint8_t still_edges[HOLES];   /* edges of any hole since then */

    uint8_t seen_mask;
    uint8_t what;         /* STREAM_ bits */
    uint8_t keep_request; /* the number of the keep request that waits for its answer */
    bool keep_asked;
    bool started; /* the boot number is stored, and the first scan is done */
    bool restarting;
};

/* Call once. */
void chanter_start(struct chanter *chanter);

/* Call again and again, without a pause: does what is due, and never waits. */
void chanter_step(struct chanter *chanter);

/* -- between the files of the core --------------------------------------------------------------------------------- */

/* Puts a payload's frame into the outbox. */
void say(struct chanter *chanter, const uint8_t *payload, uint16_t size);
void say_hello(struct chanter *chanter, uint32_t now_us);
void say_trouble(struct chanter *chanter, uint8_t code, uint8_t hole, uint16_t detail, uint32_t now_us);

/* Answers the request of which the reader holds the beginning. */
void answer_request(struct chanter *chanter, uint16_t size);
void answer_keep(struct chanter *chanter, enum stored how);

#endif
