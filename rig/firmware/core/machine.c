#include "machine.h"

#include "core.h"
#include "events.h"
#include "hal.h"
#include "limits.h"
#include "strikes.h"

#define KEPT_MAGIC 0x5B0ACE17ul
#define SILENT_FOR_EVER UINT16_MAX
#define FLOOD_WINDOW_MS 1000u

/* Interlocks that the program itself watches, by bit number. */
#define WATCHED_BITS 6u

struct watch {
    bool closed;
    uint8_t closing_ms; /* it has looked closed for so long */
};

static struct {
    uint8_t state;
    uint8_t trip_code;
    uint8_t reset_cause;
    uint64_t armed_until;
    uint64_t next_ms;
    struct watch watches[WATCHED_BITS];
    uint8_t current_trip; /* which of the two current faults opened "coils quiet" */
    uint8_t supply_out_ms;
    uint16_t silent_ms;
    uint16_t window_ms;
    uint16_t good_frames;
    uint16_t bad_frames;
} self;

void machine_event(uint8_t kind, uint8_t value, uint64_t ticks) {
    if (!events_add(kind, value, ticks)) {
        machine_trip(TRIP_EVENT_OVERFLOW);
    }
}

static bool running(void) { return self.state == STATE_ARMED || self.state == STATE_STRIKING; }

static void enter(uint8_t state) {
    if (state == self.state) {
        return;
    }
    self.state = state;
    hal_kept()->armed = running() ? 1u : 0u;
    machine_event(EVENT_STATE, state, hal_ticks());
}

/* Trips that only a board that may strike can have. */
static bool only_when_running(uint8_t code) {
    return code != TRIP_ESTOP_OPEN && code != TRIP_COIL_ON_UNASKED;
}

void machine_trip(uint8_t code) {
    uint64_t off_ticks = hal_all_off();
    if (self.state == STATE_SAFE || self.state == STATE_TRIPPED) {
        return;
    }
    if (only_when_running(code) && !running()) {
        return;
    }
    /* the state first: an event that finds the ring full must not trip once more */
    self.state = STATE_TRIPPED;
    self.trip_code = code;
    hal_kept()->armed = 0;
    strikes_clear(off_ticks);
    machine_event(EVENT_TRIP, code, hal_ticks());
    machine_event(EVENT_STATE, STATE_TRIPPED, hal_ticks());
}

void machine_restart(uint8_t reset_cause) {
    struct kept *kept = hal_kept();
    bool known = kept->magic == KEPT_MAGIC && (reset_cause & RESET_POWER_ON) == 0;
    bool was_armed = known && kept->armed != 0;
    if (!known) {
        for (uint8_t coil = 0; coil < COILS; coil++) {
            kept->heat[coil] = 0;
            kept->carry[coil] = 0;
        }
        kept->magic = KEPT_MAGIC;
    }
    kept->armed = 0;
    self.state = STATE_SAFE;
    self.trip_code = TRIP_NONE;
    self.reset_cause = reset_cause;
    self.armed_until = 0;
    self.next_ms = TICKS_PER_MS;
    self.current_trip = TRIP_NONE;
    self.supply_out_ms = RULE_SUPPLY_DEBOUNCE_MS;
    self.silent_ms = SILENT_FOR_EVER;
    self.window_ms = 0;
    self.good_frames = 0;
    self.bad_frames = 0;
    for (uint8_t bit = 0; bit < WATCHED_BITS; bit++) {
        self.watches[bit].closed = false;
        self.watches[bit].closing_ms = 0;
    }
    if (was_armed) {
        self.state = STATE_TRIPPED;
        self.trip_code = ((reset_cause & RESET_WATCHDOG) != 0) ? TRIP_PROGRAM_HANG
                                                               : TRIP_RESET_IN_RUN;
        machine_event(EVENT_TRIP, self.trip_code, hal_ticks());
        machine_event(EVENT_STATE, self.state, hal_ticks());
    }
}

static bool host_alive(void) { return self.silent_ms <= limits.host_silence_ms; }

static bool interlocks_closed(void) {
    return self.watches[INTERLOCK_ESTOP].closed && self.watches[INTERLOCK_GUARD].closed &&
           self.watches[INTERLOCK_SUPPLY].closed && self.watches[INTERLOCK_COILS_QUIET].closed;
}

static uint8_t trip_of(uint8_t bit) {
    switch (bit) {
    case INTERLOCK_ESTOP:
        return TRIP_ESTOP_OPEN;
    case INTERLOCK_GUARD:
        return TRIP_GUARD_OPEN;
    case INTERLOCK_SUPPLY:
        return TRIP_SUPPLY;
    default:
        return self.current_trip;
    }
}

/* A condition of `ready` has gone. */
static void lost(uint8_t code) {
    if (self.state == STATE_SAFE || self.state == STATE_TRIPPED) {
        return;
    }
    if (self.state == STATE_READY && only_when_running(code)) {
        enter(STATE_SAFE);
    } else {
        machine_trip(code);
    }
}

/* Open at once; closed after it has looked so for a while. */
static void heed(uint8_t bit, bool looks_closed) {
    struct watch *watch = &self.watches[bit];
    if (looks_closed) {
        return; /* the millisecond closes it */
    }
    watch->closing_ms = 0;
    if (watch->closed) {
        (void)hal_all_off();
        watch->closed = false;
        machine_event(EVENT_INTERLOCK, bit, hal_ticks());
    }
    lost(trip_of(bit));
}

static bool currents_quiet(void) {
    uint8_t current = hal_coil_current();
    bool quiet = true;
    for (uint8_t coil = 0; coil < COILS; coil++) {
        if ((current & (1u << coil)) != 0) {
            enum current why = strikes_explain_current(coil);
            if (why != CURRENT_ASKED) {
                quiet = false;
                self.current_trip = (why == CURRENT_OVERDUE && running()) ? TRIP_ON_TIME
                                                                          : TRIP_COIL_ON_UNASKED;
            }
        }
    }
    return quiet;
}

void machine_look(void) {
    uint8_t inputs = hal_inputs();
    heed(INTERLOCK_ESTOP, (inputs & INPUT_ESTOP) != 0);
    heed(INTERLOCK_GUARD, (inputs & INPUT_GUARD) != 0);
    heed(INTERLOCK_SUPPLY, self.supply_out_ms < RULE_SUPPLY_DEBOUNCE_MS);
    heed(INTERLOCK_COILS_QUIET, currents_quiet());
}

static void close_slowly(uint8_t bit) {
    struct watch *watch = &self.watches[bit];
    if (!watch->closed) {
        watch->closing_ms++; /* back to 0 whenever it looks open */
        if (watch->closing_ms >= RULE_CLOSE_DEBOUNCE_MS) {
            watch->closed = true;
            machine_event(EVENT_INTERLOCK, (uint8_t)(bit + 128u), hal_ticks());
        }
    }
}

static void measure_supply(void) {
    uint16_t supply_mv = hal_supply_mv();
    if (supply_mv >= limits.supply_least_mv && supply_mv <= limits.supply_most_mv) {
        self.supply_out_ms = 0;
    } else if (self.supply_out_ms < RULE_SUPPLY_DEBOUNCE_MS) {
        self.supply_out_ms++;
    }
}

static void drop_burst(void) { strikes_clear(hal_all_off()); }

static void each_millisecond(void) {
    strikes_leak();
    measure_supply();
    close_slowly(INTERLOCK_ESTOP);
    close_slowly(INTERLOCK_GUARD);
    close_slowly(INTERLOCK_SUPPLY);
    close_slowly(INTERLOCK_COILS_QUIET);
    if (self.silent_ms < SILENT_FOR_EVER) {
        self.silent_ms++;
    }
    if (!host_alive()) {
        lost(TRIP_HOST_SILENT);
    }
    if (running() && hal_ticks() >= self.armed_until) {
        drop_burst();
        enter(STATE_READY);
    }
    self.window_ms++;
    if (self.window_ms >= FLOOD_WINDOW_MS) {
        self.window_ms = 0;
        self.good_frames = 0;
        self.bad_frames = 0;
    }
}

void machine_turn(void) {
    machine_look();
    while (hal_ticks() >= self.next_ms) {
        self.next_ms += TICKS_PER_MS;
        each_millisecond();
        core_service();
    }
}

uint8_t machine_state(void) { return self.state; }

uint8_t machine_trip_code(void) { return self.trip_code; }

uint8_t machine_reset_cause(void) { return self.reset_cause; }

uint8_t machine_interlocks(void) {
    uint8_t bits = 0;
    for (uint8_t bit = 0; bit < WATCHED_BITS; bit++) {
        if (self.watches[bit].closed) {
            bits = (uint8_t)(bits | (1u << bit));
        }
    }
    if (host_alive()) {
        bits = (uint8_t)(bits | (1u << INTERLOCK_HOST));
    }
    if (limits.agreed) {
        bits = (uint8_t)(bits | (1u << INTERLOCK_LIMITS));
    }
    return bits;
}

uint8_t machine_agree(const uint8_t *body) {
    if (self.state != STATE_SAFE) {
        return REFUSAL_WRONG_STATE;
    }
    limits_agree(body);
    return REFUSAL_DONE;
}

uint8_t machine_ready(void) {
    if (self.state != STATE_SAFE && self.state != STATE_READY) {
        return REFUSAL_WRONG_STATE;
    }
    if (!limits.agreed) {
        return REFUSAL_LIMITS_NOT_AGREED;
    }
    if (!interlocks_closed() || !hal_loop_follows()) {
        return REFUSAL_INTERLOCK_OPEN;
    }
    enter(STATE_READY);
    return REFUSAL_DONE;
}

uint8_t machine_arm(uint32_t armed_ms) {
    if (self.state != STATE_READY && !running()) {
        return REFUSAL_WRONG_STATE;
    }
    if (armed_ms == 0) {
        return REFUSAL_BAD_BODY;
    }
    if (!interlocks_closed() || (self.state == STATE_READY && !hal_unlock())) {
        return REFUSAL_INTERLOCK_OPEN;
    }
    uint32_t for_ms = (armed_ms < limits.armed_ms) ? armed_ms : limits.armed_ms;
    self.armed_until = hal_ticks() + (uint64_t)for_ms * TICKS_PER_MS;
    if (self.state == STATE_READY) {
        enter(STATE_ARMED);
    }
    return REFUSAL_DONE;
}

uint8_t machine_disarm(void) {
    if (self.state == STATE_TRIPPED) {
        return REFUSAL_WRONG_STATE;
    }
    drop_burst();
    if (running()) {
        enter(STATE_READY);
    }
    return REFUSAL_DONE;
}

static bool cause_remains(void) {
    switch (self.trip_code) {
    case TRIP_ESTOP_OPEN:
        return !self.watches[INTERLOCK_ESTOP].closed;
    case TRIP_GUARD_OPEN:
        return !self.watches[INTERLOCK_GUARD].closed;
    case TRIP_SUPPLY:
        return !self.watches[INTERLOCK_SUPPLY].closed;
    case TRIP_COIL_ON_UNASKED:
    case TRIP_ON_TIME:
        return !self.watches[INTERLOCK_COILS_QUIET].closed;
    case TRIP_HEAT:
        for (uint8_t coil = 0; coil < COILS; coil++) {
            if (strikes_heat(coil) > limits.coils[coil].heat_budget_ticks) {
                return true;
            }
        }
        return false;
    default:
        return false;
    }
}

uint8_t machine_reset_trip(void) {
    if (self.state != STATE_TRIPPED) {
        return REFUSAL_WRONG_STATE;
    }
    if (cause_remains()) {
        return REFUSAL_CAUSE_REMAINS;
    }
    self.trip_code = TRIP_NONE;
    enter(STATE_SAFE);
    return REFUSAL_DONE;
}

uint8_t machine_begin(uint32_t strikes) {
    if (self.state != STATE_ARMED) {
        return REFUSAL_WRONG_STATE;
    }
    uint8_t refusal = strikes_begin(strikes);
    if (refusal == REFUSAL_DONE) {
        enter(STATE_STRIKING);
    }
    return refusal;
}

void machine_burst_over(void) {
    machine_event(EVENT_BURST_END, 0, hal_ticks());
    if (self.state == STATE_STRIKING) {
        enter(STATE_ARMED);
    }
}

void machine_frame(bool good) {
    if (good) {
        self.silent_ms = 0;
        self.good_frames++;
        if (self.good_frames > RULE_FRAME_FLOOD_PER_S) {
            machine_trip(TRIP_FRAME_FLOOD);
        }
    } else {
        self.bad_frames++;
        if (self.bad_frames > RULE_CRC_FLOOD_PER_S) {
            machine_trip(TRIP_CRC_FLOOD);
        }
    }
}
