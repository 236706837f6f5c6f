#include "sensing.h"

#define BIT(hole) ((uint8_t)(1u << (hole)))

bool levels_sound(const struct levels *levels) {
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        if (levels->cover_at[hole] <= levels->uncover_at[hole]) {
            return false;
        }
    }
    return true;
}

uint8_t first_seen(const struct levels *levels, const uint16_t samples[HOLES]) {
    uint8_t seen_mask = 0;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        uint32_t both = (uint32_t)levels->cover_at[hole] + levels->uncover_at[hole];
        if ((uint32_t)samples[hole] * 2 >= both) {
            seen_mask |= BIT(hole);
        }
    }
    return seen_mask;
}

uint8_t next_seen(const struct levels *levels, const uint16_t samples[HOLES], uint8_t seen_mask) {
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        if (samples[hole] >= levels->cover_at[hole]) {
            seen_mask |= BIT(hole);
        } else if (samples[hole] <= levels->uncover_at[hole]) {
            seen_mask &= (uint8_t)~BIT(hole);
        }
    }
    return seen_mask;
}

void chatter_start(struct chatter *chatter, uint8_t covered_mask) {
    chatter->waiting_mask = 0;
    chatter->covered_mask = covered_mask;
}

uint8_t chatter_see(struct chatter *chatter, uint32_t now_us, uint8_t seen_mask) {
    uint8_t differs = seen_mask ^ chatter->covered_mask;
    uint8_t news = differs & (uint8_t)~chatter->waiting_mask;
    for (uint8_t hole = 0; news >> hole; hole++) {
        if (news & BIT(hole)) {
            chatter->first_us[hole] = now_us;
        }
    }
    chatter->waiting_mask = differs; /* what no longer differs has gone back: it has not moved */
    return news;
}

bool chatter_decide(struct chatter *chatter, uint32_t now_us, uint32_t settle_us, struct edge *edge) {
    /* Ages rather than times are compared: they stay right where the clock wraps. */
    uint32_t oldest_us = 0;
    uint8_t group = 0;
    for (uint8_t hole = 0; chatter->waiting_mask >> hole; hole++) {
        uint32_t age_us = now_us - chatter->first_us[hole];
        if (!(chatter->waiting_mask & BIT(hole)) || age_us < settle_us) {
            continue;
        }
        if (group == 0 || age_us > oldest_us) {
            oldest_us = age_us;
            group = 0;
        }
        if (age_us == oldest_us) {
            group |= BIT(hole);
        }
    }
    if (group == 0) {
        return false;
    }
    chatter->covered_mask ^= group;
    chatter->waiting_mask &= (uint8_t)~group;
    edge->first_us = now_us - oldest_us;
    edge->covered_mask = chatter->covered_mask;
    return true;
}
