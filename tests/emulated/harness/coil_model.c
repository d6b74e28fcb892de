#include "coil_model.h"

#include <string.h>

#define TIMERS 2 /* 0: Timer4, release; 1: Timer5, drive */
#define PRESCALER 8u
#define LAP_CYCLES (65536u * PRESCALER)
#define WRITE_CYCLES 2u /* a store is charged in full before it acts */
#define REGISTERS 24

static const struct {
    avr_io_addr_t tccra, tccrc, tcntl, ocral, port, ddr;
} timers[TIMERS] = {
    {0xA0, 0xA2, 0xA4, 0xA8, 0x102, 0x101},
    {0x120, 0x122, 0x124, 0x128, 0x10B, 0x10A},
};

/* compare outputs A, B, C stand on bits 3, 4, 5 of both ports */
#define PIN_OF(output) (3 + (output))

static struct {
    coil_report report;
    origin_report origin;
    avr_cycle_count_t done; /* edges up to here are reported */
    bool counts[TIMERS];
    avr_cycle_count_t base[TIMERS]; /* a cycle at which the timer stood at 0 */
    bool latch[TIMERS][OUTPUTS];
    bool level[OUTPUTS];
    avr_cycle_count_t changed[OUTPUTS];
    int hooks;
    struct {
        avr_io_addr_t address;
        avr_io_write_t before;
        void *param;
    } hooked[REGISTERS];
} self;

static uint8_t com_of(avr_t *avr, int timer, int output) {
    return (uint8_t)((avr->data[timers[timer].tccra] >> (6 - 2 * output)) & 3u);
}

static bool pin_level(avr_t *avr, int timer, int output) {
    uint8_t bit = (uint8_t)(1u << PIN_OF(output));
    if ((avr->data[timers[timer].ddr] & bit) == 0) {
        return false; /* an input: the pull-down decides */
    }
    if (com_of(avr, timer, output) != 0) {
        return self.latch[timer][output];
    }
    return (avr->data[timers[timer].port] & bit) != 0;
}

static void look(avr_t *avr, avr_cycle_count_t cycle) {
    for (int output = 0; output < OUTPUTS; output++) {
        bool level = pin_level(avr, 0, output) && pin_level(avr, 1, output);
        if (level != self.level[output]) {
            self.level[output] = level;
            self.changed[output] = cycle;
            self.report(output, level, cycle);
        }
    }
}

/* A match by the compare output mode: 1 toggles, 2 clears, 3 sets. */
static void match(avr_t *avr, int timer, int output) {
    uint8_t com = com_of(avr, timer, output);
    bool *latch = &self.latch[timer][output];
    if (com != 0) {
        *latch = (com == 1) ? !*latch : com == 3;
    }
}

static avr_cycle_count_t next_match(avr_t *avr, int timer, int output) {
    avr_io_addr_t low = (avr_io_addr_t)(timers[timer].ocral + 2 * output);
    uint16_t ocr = (uint16_t)(avr->data[low] | (avr->data[low + 1] << 8));
    avr_cycle_count_t first =
        self.base[timer] + (avr_cycle_count_t)(uint16_t)(ocr + 1u) * PRESCALER;
    if (first > self.done) {
        return first - (first - self.done - 1) / LAP_CYCLES * LAP_CYCLES;
    }
    return first + ((self.done - first) / LAP_CYCLES + 1) * LAP_CYCLES;
}

static void catch_up_to(avr_t *avr, avr_cycle_count_t now) {
    while (self.done < now) {
        avr_cycle_count_t first = now + 1;
        for (int timer = 0; timer < TIMERS; timer++) {
            for (int output = 0; self.counts[timer] && output < OUTPUTS; output++) {
                avr_cycle_count_t cycle = next_match(avr, timer, output);
                if (com_of(avr, timer, output) != 0 && cycle < first) {
                    first = cycle;
                }
            }
        }
        if (first > now) {
            break;
        }
        for (int timer = 0; timer < TIMERS; timer++) {
            for (int output = 0; self.counts[timer] && output < OUTPUTS; output++) {
                if (next_match(avr, timer, output) == first) {
                    match(avr, timer, output);
                }
            }
        }
        self.done = first;
        look(avr, first);
    }
    self.done = (now > self.done) ? now : self.done;
}

static void written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    int which = (int)(long)param;
    catch_up_to(avr, avr->cycle + WRITE_CYCLES);
    if (self.hooked[which].before != NULL) {
        self.hooked[which].before(avr, address, value, self.hooked[which].param);
    }
    avr->data[address] = value;
    for (int timer = 0; timer < TIMERS; timer++) {
        if (address == timers[timer].tcntl) {
            uint16_t count = (uint16_t)(value | (avr->data[address + 1] << 8));
            self.base[timer] = avr->cycle - (avr_cycle_count_t)count * PRESCALER;
            self.counts[timer] = true;
            if (timer == 1) {
                self.origin(self.base[timer]);
            }
        } else if (address == timers[timer].tccrc) {
            for (int output = 0; output < OUTPUTS; output++) {
                if ((value & (0x80u >> output)) != 0) {
                    match(avr, timer, output);
                }
            }
            avr->data[address] = 0; /* strobes read as 0 */
        }
    }
    look(avr, avr->cycle + WRITE_CYCLES);
}

static void hook(avr_t *avr, avr_io_addr_t address) {
    int at = AVR_DATA_TO_IO(address);
    self.hooked[self.hooks].address = address;
    self.hooked[self.hooks].before = avr->io[at].w.c;
    self.hooked[self.hooks].param = avr->io[at].w.param;
    avr->io[at].w.c = written;
    avr->io[at].w.param = (void *)(long)self.hooks;
    self.hooks++;
}

void coil_model_begin(avr_t *avr, coil_report report, origin_report origin) {
    memset(&self, 0, sizeof self);
    self.report = report;
    self.origin = origin;
    for (int timer = 0; timer < TIMERS; timer++) {
        hook(avr, timers[timer].tccra);
        hook(avr, timers[timer].tccrc);
        hook(avr, timers[timer].tcntl);
        hook(avr, timers[timer].port);
        hook(avr, timers[timer].ddr);
        for (int output = 0; output < OUTPUTS; output++) {
            hook(avr, (avr_io_addr_t)(timers[timer].ocral + 2 * output));
        }
    }
}

void coil_model_reset(avr_t *avr) {
    /* registers are cleared already, so edges before the reset must have been caught up */
    memset(self.latch, 0, sizeof self.latch);
    memset(self.counts, 0, sizeof self.counts);
    self.done = avr->cycle;
    look(avr, avr->cycle);
}

void coil_model_catch_up(avr_t *avr) { catch_up_to(avr, avr->cycle); }

bool coil_model_level(int output) { return self.level[output]; }

avr_cycle_count_t coil_model_changed(int output) { return self.changed[output]; }
