/* The model's coils and marker: pulses that are set beforehand, their levels, and coil currents.
 * Times are ticks since the model began. */
#ifndef OUTPUTS_H
#define OUTPUTS_H

#include <stdbool.h>
#include <stdint.h>

#include "hal.h"
#include "model.h"

#define MARKER COILS

void outputs_begin(model_report report);
bool outputs_set(unsigned output, uint64_t start, uint64_t width); /* false: no place for it */
void outputs_move(uint64_t now); /* pulse edges since the last call, each at its own tick */
void outputs_drop(uint64_t now); /* all low, and no pulse to come */
void outputs_force_current(unsigned coil, int level); /* 0, 1, or 2 for what the coil does */
bool outputs_current(unsigned coil, uint64_t now);

#endif
