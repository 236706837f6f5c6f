#include "troubles.h"

/* A trouble's state. */
#define TOLD 0x80u
#define AGAIN 0x40u
#define AFFECTED 0x10u /* one movement; two are enough */
#define AFFECTED_BITS 0x30u
#define CLEAN_BITS 0x0Fu

void troubles_judge(struct troubles *t, uint8_t kind, uint8_t hole, bool affected, uint32_t since_us) {
    t->news = true;
    uint8_t *state = &t->state[kind][hole];
    if (affected) {
        if (!(*state & AFFECTED_BITS)) {
            t->since[kind][hole] = (uint16_t)(since_us >> 16);
        }
        *state &= (uint8_t)~CLEAN_BITS;
        if ((*state & AFFECTED_BITS) < 2 * AFFECTED) {
            *state = (uint8_t)(*state + AFFECTED);
        }
    } else if ((*state & AFFECTED_BITS) && (++*state & CLEAN_BITS) >= CLEAN_MOVEMENTS) {
        *state &= TOLD;
    }
}

void troubles_agree(struct troubles *t, uint8_t kind) {
    uint8_t agreeing = 0, first = HOLES;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        if (t->state[kind][hole] & AFFECTED_BITS) {
            first = agreeing++ == 0 ? hole : first;
        }
    }
    for (uint8_t hole = 0; agreeing >= AGREEING && hole < HOLES; hole++) {
        uint8_t *state = &t->state[kind][hole];
        if (!(*state & AFFECTED_BITS)) {
            t->since[kind][hole] = t->since[kind][first];
        }
        *state = (uint8_t)((*state & TOLD) | 2 * AFFECTED);
    }
}

void troubles_forget(struct troubles *t) {
    t->news = true;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        for (uint8_t kind = 0; kind < TROUBLE_KINDS; kind++) {
            t->state[kind][hole] &= TOLD;
        }
    }
}

void troubles_again(struct troubles *t) {
    t->news = true;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        for (uint8_t kind = 0; kind < TROUBLE_KINDS; kind++) {
            t->state[kind][hole] |= t->state[kind][hole] & TOLD ? AGAIN : 0;
        }
    }
}

bool troubles_next(struct troubles *t, uint32_t now_us, struct trouble_news *news) {
    for (uint8_t kind = 0; t->news && kind < TROUBLE_KINDS; kind++) {
        for (uint8_t hole = 0; hole < HOLES; hole++) {
            uint8_t *state = &t->state[kind][hole];
            bool told = *state & TOLD, sure = (*state & AFFECTED_BITS) == 2 * AFFECTED;
            bool over = told && !(*state & AFFECTED_BITS);
            if (!over && !(sure && (!told || (*state & AGAIN)))) {
                continue;
            }
            *state = over ? 0 : (uint8_t)((*state | TOLD) & ~AGAIN);
            /* Rounded up: the first affected movement is within it. */
            uint32_t ms = ((uint16_t)((now_us >> 16) - t->since[kind][hole]) + 1u) * 66u + LONGEST_US / 1000u;
            *news = (struct trouble_news){(uint8_t)(TROUBLE_CHATTER + kind), hole,
                                         over ? 0 : (uint16_t)(ms < UINT16_MAX ? ms : UINT16_MAX)};
            return true;
        }
    }
    t->news = false;
    return false;
}
