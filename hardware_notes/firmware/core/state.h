/* Everything the chanter remembers, in one struct. Nothing of the core has state besides it. */
#ifndef FINGERLEAD_STATE_H
#define FINGERLEAD_STATE_H

#include "baseline.h"
#include "frames.h"
#include "health.h"
#include "keeping.h"
#include "light.h"
#include "outbox.h"
#include "sensing.h"
#include "slopes.h"

struct chanter {
    struct levels levels;
    struct chatter chatter;
    struct light light;
    struct baseline baseline;
    struct slopes slopes;
    struct health health;
    struct keeping keeping;
    struct reader reader;
    struct outbox outbox;

    uint32_t next_scan_us;
    uint32_t last_hello_us;
    uint32_t last_beat_us; /* when a holes frame was last said */
    uint32_t last_overrun_us;
    uint32_t restart_us; /* when a restart was asked for */
    uint32_t asked_us;   /* when the last byte of the request that waits was read */

    uint16_t asked_size; /* of the request that waits for its answer; 0 where none does */
    uint16_t boot;
    uint16_t holes_sequence;
    uint16_t raw_sequence;
    uint16_t slope_sequence;
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

#endif
