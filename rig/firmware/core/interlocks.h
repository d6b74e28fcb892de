/* E-stop loop, guard, supply and coil currents: open at once, closed after a while. */
#ifndef INTERLOCKS_H
#define INTERLOCKS_H

#include <stdbool.h>
#include <stdint.h>

void interlocks_restart(void);
void interlocks_look(void);             /* tells the machine of each that is open */
void interlocks_look_at_currents(void); /* at "coils quiet" alone */
void interlocks_each_millisecond(void); /* the supply is measured; what has stayed closed closes */

bool interlocks_closed(uint8_t bit);
bool interlocks_all_closed(void);
uint8_t interlocks_bits(void); /* those of the standing message that stand here */

#endif
