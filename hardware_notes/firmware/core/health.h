/* Whether each hole's sensor can be believed. A movement is what a hole does from one rest to the next; it is affected by a
 * trouble where the samples around it show one. The second affected movement tells it, with the time since the first; once
 * CLEAN_MOVEMENTS in a row were not affected it is over. What is told is in hardware_notes/wire.md.
 */
#ifndef FINGERLEAD_HEALTH_H
#define FINGERLEAD_HEALTH_H

#include "light.h"
#include "sensing.h"
#include "slopes.h"
#include "travel.h"
#include "troubles.h"

struct health {
    struct {
        uint16_t quick, quiet, longest, rest, late, window;
    } scans;                        /* how many there are in each of these times */
    uint16_t extreme[HOLES];        /* this rest's highest mean while covered, lowest while open */
    uint16_t rest[2][HOLES];        /* where the mean lies while the hole is open, covered; follows slowly */
    uint16_t rest_at_first[2][HOLES];
    uint16_t came_from[HOLES];      /* the extreme of the rest before */
    uint16_t still[HOLES];          /* scans since the hole's last crossing, real or not */
    uint16_t moving[HOLES];         /* scans since this movement began; 0 between two */
    uint16_t leaving[HOLES];        /* scans since a covered hole's sample was last at its rest */
    uint16_t slackening[HOLES];     /* of these, those in the last quarter of the way to the level */
    uint16_t steepest[HOLES];       /* the most that it fell in SLOPE_REACH scans since then */
    uint16_t settling[HOLES];       /* scans from a covering to the rest, the slowest of late */
    uint16_t nearly[HOLES];         /* turns of eight scans that an open hole's mean is as high as a covering's */
    uint8_t quick[HOLES];           /* crossings of this movement that came too soon for a finger */
    uint8_t rests[HOLES];           /* how many there were; stays at its most */
    uint8_t slow_mask, full_mask, settled_mask; /* what this movement shows */
    struct travel travel;
    struct troubles troubles;
    uint16_t mean;                  /* of the hole whose turn it was */
    uint8_t turn;                   /* whose turn is next */
};

/* At the first scan. */
void health_start(struct health *health, const uint16_t samples[HOLES]);

/* The levels are others: begin anew. What was told comes out as over. */
void health_forget(struct health *health);

/* Take in a scan, before the slopes do: the seen mask, and the holes that differ from the scan before. */
void health_see(struct health *health, const uint16_t samples[HOLES], const struct slopes *slopes,
                const struct light *light, const struct levels *levels, uint8_t seen_mask, uint8_t flipped, uint32_t now_us);

/* What there is to say of a hole at the end of its window of light. */
void health_lit(const struct health *health, uint8_t hole, const struct levels *levels, bool covered, struct lit *lit);

#endif
