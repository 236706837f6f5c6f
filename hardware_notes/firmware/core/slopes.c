#include "slopes.h"

void slopes_start(struct slopes *slopes, uint16_t scan_us) {
    uint32_t scans = SLOPE_US / scan_us;
    slopes->reach = (uint8_t)(scans < 1 ? 1 : scans > SLOPE_REACH ? SLOPE_REACH : scans);
    slopes->held = 0;
    slopes->next = 0;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        slopes->span[hole] = 0;
    }
}

/* With as many scans after the crossing as before it, the line's slope needs no other sum than this one. */
static void begin(struct slopes *slopes, uint8_t hole, uint16_t sample) {
    uint8_t span = slopes->held < slopes->reach ? slopes->held : slopes->reach;
    uint8_t at = slopes->next;
    int32_t sum = 0;
    for (uint8_t k = 1; k <= span; k++) {
        at = (uint8_t)((at + SLOPE_REACH - 1) % SLOPE_REACH);
        sum += k * ((int32_t)sample - slopes->past[at][hole]);
    }
    slopes->sum[hole] = sum;
    slopes->level[hole] = sample;
    slopes->span[hole] = span;
    slopes->age[hole] = 0;
}

void slopes_see(struct slopes *slopes, const uint16_t samples[HOLES], uint8_t crossed, uint8_t gone_back) {
    uint16_t *newest = slopes->past[slopes->next];
    for (uint8_t hole = 0; hole < HOLES; hole++, crossed >>= 1, gone_back >>= 1) {
        if (crossed & 1) {
            begin(slopes, hole, samples[hole]);
        } else if (gone_back & 1) {
            slopes->span[hole] = 0;
        } else if (slopes->span[hole] > 0 && slopes->age[hole] < UINT8_MAX) {
            uint8_t k = ++slopes->age[hole];
            if (k <= slopes->span[hole]) {
                slopes->sum[hole] += k * ((int32_t)samples[hole] - slopes->level[hole]);
            }
        }
    }
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        newest[hole] = samples[hole];
    }
    slopes->next = (uint8_t)((slopes->next + 1) % SLOPE_REACH);
    slopes->held = (uint8_t)(slopes->held + (slopes->held < SLOPE_REACH));
}

bool slopes_full(const struct slopes *slopes) { return slopes->held == SLOPE_REACH; }

uint16_t slopes_oldest(const struct slopes *slopes, uint8_t hole) { return slopes->past[slopes->next][hole]; }

uint16_t slopes_mean(const struct slopes *slopes, uint8_t hole) {
    uint32_t sum = SLOPE_REACH / 2;
    for (uint8_t at = 0; at < SLOPE_REACH; at++) {
        sum += slopes->past[at][hole];
    }
    return (uint16_t)(sum / SLOPE_REACH);
}

uint8_t slopes_whole(const struct slopes *slopes, uint8_t waiting_mask) {
    uint8_t oldest = NO_HOLE;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        bool whole = slopes->span[hole] > 0 && slopes->age[hole] >= slopes->span[hole];
        if (whole && !(waiting_mask >> hole & 1) && (oldest == NO_HOLE || slopes->age[hole] > slopes->age[oldest])) {
            oldest = hole;
        }
    }
    return oldest;
}

void slopes_done(struct slopes *slopes, uint8_t hole) { slopes->span[hole] = 0; }

uint16_t slopes_rise(const struct slopes *slopes, uint8_t hole, uint8_t covered_mask, uint16_t scan_us) {
    int32_t sum = covered_mask >> hole & 1 ? slopes->sum[hole] : -slopes->sum[hole];
    if (sum <= 0) {
        return 0;
    }
    /* The sum is at most 36 * 65 535, a thousand times that still fits. Below, the squares of -span to span. */
    uint32_t span = slopes->span[hole];
    uint32_t squares = span * (span + 1) * (2 * span + 1) / 3;
    uint32_t rise = ((uint32_t)sum * 1000u + squares * scan_us / 2) / (squares * scan_us);
    return (uint16_t)(rise < UINT16_MAX ? rise : UINT16_MAX);
}
