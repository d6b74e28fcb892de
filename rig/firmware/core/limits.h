/* The limits that host and board agree on, clamped by the hard ones. */
#ifndef LIMITS_H
#define LIMITS_H

#include <stdbool.h>
#include <stdint.h>

#include "hal.h"

struct coil_limits {
    uint32_t longest_pulse_ticks;
    uint32_t least_gap_ticks;
    uint32_t heat_time_constant_ms;
    uint32_t heat_budget_ticks;
};

struct limits {
    bool agreed;
    uint32_t armed_ms;
    uint32_t host_silence_ms;
    uint32_t horizon_ms;
    uint16_t supply_least_mv;
    uint16_t supply_most_mv;
    struct coil_limits coils[COILS];
};

extern struct limits limits;

void limits_restart(void);                 /* the hard ones, not agreed */
void limits_agree(const uint8_t *body);    /* body of agree, its length and count checked */
uint8_t *limits_write(uint8_t *at);        /* body of agreed; returns its end */

#endif
