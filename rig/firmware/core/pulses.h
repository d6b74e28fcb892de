/* The pulses that hardware makes just now, and whether a coil's current is theirs. */
#ifndef PULSES_H
#define PULSES_H

#include <stdbool.h>
#include <stdint.h>

#include "hal.h"

#define LONE_MARKERS 2U
#define PULSES (COILS + LONE_MARKERS) /* the coils', then the lone markers' */

enum phase { PHASE_IDLE, PHASE_ARMED, PHASE_ON };

struct pulse {
    enum phase phase;
    bool sensed;
    uint16_t width;
    uint32_t start;
    uint32_t end;
    bool settling;  /* current may still flow after the pulse before */
    uint32_t ended; /* when that one ended; the next may be armed by now */
};

enum current {
    CURRENT_ASKED,   /* a pulse is on, or has just ended */
    CURRENT_OVERDUE, /* still flowing, long after its pulse has ended */
    CURRENT_UNASKED, /* no pulse explains it */
};

extern struct pulse pulses[PULSES];

void pulses_restart(void);
uint8_t pulses_index_for(uint8_t coil); /* coil NO_COIL: a lone marker's */
bool pulses_is_coil(uint8_t index);
uint32_t pulses_due_ticks(const struct pulse *pulse); /* its next edge */
uint8_t pulses_first_due(uint64_t now);               /* earliest edge that has passed, or PULSES */
void pulses_armed(struct pulse *pulse, uint32_t start, uint16_t width);

bool pulses_note_current(void); /* true: current flows in a coil that has no pulse on */
bool pulses_drew_no_current(const struct pulse *pulse);
enum current pulses_explain_current(uint8_t coil);

#endif
