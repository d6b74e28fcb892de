#include "strikes.h"

#include <stdbool.h>

#include "gaps.h"
#include "hal.h"
#include "heat.h"
#include "interlocks.h"
#include "limits.h"
#include "machine.h"
#include "pulses.h"
#include "ticks.h"

/* A compare value reaches 65536 ticks ahead; the rest is for the time that arming takes. */
#define ARM_AHEAD_TICKS 64000L
/* Nearer than this a strike can't be programmed surely before it starts. */
#define ARM_LEAST_TICKS 60L
/* The loop looks at pulses at least so often. */
#define TICKS_PER_LOOK 2000U

struct strike {
    uint32_t start;
    uint16_t width;
    uint8_t coil;
};

static struct burst {
    struct strike queue[HARD_QUEUE_LENGTH];
    uint16_t front;
    uint16_t count;
    uint8_t unstarted; /* armed in hardware, not yet on */
    bool running;
    uint32_t next_look; /* nothing is to be done before this tick */
    uint32_t lacking;   /* strikes of the burst not yet loaded */
    uint32_t left;      /* strikes of the burst not yet ended */
    uint32_t queued_width[COILS];
} burst;

static void empty_queue(void) {
    burst.count = 0;
    burst.unstarted = 0;
    burst.running = false;
    burst.lacking = 0;
    burst.left = 0;
    for (uint8_t coil = 0; coil < COILS; coil++) {
        burst.queued_width[coil] = 0;
    }
}

void strikes_restart(void) {
    burst.front = 0;
    empty_queue();
    gaps_restart();
    pulses_restart();
}

/* The strike by itself. */
static uint8_t check_strike(uint16_t width, uint8_t coil) {
    uint8_t refusal = REFUSAL_DONE;
    if (burst.count >= HARD_QUEUE_LENGTH) {
        refusal = REFUSAL_QUEUE_FULL;
    } else if ((coil >= COILS) && (coil != NO_COIL)) {
        refusal = REFUSAL_NO_SUCH_COIL;
    } else if ((width == 0U) || (burst.running && (burst.lacking == 0U))) {
        refusal = REFUSAL_BAD_BODY;
    } else if ((coil < COILS) && (width > limits.coils[coil].longest_pulse_ticks)) {
        refusal = REFUSAL_PULSE_TOO_LONG;
    } else {
        /* the others follow */
    }
    return refusal;
}

/* The strike among others. */
static uint8_t check_place(uint32_t start, uint16_t width, uint8_t coil, uint64_t now) {
    int32_t lead = ticks_ahead(start, now);
    uint64_t start_ticks = ticks_widen(start, now);
    uint8_t refusal = REFUSAL_DONE;
    if (lead < (int32_t)RULE_LEAST_LEAD_TICKS) {
        refusal = REFUSAL_IN_THE_PAST;
    } else if ((uint32_t)lead > (limits.horizon_ms * TICKS_PER_MS)) {
        refusal = REFUSAL_TOO_FAR_AHEAD;
    } else if (!gaps_in_order(start_ticks)) {
        refusal = REFUSAL_OUT_OF_ORDER;
    } else if (!gaps_are_kept(coil, start_ticks)) {
        refusal = REFUSAL_GAP_TOO_SHORT;
    } else if ((coil < COILS) && heat_exceeds(coil, burst.queued_width[coil] + width)) {
        refusal = REFUSAL_HEAT_BUDGET;
    } else {
        /* taken */
    }
    return refusal;
}

uint8_t strikes_load(uint32_t start, uint16_t width, uint8_t coil) {
    uint64_t now = hal_ticks();
    uint8_t refusal = check_strike(width, coil);
    if (refusal == REFUSAL_DONE) {
        refusal = check_place(start, width, coil, now);
    }
    if (refusal != REFUSAL_DONE) {
        return refusal;
    }
    uint16_t at = (uint16_t)(burst.front + burst.count);
    if (at >= HARD_QUEUE_LENGTH) {
        at = (uint16_t)(at - HARD_QUEUE_LENGTH);
    }
    burst.queue[at] = (struct strike){start, width, coil};
    burst.count++;
    if (burst.running) {
        burst.lacking--;
    }
    if (coil < COILS) {
        burst.queued_width[coil] += width;
    }
    gaps_queued(coil, ticks_widen(start, now), width);
    burst.next_look = (uint32_t)now;
    return REFUSAL_DONE;
}

uint8_t strikes_begin(uint32_t strikes) {
    if (burst.count == 0U) {
        return REFUSAL_NOTHING_LOADED;
    }
    if (strikes < burst.count) {
        return REFUSAL_BAD_BODY;
    }
    uint64_t now = hal_ticks();
    if (ticks_ahead(burst.queue[burst.front].start, now) < (int32_t)RULE_LEAST_LEAD_TICKS) {
        machine_trip(TRIP_LATE);
        return REFUSAL_IN_THE_PAST;
    }
    burst.lacking = strikes - burst.count;
    burst.left = strikes;
    burst.running = true;
    burst.next_look = (uint32_t)now;
    return REFUSAL_DONE;
}

/* An interlock that has opened meanwhile may be why: then that is the reason. */
static void fault(uint8_t code) {
    machine_look();
    machine_trip(code);
}

static void turned_on(uint8_t index, uint64_t now) {
    struct pulse *pulse = &pulses[index];
    uint64_t start = ticks_widen(pulse->start, now);
    pulse->phase = PHASE_ON;
    pulse->settling = false;
    burst.unstarted--;
    if (pulses_is_coil(index)) {
        gaps_struck(index, start, pulse->width);
        heat_add(index, pulse->width);
        burst.queued_width[index] -= pulse->width;
        machine_event(EVENT_COIL_ON, index, start);
    } else {
        gaps_struck(NO_COIL, start, pulse->width);
        machine_event(EVENT_MARKER, NO_COIL, start);
    }
}

static void turned_off(uint8_t index, uint64_t now) {
    struct pulse *pulse = &pulses[index];
    pulse->phase = PHASE_IDLE;
    burst.left--;
    if (!pulses_is_coil(index)) {
        return;
    }
    pulse->settling = true;
    pulse->ended = pulse->end;
    hal_release(index);
    machine_event(EVENT_COIL_OFF, index, ticks_widen(pulse->end, now));
    if (pulses_drew_no_current(pulse)) {
        fault(TRIP_COIL_DEAD);
    }
}

/* Reports what the hardware has done since, in order of time; ends early when it trips. */
static void report_pulses(uint64_t now) {
    uint8_t index = pulses_first_due(now);
    while (burst.running && (index < PULSES)) {
        if (pulses[index].phase == PHASE_ARMED) {
            turned_on(index, now);
        } else {
            turned_off(index, now);
            if (burst.running && (burst.left == 0U)) {
                burst.running = false;
                machine_burst_over();
            } else if (burst.running && (burst.count == 0U) && (burst.unstarted == 0U) &&
                       (burst.lacking > 0U)) {
                fault(TRIP_QUEUE_DRY);
            } else {
                /* the burst goes on, or a trip has ended it */
            }
        }
        index = pulses_first_due(now);
    }
}

static void look_by(uint32_t ticks) {
    if ((int32_t)(ticks - burst.next_look) < 0) {
        burst.next_look = ticks;
    }
}

/* When something is to be done next: saves the loop most of its time. */
static void plan_look(uint64_t now) {
    burst.next_look = (uint32_t)now + TICKS_PER_LOOK;
    for (uint8_t i = 0; i < PULSES; i++) {
        if (pulses[i].phase != PHASE_IDLE) {
            look_by(pulses_due_ticks(&pulses[i]));
        }
    }
    if (burst.count > 0U) {
        const struct strike *strike = &burst.queue[burst.front];
        look_by(strike->start + strike->width - (uint32_t)ARM_AHEAD_TICKS);
    }
}

static void leave_queue(void) {
    burst.unstarted++;
    burst.front++;
    if (burst.front == HARD_QUEUE_LENGTH) {
        burst.front = 0;
    }
    burst.count--;
}

/* True when the front strike went to the hardware. */
static bool arm_front(uint64_t now) {
    const struct strike *strike = &burst.queue[burst.front];
    uint8_t index = pulses_index_for(strike->coil);
    bool for_coil = pulses_is_coil(index);
    int32_t lead = ticks_ahead(strike->start, now);
    uint16_t marker_width = gaps_marker_width(strike->coil);
    uint16_t width = for_coil ? strike->width : marker_width;
    bool done = false;
    if ((lead + (int32_t)width) > ARM_AHEAD_TICKS) {
        /* later */
    } else if (lead < ARM_LEAST_TICKS) {
        fault(TRIP_LATE);
    } else if (pulses[index].phase != PHASE_IDLE) {
        /* when the channel is free */
    } else if (for_coil && heat_exceeds(index, width)) {
        fault(TRIP_HEAT);
    } else {
        enum hal_armed armed = hal_arm(strike->coil, strike->start, width, marker_width);
        if (armed == HAL_ARMED) {
            pulses_armed(&pulses[index], strike->start, width);
            leave_queue();
            done = true;
        } else if (armed == HAL_LATE) {
            fault(TRIP_LATE);
        } else {
            /* when the marker is free; or the interlock that has locked it trips */
        }
    }
    return done;
}

void strikes_service(void) {
    if (pulses_note_current()) {
        interlocks_look_at_currents(); /* here too: a turn of the loop can take some milliseconds */
    }
    if (!burst.running) {
        return;
    }
    uint64_t now = hal_ticks();
    if (ticks_ahead(burst.next_look, now) > 0) {
        return;
    }
    report_pulses(now);
    while (burst.running && (burst.count > 0U) && arm_front(hal_ticks())) {
        /* until one can't be armed yet */
    }
    plan_look(now);
}

void strikes_clear(uint64_t off_ticks) {
    for (uint8_t i = 0; i < PULSES; i++) {
        struct pulse *pulse = &pulses[i];
        if ((pulse->phase == PHASE_ARMED) && (ticks_ahead(pulse->start, off_ticks) <= 0)) {
            turned_on(i, off_ticks);
        }
        if (pulse->phase == PHASE_ON) {
            if (ticks_ahead(pulse->end, off_ticks) > 0) {
                pulse->end = (uint32_t)off_ticks;
            }
            pulse->sensed = true; /* too short now to judge */
            turned_off(i, off_ticks);
            if (pulses_is_coil(i)) {
                gaps_cut_short(i, ticks_widen(pulse->end, off_ticks));
            }
        }
        pulse->phase = PHASE_IDLE;
    }
    gaps_forget_queued();
    empty_queue();
}

uint16_t strikes_queue_free(void) { return (uint16_t)(HARD_QUEUE_LENGTH - burst.count); }

uint32_t strikes_left(void) { return burst.left; }
