/* Whether a sensor sees a finger come, or feels only how hard it is pressed: by where the sample spends its time on its way
 * from one rest to the other.
 *
 * A sensor that sees a finger come is quickest near the rim, at whatever pace: there the sample is in its upper half, so it
 * stays in that for the shorter time, both ways. One that feels the pressing begins at the rim, at once, and comes to its
 * rest ever more slowly; when the finger lets go it is the same backwards.
 */
#ifndef FINGERLEAD_TRAVEL_H
#define FINGERLEAD_TRAVEL_H

#include <stdbool.h>
#include <stdint.h>

#include "numbers.h"

struct travel {
    uint8_t low[HOLES], high[HOLES]; /* looks at the sample on its way: in its lower half, in its upper one */
    uint8_t top_mask;                /* where the sample was last at rest: covered */
    uint8_t pressed_mask;            /* the last way was that of a pad which is pressed */
};

/* Where a hole's sample rests, and where it comes from. */
struct ends {
    uint16_t here, there; /* this rest's extreme, that of the one before */
    uint16_t open, top;   /* what is known of either kind; 0 nothing */
    uint16_t gone;        /* how far the sample is from that SLOPE_REACH scans before */
    bool covered;
    bool rests; /* for some time */
};

/* Look at one sample; look_us lie between two looks at one hole. */
void travel_see(struct travel *travel, uint8_t hole, uint16_t sample, const struct ends *ends, uint32_t look_us);

#endif
