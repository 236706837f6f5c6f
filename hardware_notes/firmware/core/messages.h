/* What the chanter says: each message written as a payload, framed, and put into the outbox. */
#ifndef FINGERLEAD_MESSAGES_H
#define FINGERLEAD_MESSAGES_H

#include "state.h"

#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 0
#define FIRMWARE_PATCH 0

void say_hello(struct chanter *chanter, uint32_t now_us);
void say_trouble(struct chanter *chanter, uint8_t code, uint8_t hole, uint16_t detail, uint32_t now_us);

/* Counts as a heartbeat whether holes stream or not. */
void say_holes(struct chanter *chanter, uint8_t covered_mask, uint32_t t_us, uint32_t now_us);

/* How steeply a hole went through its level. The holes frame of that edge goes before it. */
void say_slope(struct chanter *chanter, uint8_t hole);

void say_raw(struct chanter *chanter, const uint16_t samples[HOLES], uint32_t now_us);

/* The answer's body stands in `answer` already, from ANSWER_SIZE on. */
void say_answer(struct chanter *chanter, uint8_t *answer, uint8_t request, uint8_t status, uint16_t body_size);

#endif
