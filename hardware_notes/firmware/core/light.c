#include "light.h"

#include "board.h"

#define LIT 30            /* what a window with light counts, in windows without */
#define PARTS 127         /* the table's one */

static const uint32_t turn_us[MAINS] = {10000, 8333};

/* 127 sin, 64 steps a turn. */
static const int8_t sine[64] = {0,    12,   25,   37,   49,   60,   71,   81,   90,   98,   106,  112,  117,
                                122,  125,  126,  127,  126,  125,  122,  117,  112,  106,  98,   90,   81,
                                71,   60,   49,   37,   25,   12,   0,    -12,  -25,  -37,  -49,  -60,  -71,
                                -81,  -90,  -98,  -106, -112, -117, -122, -125, -126, -127, -126, -125, -122,
                                -117, -112, -106, -98,  -90,  -81,  -71,  -60,  -49,  -37,  -25,  -12};

struct wave {
    int32_t cosine, sine;
};

static struct wave now_of(const struct light *l, uint8_t mains) {
    uint32_t at = (l->phase[mains] + (1u << 25)) >> 26;
    return (struct wave){sine[(at + 16) % 64], sine[at % 64]};
}

/* Nearly the length of (a, b), at most an eighth too long. */
static uint32_t length_of(int32_t a, int32_t b) {
    uint32_t x = (uint32_t)(a < 0 ? -a : a), y = (uint32_t)(b < 0 ? -b : b);
    return x > y ? x + y / 2 : y + x / 2;
}

void light_start(struct light *l, const uint16_t samples[HOLES], uint32_t now_us) {
    uint16_t window = (uint16_t)(LIGHT_WINDOW_US / board.scan_us / MAINS * MAINS);
    *l = (struct light){.now_us = now_us, .window = window < HOLES ? HOLES : window};
    for (uint8_t mains = 0; mains < MAINS; mains++) {
        l->step[mains] = UINT32_MAX / turn_us[mains];
    }
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        l->base[hole] = samples[hole];
    }
}

/* One of the two frequencies in a scan, in turn: some five samples in each of its turns are enough. */
uint8_t light_take_off(struct light *l, uint16_t samples[HOLES], uint32_t now_us) {
    for (uint8_t mains = 0; mains < MAINS; mains++) {
        l->phase[mains] += l->step[mains] * (now_us - l->now_us);
    }
    l->now_us = now_us;
    struct wave at = now_of(l, l->at % MAINS), off = now_of(l, l->mains);
    int32_t *cosines = l->wave[l->at % MAINS][0], *sines = l->wave[l->at % MAINS][1];
    int32_t end = (int32_t)((1u << board.raw_bits) - 1);
    l->at = (uint16_t)(l->at + 1 < l->window ? l->at + 1 : 0);
    uint16_t stride = l->window / HOLES;
    uint8_t over = (uint8_t)(l->at % stride == 0 && l->at / stride < HOLES ? l->at / stride : NO_HOLE);
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        int32_t sample = (int32_t)samples[hole] - l->base[hole];
        cosines[hole] += at.cosine * sample;
        sines[hole] += at.sine * sample;
        if (hole == over) {
            l->base[hole] = samples[hole];
        }
        if (l->off_mask >> hole & 1) {
            int32_t less = samples[hole] - (l->off[0][hole] * off.cosine + l->off[1][hole] * off.sine) / (PARTS + 1);
            samples[hole] = (uint16_t)(less < 0 ? 0 : less > end ? end : less);
        }
    }
    return over;
}

/* What a window has seen: its height in counts. */
static struct wave ended(struct light *l, uint8_t mains, uint8_t hole) {
    int32_t *cosine = &l->wave[mains][0][hole], *sine_ = &l->wave[mains][1][hole];
    /* A wave adds up to half its height times PARTS in every scan that looked for it. */
    int32_t one = (int32_t)(l->window / MAINS / 2) * PARTS;
    struct wave found = {*cosine / one, *sine_ / one};
    *cosine = *sine_ = 0;
    return found;
}

/* Two windows in 2 s with too much of it are light. A covered hole may not see it, so it is remembered for 6 s. */
static void remember(struct light *l, uint8_t hole, bool lit) {
    uint8_t bit = (uint8_t)(1u << hole), *sure = &l->sure[hole];
    if (lit) {
        *sure = (uint8_t)(*sure < LIT ? *sure + LIT : 2 * LIT);
    } else if (*sure > 0) {
        --*sure;
    }
    if (*sure >= LIT + LIT / 3) {
        l->left_mask |= bit;
    } else if (*sure == 0) {
        l->left_mask &= (uint8_t)~bit;
    }
}

/* The mains are not quite at their frequency, and the board's clock not quite right: a wave that turns from window to
 * window says by how much. */
static void follow_mains(struct light *l, struct wave before, struct wave now) {
    int32_t down = board.raw_bits > 12 ? 1 << (board.raw_bits - 12) : 1;
    before = (struct wave){before.cosine / down, before.sine / down};
    now = (struct wave){now.cosine / down, now.sine / down};
    int32_t across = before.cosine * now.sine - before.sine * now.cosine;
    int32_t square = now.cosine * now.cosine + now.sine * now.sine;
    /* across / square is by how many radians; a 16th of that is made good. */
    int32_t part = across / (square / 1024 + 1);
    int32_t nominal = (int32_t)(UINT32_MAX / turn_us[l->mains]), most = nominal / 64;
    int32_t step = (int32_t)l->step[l->mains] - part * 2 / 5;
    l->step[l->mains] = (uint32_t)(step < nominal - most ? nominal - most : step > nominal + most ? nominal + most : step);
}

/* Less than a 32nd of the swing is not worth it; with more than half of it a finger is not seen through the light. */
static void learn(struct light *l, uint8_t hole, const struct lit *lit, struct wave now) {
    int16_t *cosine = &l->seen[lit->covered][0][hole], *sine_ = &l->seen[lit->covered][1][hole];
    struct wave before = {*cosine, *sine_};
    if (before.cosine != 0 || before.sine != 0) {
        if (length_of(now.cosine, now.sine) >= lit->swing / 32u) {
            follow_mains(l, before, now);
        }
        now = (struct wave){(now.cosine + before.cosine) / 2, (now.sine + before.sine) / 2};
    }
    uint32_t height = length_of(now.cosine, now.sine);
    bool worth = height >= lit->swing / 32u && height <= lit->swing / 2u;
    *cosine = (int16_t)(worth ? now.cosine : 0);
    *sine_ = (int16_t)(worth ? now.sine : 0);
    bool any = false;
    for (uint8_t part = 0; part < 2; part++) {
        int32_t open = l->seen[0][part][hole], covered = l->seen[1][part][hole];
        l->off[part][hole] = (int16_t)(open + (covered - open) * lit->level / 256);
        any = any || l->off[part][hole] != 0;
    }
    uint8_t bit = (uint8_t)(1u << hole);
    l->off_mask = (uint8_t)(any ? l->off_mask | bit : l->off_mask & ~bit);
}

/* How much of each is left, and the most of that. A wave that is known from now on leaves nothing. */
void light_judge(struct light *l, uint8_t hole, const struct lit *lit) {
    struct wave found[MAINS] = {ended(l, 0, hole), ended(l, 1, hole)};
    bool known = l->off_mask >> hole & 1;
    if (known && !lit->still) {
        return; /* the finger has moved, and part of the window had the light of an open hole */
    }
    if (l->off_mask == 0) {
        l->mains = length_of(found[1].cosine, found[1].sine) > length_of(found[0].cosine, found[0].sine);
    }
    struct wave *off = &found[l->mains], all = *off;
    off->cosine -= known ? l->seen[lit->covered][0][hole] : 0;
    off->sine -= known ? l->seen[lit->covered][1][hole] : 0;
    if (lit->still && lit->swing > 0) {
        learn(l, hole, lit, all);
        if (!known && l->off_mask >> hole & 1) {
            *off = (struct wave){0};
        }
    }
    uint32_t one = length_of(found[0].cosine, found[0].sine), other = length_of(found[1].cosine, found[1].sine);
    remember(l, hole, (one > other ? one : other) >= lit->bearable);
}
