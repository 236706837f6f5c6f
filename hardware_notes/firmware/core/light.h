/* The light of mains, at 100 or 120 Hz: how much of it comes into each hole's sample, and that much taken off again.
 * What is known of it is measured while a hole rests, open or covered, over ten turns and more, and goes on by itself with
 * the phase of the mains. So nothing waits for a sample that is still to come, and no edge is later for it.
 */
#ifndef FINGERLEAD_LIGHT_H
#define FINGERLEAD_LIGHT_H

#include <stdbool.h>
#include <stdint.h>

#include "numbers.h"

#define MAINS 2 /* 100 Hz, 120 Hz */
#define LIGHT_WINDOW_US 100000u /* ten turns of 100 Hz, twelve of 120 Hz: neither is seen in the other */

struct light {
    int32_t wave[MAINS][2][HOLES]; /* this window's samples against the cosine and the sine of each frequency */
    uint32_t phase[MAINS];         /* of each, 2^32 a turn */
    uint32_t step[MAINS];          /* what a microsecond adds to it */
    uint32_t now_us;
    int16_t seen[2][2][HOLES];     /* cosine and sine of what an open hole sees, and a covered one; counts */
    int16_t off[2][HOLES];         /* of that, what there is of it where the sample is at its level */
    uint16_t base[HOLES];          /* where the sample was when the window began */
    uint16_t window;               /* scans in it; each hole's begins at another */
    uint16_t at;                   /* scans since the thumb's began */
    uint8_t sure[HOLES];           /* how sure it is that more is left than can be borne */
    uint8_t off_mask;              /* holes of which something is taken off */
    uint8_t left_mask;             /* holes of which too much is left */
    uint8_t mains;                 /* which of the two is taken off */
};

/* What the end of a window asks of a hole. */
struct lit {
    bool covered;
    bool still;       /* all through the window it has rested */
    uint16_t swing;   /* how far a finger's whole way moves the sample; 0 not known */
    uint16_t level;   /* how far up that way its levels lie, in 256ths */
    uint32_t bearable; /* a wave of this height is too much */
};

/* At the first scan. */
void light_start(struct light *light, const uint16_t samples[HOLES], uint32_t now_us);

/* Take in a scan, and take off its samples what is known of the light. Returns the hole whose window has ended with it,
 * or NO_HOLE: of that one, call light_judge. */
uint8_t light_take_off(struct light *light, uint16_t samples[HOLES], uint32_t now_us);
void light_judge(struct light *light, uint8_t hole, const struct lit *lit);

#endif
