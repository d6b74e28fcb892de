#include "heat.h"

#include "hal.h"
#include "limits.h"

void heat_restart(void) {
    struct kept *kept = hal_kept();
    for (uint8_t coil = 0; coil < COILS; coil++) {
        kept->heat[coil] = 0;
        kept->carry[coil] = 0;
    }
}

void heat_add(uint8_t coil, uint16_t width) { hal_kept()->heat[coil] += width; }

uint32_t heat_of(uint8_t coil) { return hal_kept()->heat[coil]; }

bool heat_exceeds(uint8_t coil, uint32_t more) {
    return (heat_of(coil) + more) > limits.coils[coil].heat_budget_ticks;
}

void heat_leak(void) {
    struct kept *kept = hal_kept();
    if (!limits.agreed) {
        return; /* how fast the coils cool is not known yet */
    }
    for (uint8_t coil = 0; coil < COILS; coil++) {
        uint32_t heat = kept->heat[coil];
        uint32_t time_constant = limits.coils[coil].heat_time_constant_ms;
        if ((heat == 0U) && (kept->carry[coil] < time_constant)) {
            continue;
        }
        uint32_t sum = kept->carry[coil] + heat;
        uint32_t leak = sum / time_constant;
        if (sum < heat) { /* the sum has passed 32 bits: the time constant is nearly as large */
            leak = 1;
        }
        if (leak > heat) {
            leak = heat; /* a shorter time constant was agreed since */
        }
        kept->heat[coil] = heat - leak;
        kept->carry[coil] = sum - (leak * time_constant);
    }
}
