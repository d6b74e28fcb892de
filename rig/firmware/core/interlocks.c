#include "interlocks.h"

#include "hal.h"
#include "limits.h"
#include "machine.h"
#include "pulses.h"

/* Bit numbers of the standing message; the others between are no inputs. */
#define WATCHED_BITS 6U

struct contact {
    bool closed;
    uint8_t closing_ms; /* it has looked closed for so long */
};

static const uint8_t inputs[] = {INTERLOCK_ESTOP, INTERLOCK_GUARD, INTERLOCK_SUPPLY,
                                 INTERLOCK_COILS_QUIET};
#define INPUTS (sizeof(inputs) / sizeof(inputs[0]))

static struct contact contacts[WATCHED_BITS];
static uint8_t current_trip; /* which of the two current faults opened "coils quiet" */
static uint8_t supply_out_ms;

void interlocks_restart(void) {
    current_trip = TRIP_NONE;
    supply_out_ms = RULE_SUPPLY_DEBOUNCE_MS;
    for (uint8_t bit = 0; bit < WATCHED_BITS; bit++) {
        contacts[bit].closed = false;
        contacts[bit].closing_ms = 0;
    }
}

static uint8_t trip_of(uint8_t bit) {
    static const uint8_t trips[] = {TRIP_ESTOP_OPEN, TRIP_GUARD_OPEN, TRIP_SUPPLY};
    return (bit <= INTERLOCK_SUPPLY) ? trips[bit] : current_trip;
}

static void heed(uint8_t bit, bool looks_closed) {
    struct contact *contact = &contacts[bit];
    if (looks_closed) {
        return; /* the millisecond closes it */
    }
    contact->closing_ms = 0;
    if (contact->closed) {
        (void)hal_all_off();
        contact->closed = false;
        machine_event(EVENT_INTERLOCK, bit, hal_ticks());
    }
    machine_lost(trip_of(bit));
}

static bool currents_quiet(void) {
    uint8_t current = hal_coil_current();
    bool quiet = true;
    for (uint8_t coil = 0; coil < COILS; coil++) {
        if ((current & (1U << coil)) != 0U) {
            enum current why = pulses_explain_current(coil);
            if (why != CURRENT_ASKED) {
                quiet = false;
                current_trip = ((why == CURRENT_OVERDUE) && machine_running())
                                   ? TRIP_ON_TIME
                                   : TRIP_COIL_ON_UNASKED;
            }
        }
    }
    return quiet;
}

void interlocks_look(void) {
    uint8_t closed = hal_inputs();
    heed(INTERLOCK_ESTOP, (closed & INPUT_ESTOP) != 0U);
    heed(INTERLOCK_GUARD, (closed & INPUT_GUARD) != 0U);
    heed(INTERLOCK_SUPPLY, supply_out_ms < RULE_SUPPLY_DEBOUNCE_MS);
    interlocks_look_at_currents();
}

void interlocks_look_at_currents(void) { heed(INTERLOCK_COILS_QUIET, currents_quiet()); }

static void close_slowly(uint8_t bit) {
    struct contact *contact = &contacts[bit];
    if (!contact->closed) {
        contact->closing_ms++; /* back to 0 whenever it looks open */
        if (contact->closing_ms >= RULE_CLOSE_DEBOUNCE_MS) {
            contact->closed = true;
            machine_event(EVENT_INTERLOCK, (uint8_t)(bit + 128U), hal_ticks());
        }
    }
}

static void measure_supply(void) {
    uint16_t supply_mv = hal_supply_mv();
    if ((supply_mv >= limits.supply_least_mv) && (supply_mv <= limits.supply_most_mv)) {
        supply_out_ms = 0;
    } else if (supply_out_ms < RULE_SUPPLY_DEBOUNCE_MS) {
        supply_out_ms++;
    } else {
        /* it is out of range already */
    }
}

void interlocks_each_millisecond(void) {
    measure_supply();
    for (uint8_t i = 0; i < INPUTS; i++) {
        close_slowly(inputs[i]);
    }
}

bool interlocks_closed(uint8_t bit) { return contacts[bit].closed; }

bool interlocks_all_closed(void) {
    bool closed = true;
    for (uint8_t i = 0; i < INPUTS; i++) {
        closed = closed && contacts[inputs[i]].closed;
    }
    return closed;
}

uint8_t interlocks_bits(void) {
    uint8_t bits = 0;
    for (uint8_t i = 0; i < INPUTS; i++) {
        if (contacts[inputs[i]].closed) {
            bits = (uint8_t)(bits | (1U << inputs[i]));
        }
    }
    return bits;
}
