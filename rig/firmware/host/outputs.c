#include "outputs.h"

#include <string.h>

#define CYCLES_PER_TICK 8u
#define RISE_TICKS 400u  /* current shows so long after a coil goes on */
#define FALL_TICKS 2000u /* and is gone so long after it goes off */
#define OUTPUTS (COILS + 1u)
#define PULSES_A_CHANNEL 2u

struct pulse {
    bool set;
    uint64_t start;
    uint64_t end;
};

static struct {
    model_report report;
    struct pulse pulses[OUTPUTS][PULSES_A_CHANNEL];
    bool level[OUTPUTS];
    uint64_t changed[OUTPUTS];
    int forced_current[COILS];
} self;

void outputs_begin(model_report report) {
    memset(&self, 0, sizeof self);
    self.report = report;
    self.forced_current[0] = 2;
    self.forced_current[1] = 2;
}

static void set_level(unsigned output, bool level, uint64_t ticks) {
    if (self.level[output] != level) {
        self.level[output] = level;
        self.changed[output] = ticks;
        self.report((output == MARKER) ? "marker" : "coil", (int)output, level ? 1 : 0,
                    ticks * CYCLES_PER_TICK);
    }
}

bool outputs_set(unsigned output, uint64_t start, uint64_t width) {
    for (unsigned i = 0; i < PULSES_A_CHANNEL; i++) {
        struct pulse *pulse = &self.pulses[output][i];
        if (!pulse->set) {
            *pulse = (struct pulse){true, start, start + width};
            return true;
        }
    }
    return false;
}

void outputs_move(uint64_t now) {
    for (unsigned output = 0; output < OUTPUTS; output++) {
        for (unsigned i = 0; i < PULSES_A_CHANNEL; i++) {
            struct pulse *pulse = &self.pulses[output][i];
            if (pulse->set && now >= pulse->start) {
                set_level(output, true, pulse->start);
                if (now >= pulse->end) {
                    set_level(output, false, pulse->end);
                    pulse->set = false;
                }
            }
        }
    }
}

void outputs_drop(uint64_t now) {
    for (unsigned output = 0; output < OUTPUTS; output++) {
        for (unsigned i = 0; i < PULSES_A_CHANNEL; i++) {
            self.pulses[output][i].set = false;
        }
        set_level(output, false, now);
    }
}

void outputs_force_current(unsigned coil, int level) { self.forced_current[coil] = level; }

bool outputs_current(unsigned coil, uint64_t now) {
    if (self.forced_current[coil] != 2) {
        return self.forced_current[coil] != 0;
    }
    uint64_t since = now - self.changed[coil];
    return self.level[coil] ? since >= RISE_TICKS
                            : self.changed[coil] != 0 && since < FALL_TICKS;
}
