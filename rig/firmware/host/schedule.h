/* What is to happen at a cycle to come: a heap, earliest first. */
#ifndef SCHEDULE_H
#define SCHEDULE_H

#include <stdbool.h>
#include <stdint.h>

enum { INPUT, RESET, HANG, OF_THE_BOARD /* the first of a board's own kinds */ };

struct item {
    uint64_t cycle;
    uint32_t order; /* of equal cycles: as they were scheduled */
    int what;
    int value;
    char name[16]; /* of an input */
};

void schedule(struct item item);
bool schedule_next(uint64_t *cycle); /* of the earliest; false: there is none */
struct item schedule_take(void);     /* the earliest */

#endif
