/* The queue of strikes and the burst that is struck from it. */
#ifndef STRIKES_H
#define STRIKES_H

#include <stdint.h>

void strikes_restart(void);

/* One entry of load; returns a refusal. */
uint8_t strikes_load(uint32_t start, uint16_t width, uint8_t coil);
uint8_t strikes_begin(uint32_t strikes); /* refusal; trips when the first strike is too near */
void strikes_clear(uint64_t off_ticks);  /* outputs went off then: reports pulses cut short */
void strikes_service(void);

uint16_t strikes_queue_free(void);
uint32_t strikes_left(void);

#endif
