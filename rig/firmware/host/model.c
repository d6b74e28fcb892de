#include "model.h"

#include <string.h>

#include "core.h"
#include "hal.h"
#include "outputs.h"
#include "ticks.h"

#define CYCLES_PER_TICK 8u
#define TURN_TICKS 20u
#define BYTE_TICKS 20u      /* 1,000,000 baud */
#define DIN_BYTE_TICKS 640u /* 31,250 baud */
#define PROGRAM_TICKS 30
#define FIFO_BYTES 8192u

static struct {
    model_report report;
    model_output output;
    uint64_t now;    /* ticks since the model began */
    uint64_t origin; /* of the program's ticks */
    bool closed[2];  /* e-stop, guard */
    uint8_t opened;
    bool locked;
    uint64_t off;
    uint16_t supply_mv;
    uint64_t hung_until; /* 0: not hung */
    uint64_t stalled_until;
    bool bridged;
    bool lost;
    struct kept kept;
    struct {
        uint8_t bytes[FIFO_BYTES];
        uint64_t at[FIFO_BYTES];
        size_t put, take;
        uint64_t last;
    } host, din;
    bool hit;
    uint64_t frame_end;
    uint64_t transmit_until;
} self;

void model_begin(model_report report, model_output output) {
    memset(&self, 0, sizeof self);
    self.report = report;
    self.output = output;
    self.closed[0] = true;
    self.closed[1] = true;
    self.supply_mv = 24000;
    outputs_begin(report);
    model_reset(RESET_POWER_ON);
}

uint64_t model_cycles(void) { return self.now * CYCLES_PER_TICK; }

void model_reset(uint8_t cause) {
    outputs_drop(self.now);
    self.origin = self.now;
    self.hung_until = 0;
    self.opened = 0;
    self.locked = true;
    self.off = self.now;
    self.transmit_until = 0;
    self.host.take = self.host.put;
    self.din.take = self.din.put;
    self.report("origin", 0, 0, self.origin * CYCLES_PER_TICK);
    core_start(cause);
}

void model_hang(void) {
    self.hung_until = self.now + RULE_WATCHDOG_MS * TICKS_PER_MS;
}

void model_run_to(uint64_t cycles) {
    uint64_t end = cycles / CYCLES_PER_TICK;
    while (self.now < end) {
        uint64_t step = end - self.now;
        self.now += (step < TURN_TICKS) ? step : TURN_TICKS;
        outputs_move(self.now);
        if (self.hung_until != 0) {
            if (self.now < self.hung_until) {
                continue;
            }
            self.report("reset", RESET_WATCHDOG, 0, self.now * CYCLES_PER_TICK);
            model_reset(RESET_WATCHDOG);
        }
        if (self.now >= self.stalled_until) {
            core_turn();
        }
    }
}

void model_send(const uint8_t *bytes, size_t count) {
    for (size_t i = 0; i < count; i++) {
        uint64_t from = (self.host.last > self.now) ? self.host.last : self.now;
        self.host.last = from + BYTE_TICKS;
        self.host.bytes[self.host.put % FIFO_BYTES] = bytes[i];
        self.host.at[self.host.put % FIFO_BYTES] = self.host.last;
        self.host.put++;
    }
}

void model_din(const uint8_t *bytes, size_t count, uint64_t cycles) {
    uint64_t start = cycles / CYCLES_PER_TICK;
    for (size_t i = 0; i < count; i++) {
        self.din.bytes[self.din.put % FIFO_BYTES] = bytes[i];
        self.din.at[self.din.put % FIFO_BYTES] = start + i * DIN_BYTE_TICKS;
        self.din.put++;
    }
}

static void open_input(unsigned which, bool closed) {
    self.closed[which] = closed;
    if (!closed) {
        self.opened |= (uint8_t)(1u << which);
        if (!self.locked) {
            self.off = self.now;
            self.locked = true;
        }
        outputs_drop(self.now);
    }
}

bool model_input(const char *name, int level) {
    if (strcmp(name, "estop") == 0) {
        open_input(INTERLOCK_ESTOP, level != 0);
    } else if (strcmp(name, "guard") == 0) {
        open_input(INTERLOCK_GUARD, level != 0);
    } else if (strcmp(name, "supply") == 0) {
        self.supply_mv = (uint16_t)level;
    } else if (strcmp(name, "impact") == 0) {
        self.hit = self.hit || level != 0;
    } else if (strcmp(name, "current0") == 0) {
        outputs_force_current(0, level);
    } else if (strcmp(name, "current1") == 0) {
        outputs_force_current(1, level);
    } else if (strcmp(name, "bridge") == 0) {
        self.bridged = level != 0;
    } else if (strcmp(name, "stall") == 0) {
        self.stalled_until = self.now + (uint64_t)level * TICKS_PER_MS;
    } else if (strcmp(name, "heat0") == 0) {
        self.kept.heat[0] = (uint32_t)level * 1000u;
    } else if (strcmp(name, "heat1") == 0) {
        self.kept.heat[1] = (uint32_t)level * 1000u;
    } else if (strcmp(name, "lost") == 0) {
        self.lost = level != 0;
    } else {
        return false;
    }
    return true;
}

uint64_t hal_ticks(void) { return self.now - self.origin; }

uint8_t hal_inputs(void) {
    uint8_t open = self.opened;
    self.opened = 0;
    for (unsigned i = 0; i < 2; i++) {
        if (!self.closed[i]) {
            open |= (uint8_t)(1u << i);
        }
    }
    return open ^ (INPUT_ESTOP | INPUT_GUARD);
}

uint8_t hal_coil_current(void) {
    uint8_t bits = 0;
    for (unsigned coil = 0; coil < COILS; coil++) {
        if (outputs_current(coil, self.now)) {
            bits |= (uint8_t)(1u << coil);
        }
    }
    return bits;
}

uint16_t hal_supply_mv(void) { return self.supply_mv; }

bool hal_loop_follows(void) { return self.closed[0] && !self.bridged; }

struct kept *hal_kept(void) { return &self.kept; }

const uint8_t *hal_serial(void) { return (const uint8_t *)"HOSTSIDE"; }

enum hal_armed hal_arm(uint8_t coil, uint32_t start_ticks, uint16_t width_ticks,
                       uint16_t marker_ticks) {
    int32_t lead = (int32_t)(start_ticks - (uint32_t)hal_ticks());
    uint64_t start = self.now + (uint64_t)(int64_t)lead;
    if (self.locked) {
        return HAL_LOCKED;
    }
    if (lead < PROGRAM_TICKS) {
        return HAL_LATE;
    }
    if (!outputs_set(MARKER, start, marker_ticks)) {
        return HAL_BUSY;
    }
    if (coil != NO_COIL) {
        (void)outputs_set(coil, start, width_ticks);
    }
    return HAL_ARMED;
}

void hal_release(uint8_t coil) { (void)coil; }

uint64_t hal_all_off(void) {
    uint64_t off = self.locked ? self.off : self.now;
    outputs_drop(self.now);
    /* a lock from before this program's start counts as its start */
    return (off > self.origin) ? off - self.origin : 0;
}

bool hal_unlock(void) {
    if (self.opened == 0 && self.closed[0] && self.closed[1]) {
        self.locked = false;
    }
    return !self.locked;
}

bool hal_receive(uint8_t *byte) {
    size_t at = self.host.take % FIFO_BYTES;
    if (self.host.take == self.host.put || self.host.at[at] > self.now) {
        return false;
    }
    *byte = self.host.bytes[at];
    if (*byte == 0) {
        self.frame_end = self.host.at[at] - self.origin;
    }
    self.host.take++;
    return true;
}

uint32_t hal_frame_end_ticks(void) { return (uint32_t)self.frame_end; }

bool hal_transmit_busy(void) { return self.now < self.transmit_until; }

void hal_transmit(const uint8_t *bytes, uint8_t count) {
    self.output(bytes, count);
    self.transmit_until = self.now + (uint64_t)count * BYTE_TICKS;
}

bool hal_next_raw(struct raw_event *event) {
    size_t at = self.din.take % FIFO_BYTES;
    if (self.hit) {
        self.hit = false;
        *event = (struct raw_event){EVENT_IMPACT, 0, (uint32_t)hal_ticks()};
        return true;
    }
    if (self.din.take == self.din.put || self.din.at[at] + DIN_BYTE_TICKS > self.now) {
        return false;
    }
    uint64_t start = self.din.at[at] - self.origin;
    *event = (struct raw_event){EVENT_DIN_BYTE, self.din.bytes[at], (uint32_t)start};
    self.din.take++;
    return true;
}

bool hal_lost_input(void) {
    bool was = self.lost;
    self.lost = false;
    return was;
}
