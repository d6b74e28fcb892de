/* Ticks of 0.5 us: 64 bits since the start of the program, of which 32 go on the wire and round. */
#ifndef TICKS_H
#define TICKS_H

#include <stdint.h>

#define TICKS_PER_MS 2000U

/* How far `ticks` lies ahead of `now`; negative in the past. */
static inline int32_t ticks_ahead(uint32_t ticks, uint64_t now) {
    return (int32_t)(ticks - (uint32_t)now);
}

static inline uint64_t ticks_widen(uint32_t ticks, uint64_t now) {
    return now + (uint64_t)(int64_t)ticks_ahead(ticks, now);
}

#endif
