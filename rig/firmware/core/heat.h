/* On-time of each coil as a leaky integrator, in ticks; rig/link/BOARD.md defines it. */
#ifndef HEAT_H
#define HEAT_H

#include <stdbool.h>
#include <stdint.h>

void heat_restart(void); /* after power-on: cold */
void heat_add(uint8_t coil, uint16_t width);
void heat_leak(void); /* once a millisecond */
uint32_t heat_of(uint8_t coil);
bool heat_exceeds(uint8_t coil, uint32_t more); /* with so much more, above the agreed budget */

#endif
