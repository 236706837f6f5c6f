/* What the host asks, and the answers. */
#ifndef FINGERLEAD_REQUESTS_H
#define FINGERLEAD_REQUESTS_H

#include "state.h"

/* Answers the request of `size` bytes of which the reader holds the beginning, and whose last byte was read at `now_us`. */
void answer_request(struct chanter *chanter, uint16_t size, uint32_t now_us);

/* Answers the keep request that waited until its thresholds were stored. */
void answer_keep(struct chanter *chanter, enum stored how);

#endif
