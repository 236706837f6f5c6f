/* The troubles of each hole's sensor: which movements they affected, and what is to be told of them. */
#ifndef FINGERLEAD_TROUBLES_H
#define FINGERLEAD_TROUBLES_H

#include <stdbool.h>
#include <stdint.h>

#include "numbers.h"

#define TROUBLE_KINDS (TROUBLE_SLOW_SENSOR - TROUBLE_CHATTER + 1)
#define CLEAN_MOVEMENTS 8
#define AGREEING 3
#define LONGEST_US 200000u /* a movement with crossings ends after so long */

struct troubles {
    uint16_t since[TROUBLE_KINDS][HOLES]; /* when the first affected movement was, in 2^16 us */
    uint8_t state[TROUBLE_KINDS][HOLES];  /* TOLD, affected movements so far, clean ones since */
    bool news;                            /* there may be something to tell */
};

struct trouble_news {
    uint8_t code, hole;
    uint16_t detail; /* ms since the first affected movement, 0 where it is over */
};

/* A movement of this hole was affected by this kind of trouble, or not: at its end, or since when it was. */
void troubles_judge(struct troubles *troubles, uint8_t kind, uint8_t hole, bool affected, uint32_t since_us);

/* What AGREEING holes show is the way of that chanter's sensors: all of them are told. */
void troubles_agree(struct troubles *troubles, uint8_t kind);

/* Begin anew. What was told comes out as over. */
void troubles_forget(struct troubles *troubles);

/* What is to be told now; ask once in a scan. troubles_again: what lasts is told another time. */
bool troubles_next(struct troubles *troubles, uint32_t now_us, struct trouble_news *news);
void troubles_again(struct troubles *troubles);

#endif
