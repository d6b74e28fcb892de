#include "strikes.h"

#include "limits.h"
#include "machine.h"

/* A compare value reaches 65536 ticks ahead; the rest is for the time that arming takes. */
#define ARM_AHEAD_TICKS 64000L
/* Nearer than this a strike can't be programmed surely before it starts. */
#define ARM_LEAST_TICKS 60L
/* Current has died down so long after a pulse. */
#define SETTLE_TICKS 10000L
/* In a pulse of at least this width, current must be seen. */
#define SENSED_WIDTH_TICKS 4000u

/* The loop looks at pulses at least so often. */
#define TICKS_PER_LOOK 2000u

#define LONE_MARKERS 2u
#define PULSES (COILS + LONE_MARKERS)

struct strike {
    uint32_t start;
    uint16_t width;
    uint8_t coil;
};

enum phase { PHASE_IDLE, PHASE_ARMED, PHASE_ON };

struct pulse {
    uint8_t phase;
    bool sensed;
    uint16_t width;
    uint32_t start;
    uint32_t end;
    bool settling;  /* current may still flow after the pulse before */
    uint32_t ended; /* when that one ended; the next may be armed by now */
};

/* What the gaps of the next strike are reckoned from. */
struct history {
    uint64_t start[COILS];
    uint64_t end[COILS];
    uint64_t marker_end;
    uint64_t last_start;
};

static struct {
    struct strike queue[HARD_QUEUE_LENGTH];
    uint16_t front;
    uint16_t count;
    uint8_t unstarted; /* armed in hardware, not yet on */
    bool running;
    uint32_t next_look; /* nothing is to be done before this tick */
    uint32_t lacking; /* strikes of the burst not yet loaded */
    uint32_t left;    /* strikes of the burst not yet ended */
    uint32_t queued_width[COILS];
    struct pulse pulses[PULSES]; /* the coils', then the lone markers' */
    struct history struck;       /* what was really struck */
    struct history queued;       /* with what stands in the queue */
} self;

static uint16_t marker_width(uint8_t coil) {
    static const uint16_t widths[] = {MARKER_COIL_0_TICKS, MARKER_COIL_1_TICKS};
    return (coil < COILS) ? widths[coil] : MARKER_ALONE_TICKS;
}

static int32_t ahead(uint32_t ticks, uint64_t now) { return (int32_t)(ticks - (uint32_t)now); }

static uint64_t widen(uint32_t ticks, uint64_t now) {
    return now + (uint64_t)(int64_t)ahead(ticks, now);
}

static void remember(struct history *history, uint8_t coil, uint64_t start, uint16_t width) {
    if (coil < COILS) {
        history->start[coil] = start;
        history->end[coil] = start + width;
    }
    history->marker_end = start + marker_width(coil);
    history->last_start = start;
}

void strikes_restart(void) {
    self.front = 0;
    self.count = 0;
    self.unstarted = 0;
    self.running = false;
    self.lacking = 0;
    self.left = 0;
    self.struck = (struct history){{0}, {0}, 0, 0};
    self.queued = self.struck;
    for (uint8_t i = 0; i < PULSES; i++) {
        self.pulses[i].phase = PHASE_IDLE;
        self.pulses[i].settling = false;
    }
    for (uint8_t coil = 0; coil < COILS; coil++) {
        self.queued_width[coil] = 0;
    }
}

/* A gap is kept when nothing came before, or the start is late enough after it. */
static bool keeps(uint64_t start, uint64_t before, uint32_t least) {
    return before == 0 || (start >= before && start - before >= least);
}

static uint8_t check_gaps(uint64_t start, uint8_t coil) {
    if (!keeps(start, self.queued.marker_end, RULE_MARKER_REST_TICKS)) {
        return REFUSAL_GAP_TOO_SHORT;
    }
    if (coil < COILS && (!keeps(start, self.queued.start[coil], limits.coils[coil].least_gap_ticks) ||
                         !keeps(start, self.queued.end[coil], RULE_REST_TICKS))) {
        return REFUSAL_GAP_TOO_SHORT;
    }
    return REFUSAL_DONE;
}

static uint8_t check_heat(uint16_t width, uint8_t coil) {
    if (coil >= COILS) {
        return REFUSAL_DONE;
    }
    uint32_t sum = hal_kept()->heat[coil] + self.queued_width[coil] + width;
    return (sum > limits.coils[coil].heat_budget_ticks) ? REFUSAL_HEAT_BUDGET : REFUSAL_DONE;
}

static uint8_t check_entry(uint32_t start, uint16_t width, uint8_t coil, uint64_t now) {
    if (self.count >= HARD_QUEUE_LENGTH) {
        return REFUSAL_QUEUE_FULL;
    }
    if (coil >= COILS && coil != NO_COIL) {
        return REFUSAL_NO_SUCH_COIL;
    }
    if (width == 0 || (self.running && self.lacking == 0)) {
        return REFUSAL_BAD_BODY;
    }
    if (coil < COILS && width > limits.coils[coil].longest_pulse_ticks) {
        return REFUSAL_PULSE_TOO_LONG;
    }
    int32_t lead = ahead(start, now);
    if (lead < (int32_t)RULE_LEAST_LEAD_TICKS) {
        return REFUSAL_IN_THE_PAST;
    }
    if ((uint32_t)lead > limits.horizon_ms * 2000ul) {
        return REFUSAL_TOO_FAR_AHEAD;
    }
    if (widen(start, now) < self.queued.last_start) {
        return REFUSAL_OUT_OF_ORDER;
    }
    uint8_t refusal = check_gaps(widen(start, now), coil);
    return (refusal != REFUSAL_DONE) ? refusal : check_heat(width, coil);
}

uint8_t strikes_load(uint32_t start, uint16_t width, uint8_t coil) {
    uint64_t now = hal_ticks();
    uint8_t refusal = check_entry(start, width, coil, now);
    if (refusal != REFUSAL_DONE) {
        return refusal;
    }
    uint16_t at = (uint16_t)(self.front + self.count);
    if (at >= HARD_QUEUE_LENGTH) {
        at = (uint16_t)(at - HARD_QUEUE_LENGTH);
    }
    self.queue[at] = (struct strike){start, width, coil};
    self.count++;
    if (self.running) {
        self.lacking--;
    }
    if (coil < COILS) {
        self.queued_width[coil] += width;
    }
    remember(&self.queued, coil, widen(start, now), width);
    self.next_look = (uint32_t)now;
    return REFUSAL_DONE;
}

uint8_t strikes_begin(uint32_t strikes) {
    if (self.count == 0) {
        return REFUSAL_NOTHING_LOADED;
    }
    if (strikes < self.count) {
        return REFUSAL_BAD_BODY;
    }
    if (ahead(self.queue[self.front].start, hal_ticks()) < (int32_t)RULE_LEAST_LEAD_TICKS) {
        machine_trip(TRIP_LATE);
        return REFUSAL_IN_THE_PAST;
    }
    self.lacking = strikes - self.count;
    self.left = strikes;
    self.running = true;
    self.next_look = (uint32_t)hal_ticks();
    return REFUSAL_DONE;
}

/* An interlock that has opened meanwhile may be why: then that is the reason. */
static void fault(uint8_t code) {
    machine_look();
    machine_trip(code);
}

static bool is_coil(uint8_t index) { return index < COILS; }

static void turned_on(uint8_t index, uint64_t now) {
    struct pulse *pulse = &self.pulses[index];
    uint64_t start = widen(pulse->start, now);
    pulse->phase = PHASE_ON;
    pulse->settling = false;
    self.unstarted--;
    if (is_coil(index)) {
        remember(&self.struck, index, start, pulse->width);
        hal_kept()->heat[index] += pulse->width;
        self.queued_width[index] -= pulse->width;
        machine_event(EVENT_COIL_ON, index, start);
    } else {
        remember(&self.struck, NO_COIL, start, pulse->width);
        machine_event(EVENT_MARKER, NO_COIL, start);
    }
}

static void turned_off(uint8_t index, uint64_t now) {
    struct pulse *pulse = &self.pulses[index];
    pulse->phase = PHASE_IDLE;
    self.left--;
    if (!is_coil(index)) {
        return;
    }
    pulse->settling = true;
    pulse->ended = pulse->end;
    hal_release(index);
    machine_event(EVENT_COIL_OFF, index, widen(pulse->end, now));
    if (!pulse->sensed && pulse->width >= SENSED_WIDTH_TICKS) {
        fault(TRIP_COIL_DEAD);
    }
}

static uint32_t due_ticks(const struct pulse *pulse) {
    return (pulse->phase == PHASE_ARMED) ? pulse->start : pulse->end;
}

/* Reports what the hardware has done since, in order of time. */
static void report_pulses(uint64_t now) {
    for (;;) {
        uint8_t first = PULSES;
        for (uint8_t i = 0; i < PULSES; i++) {
            const struct pulse *pulse = &self.pulses[i];
            if (pulse->phase != PHASE_IDLE && ahead(due_ticks(pulse), now) <= 0 &&
                (first == PULSES ||
                 (int32_t)(due_ticks(pulse) - due_ticks(&self.pulses[first])) < 0)) {
                first = i;
            }
        }
        if (first == PULSES) {
            return;
        }
        if (self.pulses[first].phase == PHASE_ARMED) {
            turned_on(first, now);
            continue;
        }
        turned_off(first, now);
        if (!self.running) {
            return; /* tripped */
        }
        if (self.left == 0) {
            self.running = false;
            machine_burst_over();
        } else if (self.count == 0 && self.unstarted == 0 && self.lacking > 0) {
            fault(TRIP_QUEUE_DRY);
            return;
        }
    }
}

static void look_by(uint32_t ticks) {
    if ((int32_t)(ticks - self.next_look) < 0) {
        self.next_look = ticks;
    }
}

/* When something is to be done next: saves the loop most of its time. */
static void plan_look(uint64_t now) {
    self.next_look = (uint32_t)now + TICKS_PER_LOOK;
    for (uint8_t i = 0; i < PULSES; i++) {
        if (self.pulses[i].phase != PHASE_IDLE) {
            look_by(due_ticks(&self.pulses[i]));
        }
    }
    if (self.count > 0) {
        const struct strike *strike = &self.queue[self.front];
        look_by(strike->start + strike->width - (uint32_t)ARM_AHEAD_TICKS);
    }
}

static void note_current(void) {
    uint8_t current = hal_coil_current();
    for (uint8_t coil = 0; coil < COILS; coil++) {
        struct pulse *pulse = &self.pulses[coil];
        bool flows = (current & (1u << coil)) != 0;
        if (pulse->phase == PHASE_ON) {
            pulse->sensed = pulse->sensed || flows;
        } else if (!flows) {
            pulse->settling = false;
        }
    }
}

static uint8_t pulse_for(uint8_t coil) {
    if (coil < COILS) {
        return coil;
    }
    return (self.pulses[COILS].phase == PHASE_IDLE) ? COILS : (uint8_t)(COILS + 1u);
}

/* True when the front strike went to the hardware. */
static bool arm_front(uint64_t now) {
    const struct strike *strike = &self.queue[self.front];
    uint8_t index = pulse_for(strike->coil);
    struct pulse *pulse = &self.pulses[index];
    int32_t lead = ahead(strike->start, now);
    uint16_t width = is_coil(index) ? strike->width : marker_width(NO_COIL);
    if (lead + (int32_t)width > ARM_AHEAD_TICKS) {
        return false;
    }
    if (lead < ARM_LEAST_TICKS) {
        fault(TRIP_LATE);
        return false;
    }
    if (pulse->phase != PHASE_IDLE) {
        return false;
    }
    if (is_coil(index) &&
        hal_kept()->heat[index] + width > limits.coils[index].heat_budget_ticks) {
        fault(TRIP_HEAT);
        return false;
    }
    enum hal_armed armed = hal_arm(strike->coil, strike->start, width, marker_width(strike->coil));
    if (armed == HAL_LATE) {
        fault(TRIP_LATE);
    }
    if (armed != HAL_ARMED) {
        return false;
    }
    pulse->phase = PHASE_ARMED;
    pulse->sensed = false;
    pulse->width = width;
    pulse->start = strike->start;
    pulse->end = strike->start + width;
    self.unstarted++;
    self.front++;
    if (self.front == HARD_QUEUE_LENGTH) {
        self.front = 0;
    }
    self.count--;
    return true;
}

void strikes_service(void) {
    note_current();
    if (!self.running) {
        return;
    }
    uint64_t now = hal_ticks();
    if (ahead(self.next_look, now) > 0) {
        return;
    }
    report_pulses(now);
    while (self.running && self.count > 0 && arm_front(hal_ticks())) {
    }
    plan_look(now);
}

void strikes_clear(uint64_t off_ticks) {
    for (uint8_t i = 0; i < PULSES; i++) {
        struct pulse *pulse = &self.pulses[i];
        if (pulse->phase == PHASE_ARMED && ahead(pulse->start, off_ticks) <= 0) {
            turned_on(i, off_ticks);
        }
        if (pulse->phase == PHASE_ON) {
            if (ahead(pulse->end, off_ticks) > 0) {
                pulse->end = (uint32_t)off_ticks;
            }
            pulse->sensed = true; /* too short now to judge */
            turned_off(i, off_ticks);
            if (is_coil(i)) {
                self.struck.end[i] = widen(pulse->end, off_ticks);
            }
        }
        pulse->phase = PHASE_IDLE;
    }
    self.queued = self.struck;
    self.count = 0;
    self.unstarted = 0;
    self.running = false;
    self.lacking = 0;
    self.left = 0;
    for (uint8_t coil = 0; coil < COILS; coil++) {
        self.queued_width[coil] = 0;
    }
}

void strikes_leak(void) {
    struct kept *kept = hal_kept();
    if (!limits.agreed) {
        return; /* how fast the coils cool is not known yet */
    }
    for (uint8_t coil = 0; coil < COILS; coil++) {
        uint32_t heat = kept->heat[coil];
        uint32_t time_constant = limits.coils[coil].heat_time_constant_ms;
        if (heat == 0 && kept->carry[coil] < time_constant) {
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
        kept->carry[coil] = sum - leak * time_constant;
    }
}

uint16_t strikes_queue_free(void) { return (uint16_t)(HARD_QUEUE_LENGTH - self.count); }

uint32_t strikes_left(void) { return self.left; }

uint32_t strikes_heat(uint8_t coil) { return hal_kept()->heat[coil]; }

enum current strikes_explain_current(uint8_t coil) {
    const struct pulse *pulse = &self.pulses[coil];
    uint64_t now = hal_ticks();
    if (pulse->phase != PHASE_IDLE && ahead(pulse->start, now) <= 0) {
        return CURRENT_ASKED;
    }
    if (!pulse->settling) {
        return CURRENT_UNASKED;
    }
    return (ahead(pulse->ended, now) > -SETTLE_TICKS) ? CURRENT_ASKED : CURRENT_OVERDUE;
}
