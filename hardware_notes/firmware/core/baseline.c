#include "baseline.h"

#include "board.h"

#define REST_US 30000u /* a shorter stay is none */
#define FIRST_RESTS 2  /* of either kind; the lowest open and the highest covered one is where the sensor began */
#define STEP_EVERY 16u /* looks */

void baseline_start(struct baseline *b) { *b = (struct baseline){0}; }

void baseline_take_off(const struct baseline *b, uint16_t samples[HOLES]) {
    int32_t end = (int32_t)((1u << board.raw_bits) - 1);
    for (uint8_t hole = 0; b->drifts && hole < HOLES; hole++) {
        int32_t sample = samples[hole] - b->drift[hole];
        samples[hole] = (uint16_t)(sample < 0 ? 0 : sample > end ? end : sample);
    }
}

/* The one that is further from where a finger could have put it. */
static uint16_t outer(bool covered, uint16_t one, uint16_t other) { return covered == (one > other) ? one : other; }

static void end_rest(struct baseline *b, uint8_t hole, bool covered) {
    uint8_t *rests = &b->rests[covered][hole];
    uint16_t *first = &b->first[covered][hole], last = b->last[covered][hole];
    if (*rests < FIRST_RESTS) {
        *first = *rests == 0 ? last : outer(covered, *first, last);
        ++*rests;
    }
}

/* Both rests have gone the same way by more than what pressing and lifting make of them; or one of them has gone where
 * no finger brings it. */
static void follow(struct baseline *b, uint8_t hole) {
    int32_t swing = b->first[1][hole] - b->first[0][hole], drift = b->drift[hole];
    if (b->rests[0][hole] == 0 || b->rests[1][hole] == 0 || swing <= 0) {
        return;
    }
    int32_t open = b->last[0][hole] - b->first[0][hole], covered = b->last[1][hole] - b->first[1][hole];
    int32_t less = open < covered ? open : covered, more = open < covered ? covered : open;
    int32_t room = drift == 0 ? swing / 16 : swing / 32, step = swing / 512 + 1;
    b->drifts = b->drifts || drift != 0;
    if (less - room > drift || covered - swing / 4 > drift) {
        b->drift[hole] = (int16_t)(drift + step);
    } else if (more + room < drift || open + swing / 4 < drift) {
        b->drift[hole] = (int16_t)(drift - step);
    }
}

void baseline_see(struct baseline *b, uint8_t hole, uint16_t mean, bool covered) {
    uint8_t bit = (uint8_t)(1u << hole), rest = (uint8_t)(REST_US / HOLES / board.scan_us);
    int32_t at = mean + b->drift[hole];
    uint16_t sample = (uint16_t)(at < 0 ? 0 : at);
    bool was_covered = b->covered_mask & bit;
    if (covered != was_covered) {
        if (b->looks[hole] > rest) {
            end_rest(b, hole, was_covered);
        }
        b->covered_mask ^= bit;
        b->looks[hole] = 0;
    }
    uint16_t *last = &b->last[covered][hole];
    if (b->looks[hole] > rest) {
        *last = outer(covered, *last, sample);
    } else if (++b->looks[hole] > rest) {
        *last = sample;
    }
    b->beat = (uint8_t)(b->beat + (hole == 0));
    if (b->beat % STEP_EVERY == 0) {
        follow(b, hole);
    }
}
