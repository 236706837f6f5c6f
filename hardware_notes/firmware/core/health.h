/* Whether each hole's sensor can be believed. A movement is what a hole does from one rest to the next; it is affected by a
 * trouble where the samples around it show one. The second affected movement tells it, with the time since the first; once
 * CLEAN_MOVEMENTS in a row were not affected it is over. What is told is in hardware_notes/wire.md.
 */
#ifndef FINGERLEAD_HEALTH_H
#define FINGERLEAD_HEALTH_H

#include "sensing.h"
#include "slopes.h"
#include "troubles.h"

#define MAINS 2 /* the light of mains flickers at 100 or 120 Hz */

struct health {
    int32_t wave[MAINS][2][HOLES];  /* this window's samples against the cosine and the sine of each frequency */
    uint32_t phase[MAINS];          /* of each, 2^32 a turn */
    uint32_t step[MAINS];           /* what a scan adds to it */
    struct {
        uint16_t quick, quiet, longest, rest, late, window;
    } scans;                        /* how many there are in each of these times */
    uint16_t window;                /* scans until the window ends */
    uint16_t extreme[HOLES];        /* this rest's highest mean while covered, lowest while open */
    uint16_t rest[2][HOLES];        /* where the mean lies while the hole is open, covered; follows slowly */
    uint16_t rest_at_first[2][HOLES];
    uint16_t still[HOLES];          /* scans since the hole's last crossing, real or not */
    uint16_t moving[HOLES];         /* scans since this movement began; 0 between two */
    uint16_t leaving[HOLES];        /* scans since a covered hole's sample was last at its rest */
    uint16_t slackening[HOLES];     /* of these, those in the last quarter of the way to the level */
    uint16_t steepest[HOLES];       /* the most that it fell in SLOPE_REACH scans since then */
    uint16_t settling[HOLES];       /* scans from a covering to the rest, the slowest of late */
    uint16_t nearly[HOLES];         /* turns of eight scans that an open hole's mean is as high as a covering's */
    uint8_t quick[HOLES];           /* crossings of this movement that came too soon for a finger */
    uint8_t rests[HOLES];           /* how many there were; stays at its most */
    uint8_t light[HOLES];           /* how sure the flicker is */
    uint8_t lit_mask, slow_mask, full_mask, settled_mask; /* what this movement shows */
    struct troubles troubles;
    uint8_t turn;                   /* whose mean is next, and which light */
};

/* At the first scan. */
void health_start(struct health *health, const uint16_t samples[HOLES]);

/* The levels are others: begin anew. What was told comes out as over. */
void health_forget(struct health *health);

/* Take in a scan, before the slopes do: the seen mask, and the holes that differ from the scan before. */
void health_see(struct health *health, const uint16_t samples[HOLES], const struct slopes *slopes,
                const struct levels *levels, uint8_t seen_mask, uint8_t flipped, uint32_t now_us);

#endif
