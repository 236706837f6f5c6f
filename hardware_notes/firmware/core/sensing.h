/* Samples -> seen masks, by each hole's two levels; seen masks -> edges that are real, with the time at which each was
 * first seen. The same rules as host/fingerlead/simulated/sensing.py, held together by tests/simulated/chatter_table.csv.
 */
#ifndef FINGERLEAD_SENSING_H
#define FINGERLEAD_SENSING_H

#include <stdbool.h>
#include <stdint.h>

#include "numbers.h"

struct levels {
    uint16_t cover_at[HOLES];
    uint16_t uncover_at[HOLES];
};

/* Whether every cover at is above its uncover at. */
bool levels_sound(const struct levels *levels);

/* The mask at the start: covered from the midpoint of the two levels up. */
uint8_t first_seen(const struct levels *levels, const uint16_t samples[HOLES]);

/* The mask now, given the one before: covered from cover at up, open from uncover at down, unchanged between. */
uint8_t next_seen(const struct levels *levels, const uint16_t samples[HOLES], uint8_t seen_mask);

/* Decides whether a change of a hole is real: it is once it has lasted settle_us, and keeps its first time. The same
 * rule for covering and opening. A hole that goes back sooner has not moved. */
struct chatter {
    uint32_t first_us[HOLES]; /* of those holes that wait: when the change was first seen */
    uint8_t waiting_mask;     /* holes whose change is not decided yet */
    uint8_t covered_mask;     /* what is decided */
};

struct edge {
    uint32_t first_us;
    uint8_t covered_mask;
};

void chatter_start(struct chatter *chatter, uint8_t covered_mask);

/* Take in the mask seen at the scan of now_us; returns the holes whose change is first seen in it. Then call
 * chatter_decide until it is false. */
uint8_t chatter_see(struct chatter *chatter, uint32_t now_us, uint8_t seen_mask);

/* The oldest change that is decided now, all holes first seen in one scan together. */
bool chatter_decide(struct chatter *chatter, uint32_t now_us, uint32_t settle_us, struct edge *edge);

#endif
