#include "travel.h"

#define PRESS_US 5000u       /* a pad takes longer than that to be pressed in, or let go */
#define STANDS 48u           /* a sample that goes less than such a part of the swing, in SLOPE_REACH scans, stands */
#define PRESS_MOST_US 60000u /* and not so long: that is a finger that hesitates */

void travel_see(struct travel *t, uint8_t hole, uint16_t sample, const struct ends *ends, uint32_t look_us) {
    uint8_t bit = (uint8_t)(1u << hole), *low = &t->low[hole], *high = &t->high[hole];
    bool from_top = t->top_mask & bit;
    if (from_top != ends->covered && ends->rests) {
        from_top = ends->covered;
        t->top_mask ^= bit;
        *low = *high = 0;
    }
    /* The rest that it leaves is known as it was; that to which it goes, as it was before. */
    uint16_t left = from_top == ends->covered ? ends->here : ends->there;
    uint16_t open = from_top ? ends->open : left, top = from_top ? left : ends->top;
    if (open == 0 || top <= open) {
        return;
    }
    uint32_t eighths = sample > open ? 8u * (uint32_t)(sample - open) / (uint32_t)(top - open) : 0;
    if (eighths > 0 && eighths < 7) {
        /* A finger that pauses half up, or lies less firmly than it came, stands still there. */
        if (eighths >= 4 && STANDS * ends->gone < (uint32_t)(top - open)) {
            return;
        }
        uint8_t *looks = eighths < 4 ? low : high;
        *looks = (uint8_t)(*looks + (*looks < UINT8_MAX));
        return;
    }
    if (from_top != (eighths >= 7)) {
        uint32_t high_us = *high * look_us;
        if (3u * *high > 4u * *low && high_us >= PRESS_US && high_us < PRESS_MOST_US) {
            t->pressed_mask |= bit;
        }
        t->top_mask ^= bit;
    }
    *low = *high = 0;
}
