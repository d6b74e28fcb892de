#include "machine.h"

#include "core.h"
#include "events.h"
#include "hal.h"
#include "heat.h"
#include "interlocks.h"
#include "limits.h"
#include "strikes.h"
#include "ticks.h"

#define KEPT_MAGIC 0x5B0ACE17UL
#define SILENT_FOR_EVER UINT16_MAX
#define FLOOD_WINDOW_MS 1000U

static struct board {
    uint8_t state;
    uint8_t trip_code;
    uint8_t reset_cause;
    uint64_t armed_until;
    uint64_t next_ms;
    uint16_t silent_ms;
    uint16_t window_ms;
    uint16_t good_frames;
    uint16_t bad_frames;
} board;

void machine_event(uint8_t kind, uint8_t value, uint64_t ticks) {
    if (!events_add(kind, value, ticks)) {
        machine_trip(TRIP_EVENT_OVERFLOW);
    }
}

bool machine_running(void) { return (board.state == STATE_ARMED) || (board.state == STATE_STRIKING); }

static void enter(uint8_t state) {
    if (state == board.state) {
        return;
    }
    board.state = state;
    hal_kept()->armed = machine_running() ? 1U : 0U;
    machine_event(EVENT_STATE, state, hal_ticks());
}

/* Trips that only a board that may strike can have. */
static bool only_when_running(uint8_t code) {
    return (code != TRIP_ESTOP_OPEN) && (code != TRIP_COIL_ON_UNASKED);
}

void machine_trip(uint8_t code) {
    uint64_t off_ticks = hal_all_off();
    if ((board.state == STATE_SAFE) || (board.state == STATE_TRIPPED)) {
        return;
    }
    if (only_when_running(code) && !machine_running()) {
        return;
    }
    /* the state first: an event that finds the ring full must not trip once more */
    board.state = STATE_TRIPPED;
    board.trip_code = code;
    hal_kept()->armed = 0;
    strikes_clear(off_ticks);
    machine_event(EVENT_TRIP, code, hal_ticks());
    machine_event(EVENT_STATE, STATE_TRIPPED, hal_ticks());
}

void machine_restart(uint8_t reset_cause) {
    struct kept *kept = hal_kept();
    bool known = (kept->magic == KEPT_MAGIC) && ((reset_cause & RESET_POWER_ON) == 0U);
    bool was_armed = known && (kept->armed != 0U);
    if (!known) {
        heat_restart();
        kept->magic = KEPT_MAGIC;
    }
    kept->armed = 0;
    board.state = STATE_SAFE;
    board.trip_code = TRIP_NONE;
    board.reset_cause = reset_cause;
    board.armed_until = 0;
    board.next_ms = TICKS_PER_MS;
    interlocks_restart();
    board.silent_ms = SILENT_FOR_EVER;
    board.window_ms = 0;
    board.good_frames = 0;
    board.bad_frames = 0;
    if (was_armed) {
        board.state = STATE_TRIPPED;
        board.trip_code = ((reset_cause & RESET_WATCHDOG) != 0U) ? TRIP_PROGRAM_HANG
                                                               : TRIP_RESET_IN_RUN;
        machine_event(EVENT_TRIP, board.trip_code, hal_ticks());
        machine_event(EVENT_STATE, board.state, hal_ticks());
    }
}

static bool host_alive(void) { return board.silent_ms <= limits.host_silence_ms; }

void machine_lost(uint8_t code) {
    if ((board.state == STATE_SAFE) || (board.state == STATE_TRIPPED)) {
        return;
    }
    if ((board.state == STATE_READY) && only_when_running(code)) {
        enter(STATE_SAFE);
    } else {
        machine_trip(code);
    }
}

void machine_look(void) { interlocks_look(); }

static void drop_burst(void) { strikes_clear(hal_all_off()); }

static void each_millisecond(void) {
    heat_leak();
    interlocks_each_millisecond();
    if (board.silent_ms < SILENT_FOR_EVER) {
        board.silent_ms++;
    }
    if (!host_alive()) {
        machine_lost(TRIP_HOST_SILENT);
    }
    if (machine_running() && hal_ticks() >= board.armed_until) {
        drop_burst();
        enter(STATE_READY);
    }
    board.window_ms++;
    if (board.window_ms >= FLOOD_WINDOW_MS) {
        board.window_ms = 0;
        board.good_frames = 0;
        board.bad_frames = 0;
    }
}

void machine_turn(void) {
    machine_look();
    while (hal_ticks() >= board.next_ms) {
        board.next_ms += TICKS_PER_MS;
        each_millisecond();
        core_service();
    }
}

uint8_t machine_state(void) { return board.state; }

uint8_t machine_trip_code(void) { return board.trip_code; }

uint8_t machine_reset_cause(void) { return board.reset_cause; }

uint8_t machine_interlocks(void) {
    uint8_t bits = interlocks_bits();
    if (host_alive()) {
        bits = (uint8_t)(bits | (1U << INTERLOCK_HOST));
    }
    if (limits.agreed) {
        bits = (uint8_t)(bits | (1U << INTERLOCK_LIMITS));
    }
    return bits;
}

uint8_t machine_agree(const uint8_t *body) {
    if (board.state != STATE_SAFE) {
        return REFUSAL_WRONG_STATE;
    }
    limits_agree(body);
    return REFUSAL_DONE;
}

uint8_t machine_ready(void) {
    if ((board.state != STATE_SAFE) && (board.state != STATE_READY)) {
        return REFUSAL_WRONG_STATE;
    }
    if (!limits.agreed) {
        return REFUSAL_LIMITS_NOT_AGREED;
    }
    if (!interlocks_all_closed() || !hal_loop_follows()) {
        return REFUSAL_INTERLOCK_OPEN;
    }
    enter(STATE_READY);
    return REFUSAL_DONE;
}

uint8_t machine_arm(uint32_t armed_ms) {
    if ((board.state != STATE_READY) && !machine_running()) {
        return REFUSAL_WRONG_STATE;
    }
    if (armed_ms == 0U) {
        return REFUSAL_BAD_BODY;
    }
    if (!interlocks_all_closed() || ((board.state == STATE_READY) && !hal_unlock())) {
        return REFUSAL_INTERLOCK_OPEN;
    }
    uint32_t for_ms = (armed_ms < limits.armed_ms) ? armed_ms : limits.armed_ms;
    board.armed_until = hal_ticks() + (uint64_t)for_ms * TICKS_PER_MS;
    if (board.state == STATE_READY) {
        enter(STATE_ARMED);
    }
    return REFUSAL_DONE;
}

uint8_t machine_disarm(void) {
    if (board.state == STATE_TRIPPED) {
        return REFUSAL_WRONG_STATE;
    }
    drop_burst();
    if (machine_running()) {
        enter(STATE_READY);
    }
    return REFUSAL_DONE;
}

static bool cause_remains(void) {
    switch (board.trip_code) {
    case TRIP_ESTOP_OPEN:
        return !interlocks_closed(INTERLOCK_ESTOP);
    case TRIP_GUARD_OPEN:
        return !interlocks_closed(INTERLOCK_GUARD);
    case TRIP_SUPPLY:
        return !interlocks_closed(INTERLOCK_SUPPLY);
    case TRIP_COIL_ON_UNASKED:
    case TRIP_ON_TIME:
        return !interlocks_closed(INTERLOCK_COILS_QUIET);
    case TRIP_HEAT:
        for (uint8_t coil = 0; coil < COILS; coil++) {
            if (heat_exceeds(coil, 0)) {
                return true;
            }
        }
        return false;
    default:
        return false;
    }
}

uint8_t machine_reset_trip(void) {
    if (board.state != STATE_TRIPPED) {
        return REFUSAL_WRONG_STATE;
    }
    if (cause_remains()) {
        return REFUSAL_CAUSE_REMAINS;
    }
    board.trip_code = TRIP_NONE;
    enter(STATE_SAFE);
    return REFUSAL_DONE;
}

uint8_t machine_begin(uint32_t strikes) {
    if (board.state != STATE_ARMED) {
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
    if (board.state == STATE_STRIKING) {
        enter(STATE_ARMED);
    }
}

void machine_frame(bool good) {
    if (good) {
        board.silent_ms = 0;
        board.good_frames++;
        if (board.good_frames > RULE_FRAME_FLOOD_PER_S) {
            machine_trip(TRIP_FRAME_FLOOD);
        }
    } else {
        board.bad_frames++;
        if (board.bad_frames > RULE_CRC_FLOOD_PER_S) {
            machine_trip(TRIP_CRC_FLOOD);
        }
    }
}
