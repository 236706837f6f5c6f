#include "health.h"

#include "board.h"

#define SCANS(us) ((uint16_t)((us) / board.scan_us))
#define QUICK_US 6000u     /* two crossings nearer than this are no finger's: the quickest strike takes some 10 ms */
#define QUIET_US 40000u    /* so long without a crossing ends a movement */
#define REST_US 30000u     /* a shorter stay is none: a grace note's finger hardly comes to rest */
#define LATE_US 15000u     /* a lift that creeps for longer is held up by water */
#define FIRST_RESTS 4      /* of these the latest of either kind is where the sensor began */

static uint16_t apart(uint16_t a, uint16_t b) { return (uint16_t)(a > b ? a - b : b - a); }

/* Every other scan of a hole is looked at. */
#define EVERY 2u
static void count(uint16_t *scans) { *scans = (uint16_t)(*scans + (*scans <= UINT16_MAX - EVERY ? EVERY : 0)); }

void health_start(struct health *h, const uint16_t samples[HOLES]) {
    *h = (struct health){.scans = {SCANS(QUICK_US), SCANS(QUIET_US), SCANS(LONGEST_US), SCANS(REST_US), SCANS(LATE_US),
                                   SCANS(LIGHT_WINDOW_US)}};
    h->troubles.news = true;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        h->settling[hole] = h->scans.late;
        h->extreme[hole] = samples[hole];
    }
}

void health_forget(struct health *h) {
    troubles_forget(&h->troubles);
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        h->rests[hole] = 0;
    }
}

/* -- movements ----------------------------------------------------------------------------------------------------- */

/* How far a finger's whole way moves the sample; 0 where it is not known yet. */
static uint16_t swing(const struct health *h, uint8_t hole) {
    bool known = h->rests[hole] >= 2 && h->rest_at_first[1][hole] > h->rest_at_first[0][hole];
    return known ? (uint16_t)(h->rest_at_first[1][hole] - h->rest_at_first[0][hole]) : 0;
}

/* A rest has ended. One rest moves what is remembered by a 16th of the swing at most: a finger that is held half over its
 * hole, however long, is one rest. */
static void remember_rest(struct health *h, uint8_t hole, uint8_t covered) {
    uint16_t at = h->extreme[hole], *rest = &h->rest[covered][hole];
    uint16_t step = swing(h, hole) / 16u;
    if (h->rests[hole] < FIRST_RESTS) {
        h->rests[hole]++;
        h->rest_at_first[covered][hole] = *rest = at;
    } else if (step == 0 || apart(at, *rest) <= step) {
        *rest = at;
    } else {
        *rest = (uint16_t)(at > *rest ? *rest + step : *rest - step);
    }
    uint32_t end = covered ? (1u << board.raw_bits) - 1 : 0;
    if (at == end) {
        h->full_mask |= (uint8_t)(1u << hole);
    }
}

/* A covered hole has opened: whether its sample crept there long after the finger had left. A slow finger creeps too, but
 * as slowly when it covers, and without slackening; and one that lay half off its hole goes quickly in the end. Water lets
 * go of some at once, and of the rest ever more slowly: the last quarter of the way alone takes long, where any finger is
 * quickest. */
static bool crept(const struct health *h, uint8_t hole, uint16_t fall, uint16_t last_drop) {
    uint32_t took = h->leaving[hole], covering = h->settling[hole], late = h->scans.late;
    uint32_t evenly = h->steepest[hole] > 0 ? (uint32_t)fall * SLOPE_REACH / h->steepest[hole] : UINT16_MAX;
    bool slower = (took > late + 2 * covering && took > 4 * late) || took > late + 3 * evenly;
    bool slackened = took > late + covering && h->slackening[hole] * 2u > took;
    return h->slackening[hole] > late && last_drop < fall / 4u && (slower || slackened);
}

/* Whether a rest has come far from where it began, or the covered one near the level that it has to reach. */
static bool has_drifted(const struct health *h, uint8_t hole, uint16_t cover_at) {
    uint16_t far = swing(h, hole) / 4u, first = h->rest_at_first[1][hole], covered = h->rest[1][hole];
    int32_t room = (int32_t)first - cover_at;
    bool low = room > 0 && 3 * ((int32_t)first - covered) > 2 * room;
    return far > 0 && (low || apart(covered, first) > far || apart(h->rest[0][hole], h->rest_at_first[0][hole]) > far);
}

static void end_movement(struct health *h, uint8_t hole, const struct light *light, bool drifted, uint32_t since_us) {
    uint8_t bit = (uint8_t)(1u << hole);
    /* Light makes a hole chatter too. */
    bool chatters = h->quick[hole] >= 2 && h->rests[hole] >= 2 && light->sure[hole] == 0;
    /* Noise and light have no way of their own. */
    bool pressed = h->travel.pressed_mask & bit && h->troubles.state[0][hole] == 0 && light->sure[hole] == 0 &&
                   !(light->off_mask & bit);
    const bool shows[TROUBLE_KINDS] = {chatters, light->left_mask & bit, h->slow_mask & bit,
                                       drifted,  h->full_mask & bit,     pressed};
    for (uint8_t kind = 0; kind < TROUBLE_KINDS; kind++) {
        troubles_judge(&h->troubles, kind, hole, shows[kind], since_us);
    }
    if (pressed) {
        troubles_agree(&h->troubles, TROUBLE_SLOW_SENSOR - TROUBLE_CHATTER);
    }
    h->moving[hole] = 0;
    h->quick[hole] = 0;
    h->slow_mask &= (uint8_t)~bit;
    h->full_mask &= (uint8_t)~bit;
    h->travel.pressed_mask &= (uint8_t)~bit;
}

static void cross(struct health *h, uint8_t hole, uint16_t sample, uint16_t ago, uint8_t covered, uint16_t uncover_at) {
    bool rested = h->still[hole] >= h->scans.rest;
    if (h->still[hole] < h->scans.quick && h->quick[hole] < UINT8_MAX) {
        h->quick[hole]++;
    }
    if (!covered && rested && h->extreme[hole] > uncover_at) {
        uint16_t fall = (uint16_t)(h->extreme[hole] - uncover_at), drop = ago > sample ? (uint16_t)(ago - sample) : 0;
        if (crept(h, hole, fall, drop)) {
            h->slow_mask |= (uint8_t)(1u << hole);
        }
    }
    if (rested) {
        remember_rest(h, hole, !covered);
    }
    h->came_from[hole] = h->extreme[hole];
    h->extreme[hole] = sample;
    h->still[hole] = 0;
    h->leaving[hole] = 0;
    h->slackening[hole] = 0;
    h->steepest[hole] = 0;
    h->nearly[hole] = 0;
    h->settled_mask &= (uint8_t) ~(1u << hole);
    h->moving[hole] = (uint16_t)(h->moving[hole] + (h->moving[hole] == 0));
}

/* While a hole is open: a finger that covers it, stays and leaves, and does not reach the level, is a movement that drift
 * took. A half-covered hole is not so high above the open rest. */
static void watch_covering(struct health *h, uint8_t hole, const struct light *light, uint16_t mean, uint32_t now_us) {
    uint32_t way = swing(h, hole), rise = (uint32_t)(mean - h->extreme[hole]);
    if (4 * rise > 3 * way) {
        h->nearly[hole] = (uint16_t)(h->nearly[hole] + (h->nearly[hole] < UINT16_MAX));
    } else if (2 * rise < way) {
        uint32_t scans = (uint32_t)h->nearly[hole] * HOLES;
        if (scans >= h->scans.rest) {
            end_movement(h, hole, light, true, now_us - scans * board.scan_us);
        }
        h->nearly[hole] = 0;
    }
}

/* While a hole is covered: how long ago its sample was at its rest, and how fast it fell since. */
static void watch_leaving(struct health *h, uint8_t hole, uint16_t sample, uint16_t ago, uint16_t uncover_at) {
    uint16_t top = h->extreme[hole];
    uint16_t near = top > uncover_at ? (uint16_t)(top - (top - uncover_at) / 8u) : top;
    if (sample < near) {
        count(&h->leaving[hole]);
        count(&h->slackening[hole]);
        if (sample > uncover_at + (top - uncover_at) / 4u) {
            h->slackening[hole] = 0;
        }
        uint16_t drop = ago > sample ? (uint16_t)(ago - sample) : 0;
        h->steepest[hole] = drop > h->steepest[hole] ? drop : h->steepest[hole];
        return;
    }
    h->leaving[hole] = 0;
    h->slackening[hole] = 0;
    h->steepest[hole] = 0;
    uint16_t rest = h->rest[1][hole];
    if (!(h->settled_mask >> hole & 1) && rest > uncover_at &&
        sample >= rest - (rest - uncover_at) / 8u) {
        h->settled_mask |= (uint8_t)(1u << hole);
        uint16_t before = (uint16_t)(h->settling[hole] - h->settling[hole] / 16u);
        h->settling[hole] = h->still[hole] > before ? h->still[hole] : before;
    }
}

static void watch_travel(struct health *h, uint8_t hole, uint16_t sample, uint16_t ago, bool covered) {
    const struct ends ends = {.here = h->extreme[hole], .there = h->came_from[hole], .open = h->rest[0][hole],
                              .top = h->rest[1][hole], .gone = apart(sample, ago), .covered = covered,
                              .rests = h->still[hole] >= h->scans.quiet};
    travel_see(&h->travel, hole, sample, &ends, EVERY * board.scan_us);
}

/* -- the light of mains -------------------------------------------------------------------------------------------- */

/* A 16th of the swing, left over all through a window, cannot be borne. A movement inside one shows a 30th at most,
 * beside what light there is: the two add up to a 14th, as waves do that know nothing of each other. */
void health_lit(const struct health *h, uint8_t hole, const struct levels *levels, bool covered, struct lit *lit) {
    uint16_t way = swing(h, hole), cover_at = levels->cover_at[hole], uncover_at = levels->uncover_at[hole];
    /* While the swing is not known: what goes far beyond both levels, and is no small share of the whole range. */
    uint32_t gap = 5u * (uint32_t)(cover_at - uncover_at) / 2, range = (1u << board.raw_bits) / 32;
    uint32_t middle = ((uint32_t)cover_at + uncover_at) / 2, open = h->rest_at_first[0][hole];
    uint32_t level = way == 0 || middle <= open ? 0 : (middle - open) * 256 / way;
    *lit = (struct lit){
        .covered = covered,
        .still = h->still[hole] >= h->scans.window + h->scans.rest,
        .swing = way,
        .level = (uint16_t)(level < 256 ? level : 256),
        .bearable = way > 0 ? way / (h->still[hole] < h->scans.window ? 14u : 16u) : gap > range ? gap : range,
    };
}

/* -- a scan -------------------------------------------------------------------------------------------------------- */

void health_see(struct health *h, const uint16_t samples[HOLES], const struct slopes *slopes,
                const struct light *light, const struct levels *levels, uint8_t seen_mask, uint8_t flipped, uint32_t now_us) {
    uint8_t turn = h->turn++ % HOLES;
    bool full = slopes_full(slopes);
    for (uint8_t hole = 0; flipped >> hole; hole++) {
        if (flipped >> hole & 1) {
            uint16_t ago = full ? slopes_oldest(slopes, hole) : samples[hole];
            cross(h, hole, samples[hole], ago, seen_mask >> hole & 1, levels->uncover_at[hole]);
        }
    }
    bool ended = false;
    for (uint8_t hole = turn % EVERY; hole < HOLES; hole = (uint8_t)(hole + EVERY)) {
        count(&h->still[hole]);
        uint16_t ago = full ? slopes_oldest(slopes, hole) : samples[hole];
        if (h->quick[hole] == 0) {
            watch_travel(h, hole, samples[hole], ago, seen_mask >> hole & 1);
        }
        if (seen_mask >> hole & 1) {
            watch_leaving(h, hole, samples[hole], ago, levels->uncover_at[hole]);
        }
        if (h->moving[hole] > 0) {
            count(&h->moving[hole]);
            /* One at most in a scan, for the step's sake. */
            if (!ended && (h->still[hole] >= h->scans.quiet || h->moving[hole] >= h->scans.longest)) {
                ended = true;
                end_movement(h, hole, light, has_drifted(h, hole, levels->cover_at[hole]), now_us);
            }
        }
    }
    /* Of the means one in a scan is enough. A rest's begin once the crossing is behind them. */
    uint16_t mean = h->mean = slopes_mean(slopes, turn), *extreme = &h->extreme[turn];
    bool covered = seen_mask >> turn & 1;
    if (full && h->still[turn] > SLOPE_REACH) {
        if (covered ? mean > *extreme : mean < *extreme) {
            *extreme = mean;
        } else if (!covered && swing(h, turn) > 0) {
            watch_covering(h, turn, light, mean, now_us);
        }
    }
}
