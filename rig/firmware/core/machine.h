/* States, trips, and the requests that change them. */
#ifndef MACHINE_H
#define MACHINE_H

#include <stdbool.h>
#include <stdint.h>

void machine_restart(uint8_t reset_cause);
void machine_turn(void);
void machine_look(void); /* at the interlocks; trips if one has opened */

uint8_t machine_state(void);
bool machine_running(void); /* armed or striking */
uint8_t machine_trip_code(void);
uint8_t machine_interlocks(void); /* bits of the standing message */
uint8_t machine_reset_cause(void);

/* Requests; each returns a refusal. */
uint8_t machine_agree(const uint8_t *body);
uint8_t machine_ready(void);
uint8_t machine_arm(uint32_t armed_ms);
uint8_t machine_disarm(void);
uint8_t machine_reset_trip(void);
uint8_t machine_begin(uint32_t strikes);

void machine_trip(uint8_t code); /* coils off first; the first code stays */
void machine_lost(uint8_t code); /* a condition of ready has gone: to safe, or a trip */
void machine_burst_over(void);
void machine_event(uint8_t kind, uint8_t value, uint64_t ticks);
void machine_frame(bool good); /* a frame came in: silence and floods */

#endif
