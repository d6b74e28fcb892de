/* The true level of each coil and of the marker, derived from what the program writes.
 *
 * The emulator does not model how a compare output overrides its port pin, nor forced matches, so
 * its pin events say nothing about coils. Here: pin = DDR ? (COM ? latch : PORT) : low, the latch
 * changed by matches (at the exact cycle) and by forced ones; coil = drive pin AND release pin.
 * Ref: datasheet 2549, output compare unit (from memory): a match acts on the timer clock after
 * it. */
#ifndef COIL_MODEL_H
#define COIL_MODEL_H

#include <simavr/sim_avr.h>
#include <stdbool.h>

#define OUTPUTS 3 /* coil 0, coil 1, marker */

typedef void (*coil_report)(int output, bool level, avr_cycle_count_t cycle);
typedef void (*origin_report)(avr_cycle_count_t cycle); /* the program's ticks start here */

void coil_model_begin(avr_t *avr, coil_report report, origin_report origin);
void coil_model_reset(avr_t *avr);    /* the controller was reset: all pins are inputs */
void coil_model_catch_up(avr_t *avr); /* reports all edges up to now */
bool coil_model_level(int output);
avr_cycle_count_t coil_model_changed(int output); /* cycle of its last edge; 0: never */

#endif
