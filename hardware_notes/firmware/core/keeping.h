/* What outlasts a power cut: the thresholds and the number of this start. Two slots are written in turn, each with a
 * counter and a check; a slot that was cut off fails its check, and the other still holds what was kept before.
 */
#ifndef FINGERLEAD_KEEPING_H
#define FINGERLEAD_KEEPING_H

#include "board.h"
#include "sensing.h"

struct keeping {
    uint8_t page[PAGE_BYTES]; /* what is stored, or being stored */
    uint8_t slot;             /* where */
    bool busy;                /* it is being stored */
};

/* Finds the newest whole slot and takes the levels from it; returns the boot number it holds. Where there is none, the
 * board's own levels, and 0. */
uint16_t keeping_load(struct keeping *keeping, struct levels *levels);

/* Begin to write the other slot. Then call keeping_go_on until it says something else than STILL_STORING. */
void keeping_begin(struct keeping *keeping, const struct levels *levels, uint16_t boot);
enum stored keeping_go_on(struct keeping *keeping);

#endif
