/* What is to happen at a cycle to come: a heap, earliest first. */
#ifndef SCHEDULE_H
#define SCHEDULE_H

#include <simavr/sim_avr_types.h>
#include <stdbool.h>
#include <stdint.h>

enum what { HOST_BYTE, DIN_BYTE, DIN_LINE, GIVE, INPUT, RESET, HANG };

struct item {
    avr_cycle_count_t cycle;
    uint32_t order; /* of equal cycles: as they were scheduled */
    enum what what;
    int value;
    char name[10];
};

void schedule(struct item item);
bool schedule_next(avr_cycle_count_t *cycle); /* of the earliest; false: there is none */
struct item schedule_take(void);              /* the earliest */

#endif
