#include "pulses.h"

#include "ticks.h"

/* Current has died down so long after a pulse. */
#define SETTLE_TICKS 10000L
/* In a pulse of at least this width, current must be seen. */
#define SENSED_WIDTH_TICKS 4000U

struct pulse pulses[PULSES];

void pulses_restart(void) {
    for (uint8_t i = 0; i < PULSES; i++) {
        pulses[i].phase = PHASE_IDLE;
        pulses[i].settling = false;
    }
}

uint8_t pulses_index_for(uint8_t coil) {
    uint8_t index = coil;
    if (coil >= COILS) {
        index = (pulses[COILS].phase == PHASE_IDLE) ? COILS : (uint8_t)(COILS + 1U);
    }
    return index;
}

bool pulses_is_coil(uint8_t index) { return index < COILS; }

uint32_t pulses_due_ticks(const struct pulse *pulse) {
    return (pulse->phase == PHASE_ARMED) ? pulse->start : pulse->end;
}

uint8_t pulses_first_due(uint64_t now) {
    uint8_t first = PULSES;
    uint32_t first_ticks = 0;
    for (uint8_t i = 0; i < PULSES; i++) {
        const struct pulse *pulse = &pulses[i];
        uint32_t due_ticks = pulses_due_ticks(pulse);
        if ((pulse->phase != PHASE_IDLE) && (ticks_ahead(due_ticks, now) <= 0) &&
            ((first == PULSES) || ((int32_t)(due_ticks - first_ticks) < 0))) {
            first = i;
            first_ticks = due_ticks;
        }
    }
    return first;
}

void pulses_armed(struct pulse *pulse, uint32_t start, uint16_t width) {
    pulse->phase = PHASE_ARMED;
    pulse->sensed = false;
    pulse->width = width;
    pulse->start = start;
    pulse->end = start + width;
}

bool pulses_note_current(void) {
    uint8_t current = hal_coil_current();
    bool without_pulse = false;
    for (uint8_t coil = 0; coil < COILS; coil++) {
        struct pulse *pulse = &pulses[coil];
        bool flows = (current & (1U << coil)) != 0U;
        if (pulse->phase == PHASE_ON) {
            pulse->sensed = pulse->sensed || flows;
        } else if (!flows) {
            pulse->settling = false;
        } else {
            without_pulse = true;
        }
    }
    return without_pulse;
}

bool pulses_drew_no_current(const struct pulse *pulse) {
    return !pulse->sensed && (pulse->width >= SENSED_WIDTH_TICKS);
}

enum current pulses_explain_current(uint8_t coil) {
    const struct pulse *pulse = &pulses[coil];
    if (pulse->phase == PHASE_ON) {
        return CURRENT_ASKED; /* soonest: this is asked often */
    }
    uint64_t now = hal_ticks();
    enum current why = CURRENT_UNASKED;
    if ((pulse->phase == PHASE_ARMED) && (ticks_ahead(pulse->start, now) <= 0)) {
        why = CURRENT_ASKED;
    } else if (pulse->settling) {
        why = (ticks_ahead(pulse->ended, now) > -SETTLE_TICKS) ? CURRENT_ASKED : CURRENT_OVERDUE;
    } else {
        /* none explains it */
    }
    return why;
}
