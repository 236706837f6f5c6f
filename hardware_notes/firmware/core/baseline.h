/* Where each hole's sample lies in the long run: drift, taken off again slowly, and never a finger that is held.
 *
 * A finger can only raise a sample above that of an open hole, and only leave it below that of a covered one. So where
 * both rests have gone the same way it is drift, by the smaller of the two at least; a finger that lies half over its hole,
 * or is lifted a little only, moves one of them alone, and nothing follows it, however long it stays.
 */
#ifndef FINGERLEAD_BASELINE_H
#define FINGERLEAD_BASELINE_H

#include <stdbool.h>
#include <stdint.h>

#include "numbers.h"

struct baseline {
    uint16_t first[2][HOLES]; /* where the sample rested in the beginning, open and covered */
    uint16_t last[2][HOLES];  /* where it rested last, or rests */
    int16_t drift[HOLES];     /* how far it has gone since, in counts */
    uint8_t rests[2][HOLES];  /* of the first ones: how many there were */
    uint8_t looks[HOLES];     /* at the hole since it crossed */
    uint8_t covered_mask;     /* at the last look */
    uint8_t beat;
    bool drifts; /* any */
};

/* At the first scan, and where the levels are others. */
void baseline_start(struct baseline *baseline);

/* Take the drift off a scan's samples. */
void baseline_take_off(const struct baseline *baseline, uint16_t samples[HOLES]);

/* Look at one hole: the mean of its last samples, drift taken off. Every hole in turn, one a scan. */
void baseline_see(struct baseline *baseline, uint8_t hole, uint16_t mean, bool covered);

#endif
