/* How steeply a hole's sample went through its level: the least-squares line through the samples of SLOPE_US before and
 * after the crossing, as many on either side as there are scans in it, at most SLOPE_REACH. A window that a missed scan,
 * or the same hole's next crossing, cuts short has no slope.
 */
#ifndef FINGERLEAD_SLOPES_H
#define FINGERLEAD_SLOPES_H

#include <stdbool.h>
#include <stdint.h>

#include "numbers.h"

#define SLOPE_US 4000u
#define SLOPE_REACH 8

struct slopes {
    uint16_t past[SLOPE_REACH][HOLES]; /* a ring of the last scans' samples */
    int32_t sum[HOLES];                /* of k * (the sample k scans after the crossing - level), both sides so far */
    uint16_t level[HOLES];             /* the sample at the crossing */
    uint8_t span[HOLES];               /* scans that count on either side; 0 where nothing is measured */
    uint8_t age[HOLES];                /* scans since the crossing */
    uint8_t reach;                     /* scans in SLOPE_US */
    uint8_t held;                      /* scans in the ring */
    uint8_t next;                      /* where the ring takes the next one */
};

/* At the start, and after a missed scan: nothing is known. */
void slopes_start(struct slopes *slopes, uint16_t scan_us);

/* Take in a scan: which holes crossed in it, and which went back before their edge was real. */
void slopes_see(struct slopes *slopes, const uint16_t samples[HOLES], uint8_t crossed, uint8_t gone_back);

/* The last SLOPE_REACH scans, where there were so many: a hole's oldest sample of them, and their mean. */
bool slopes_full(const struct slopes *slopes);
uint16_t slopes_oldest(const struct slopes *slopes, uint8_t hole);
uint16_t slopes_mean(const struct slopes *slopes, uint8_t hole);

/* The hole whose whole window has been seen, the earliest crossing first, none of waiting_mask; NO_HOLE where there is
 * none. slopes_done frees it. */
uint8_t slopes_whole(const struct slopes *slopes, uint8_t waiting_mask);
void slopes_done(struct slopes *slopes, uint8_t hole);

/* Counts per millisecond towards the new state; 0 where the samples went the other way. */
uint16_t slopes_rise(const struct slopes *slopes, uint8_t hole, uint8_t covered_mask, uint16_t scan_us);

#endif
