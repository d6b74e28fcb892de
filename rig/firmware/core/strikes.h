/* The queue of strikes, the pulses under way, and the heat of the coils. */
#ifndef STRIKES_H
#define STRIKES_H

#include <stdbool.h>
#include <stdint.h>

#include "hal.h"

enum current {
    CURRENT_ASKED,   /* a pulse is on, or has just ended */
    CURRENT_OVERDUE, /* still flowing, long after its pulse has ended */
    CURRENT_UNASKED, /* no pulse explains it */
};

void strikes_restart(void);

/* One entry of load; returns a refusal. */
uint8_t strikes_load(uint32_t start, uint16_t width, uint8_t coil);
uint8_t strikes_begin(uint32_t strikes); /* refusal; trips when the first strike is too near */
void strikes_clear(uint64_t off_ticks);  /* outputs went off then: reports pulses cut short */
void strikes_service(void);
void strikes_leak(void); /* once a millisecond */

uint16_t strikes_queue_free(void);
uint32_t strikes_left(void);
uint32_t strikes_heat(uint8_t coil);
enum current strikes_explain_current(uint8_t coil);

#endif
