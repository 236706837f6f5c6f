/* What the rig alone asks of a board (hardware_notes/rig.md), in a build with RIG. A chanter that is played has none of it. */
#ifndef FINGERLEAD_RIG_H
#define FINGERLEAD_RIG_H

#include <stdint.h>

#ifdef RIG
/* Set a pin for each hole to what this scan has seen of it, high while it is covered. Called in every scan, right after
 * the samples were read; the pin of the scan itself turns at the head of board_read_samples. */
void board_show(uint8_t seen_mask);
#else
static inline void board_show(uint8_t seen_mask) { (void)seen_mask; }
#endif

#endif
