/* The chanter: scans the holes, says what they do, has requests answered, stores what is to be kept. */
#ifndef FINGERLEAD_CHANTER_H
#define FINGERLEAD_CHANTER_H

#include "state.h"

/* Call once. */
void chanter_start(struct chanter *chanter);

/* Call again and again, without a pause: does what is due, and never waits. */
void chanter_step(struct chanter *chanter);

#endif
