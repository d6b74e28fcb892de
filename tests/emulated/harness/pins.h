/* What hangs on the controller's pins: contacts, supply, coil currents, pickup. */
#ifndef PINS_H
#define PINS_H

#include <simavr/sim_avr.h>

void pins_begin(avr_t *of);
void pins_reset(void); /* after a reset: all that is driven is driven again */
void pins_drive(char port, int pin, int level);
/* As rig/firmware/host/model.h has them; heat0 overwrites the program's memory. */
void pins_input(const char *name, int level);

#endif
