/* What the gaps of the next strike are reckoned from. */
#ifndef GAPS_H
#define GAPS_H

#include <stdbool.h>
#include <stdint.h>

uint16_t gaps_marker_width(uint8_t coil);

void gaps_restart(void);
void gaps_queued(uint8_t coil, uint64_t start, uint16_t width);
void gaps_struck(uint8_t coil, uint64_t start, uint16_t width);
void gaps_cut_short(uint8_t coil, uint64_t end);
void gaps_forget_queued(void); /* what was struck is remembered */

bool gaps_in_order(uint64_t start);
bool gaps_are_kept(uint8_t coil, uint64_t start);

#endif
