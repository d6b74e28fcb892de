#include "limits.h"

#include "bytes.h"

struct limits limits;

static uint32_t at_most(uint32_t value, uint32_t most) { return (value < most) ? value : most; }

static uint32_t at_least(uint32_t value, uint32_t least) { return (value > least) ? value : least; }

void limits_restart(void) {
    limits.agreed = false;
    limits.armed_ms = HARD_ARMED_MS;
    limits.host_silence_ms = HARD_HOST_SILENCE_MS;
    limits.horizon_ms = HARD_HORIZON_MS;
    limits.supply_least_mv = HARD_SUPPLY_LEAST_MV;
    limits.supply_most_mv = HARD_SUPPLY_MOST_MV;
    for (uint8_t coil = 0; coil < COILS; coil++) {
        struct coil_limits *own = &limits.coils[coil];
        own->longest_pulse_ticks = HARD_LONGEST_PULSE_TICKS;
        own->least_gap_ticks = HARD_LEAST_GAP_TICKS;
        own->heat_time_constant_ms = HARD_HEAT_TIME_CONSTANT_LEAST_MS;
        own->heat_budget_ticks = (uint32_t)HARD_HEAT_TICKS_PER_TIME_CONSTANT_MS *
                                 HARD_HEAT_TIME_CONSTANT_LEAST_MS;
    }
}

void limits_agree(const uint8_t *body) {
    limits.armed_ms = at_most(get_u32(body), HARD_ARMED_MS);
    limits.host_silence_ms = at_most(get_u32(&body[4]), HARD_HOST_SILENCE_MS);
    limits.horizon_ms = at_most(get_u32(&body[8]), HARD_HORIZON_MS);
    limits.supply_least_mv = (uint16_t)at_least(get_u16(&body[12]), HARD_SUPPLY_LEAST_MV);
    limits.supply_most_mv = (uint16_t)at_most(get_u16(&body[14]), HARD_SUPPLY_MOST_MV);
    body = &body[BODY_AGREE];
    for (uint8_t coil = 0; coil < COILS; coil++) {
        struct coil_limits *own = &limits.coils[coil];
        own->longest_pulse_ticks = at_most(get_u32(body), HARD_LONGEST_PULSE_TICKS);
        own->least_gap_ticks = at_least(get_u32(&body[4]), HARD_LEAST_GAP_TICKS);
        own->heat_time_constant_ms = at_least(get_u32(&body[8]), HARD_HEAT_TIME_CONSTANT_LEAST_MS);
        uint32_t budget = HARD_HEAT_BUDGET_TICKS;
        if (own->heat_time_constant_ms <
            (HARD_HEAT_BUDGET_TICKS / HARD_HEAT_TICKS_PER_TIME_CONSTANT_MS)) {
            budget = own->heat_time_constant_ms * HARD_HEAT_TICKS_PER_TIME_CONSTANT_MS;
        }
        own->heat_budget_ticks = at_most(get_u32(&body[12]), budget);
        body = &body[RECORD_AGREE];
    }
    limits.agreed = true;
}

uint8_t *limits_write(uint8_t *at) {
    at = put_u32(at, limits.armed_ms);
    at = put_u32(at, limits.host_silence_ms);
    at = put_u32(at, limits.horizon_ms);
    at = put_u16(at, limits.supply_least_mv);
    at = put_u16(at, limits.supply_most_mv);
    at = put_u8(at, COILS);
    for (uint8_t coil = 0; coil < COILS; coil++) {
        const struct coil_limits *own = &limits.coils[coil];
        at = put_u32(at, own->longest_pulse_ticks);
        at = put_u32(at, own->least_gap_ticks);
        at = put_u32(at, own->heat_time_constant_ms);
        at = put_u32(at, own->heat_budget_ticks);
    }
    return at;
}
