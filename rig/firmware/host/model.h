/* A board of thought under the core: pulses, inputs and wire in virtual time. It is right for
 * behaviour and protocol; it says nothing about the timing of the real board. */
#ifndef MODEL_H
#define MODEL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* told of what happens; cycles are of 62.5 ns, as on the real board */
typedef void (*model_report)(const char *what, int which, int level, uint64_t cycles);
typedef void (*model_output)(const uint8_t *bytes, size_t count);

void model_begin(model_report report, model_output output);
uint64_t model_cycles(void);         /* since the model began; a reset does not put it back */
void model_run_to(uint64_t cycles);  /* turns the core's loop every 10 us */
void model_send(const uint8_t *bytes, size_t count); /* host to board, at the wire's rate */
void model_din(const uint8_t *bytes, size_t count, uint64_t cycles);
/* estop, guard: 1 closed; impact: 1 a hit; supply: millivolts; current0, current1: 0, 1, or 2 for
 * what the coil does. For faults: bridge: 1, the e-stop loop's end is short to ground; stall: the
 * program's loop is held up for so many milliseconds; heat0, heat1: the kept heat is overwritten, in
 * thousands of ticks; lost: 1, a stamped event was lost. False: no such input. */
bool model_input(const char *name, int level);
void model_reset(uint8_t cause);
void model_hang(void);

#endif
