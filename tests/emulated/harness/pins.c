#include "pins.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "coil_model.h"

#define SENSE_EVERY_CYCLES 800u
#define RISE_CYCLES 3200u  /* current shows 200 us after a coil goes on */
#define FALL_CYCLES 16000u /* and is gone 1 ms after it goes off */
#define SUPPLY_DIVIDER 11u

static avr_t *avr;
static bool estop_closed = true;
static bool guard_closed = true;
static int supply_mv = 24000;
static int forced_current[2] = {2, 2};
static bool drive_anew;

void pins_drive(char port, int pin, int level) {
    static uint8_t masks[26];
    static uint8_t values[26];
    uint8_t bit = (uint8_t)(1u << pin);
    masks[port - 'A'] |= bit;
    values[port - 'A'] = (uint8_t)((values[port - 'A'] & ~bit) | (level ? bit : 0));
    avr_ioport_external_t external = {
        .name = (unsigned char)port, .mask = masks[port - 'A'], .value = values[port - 'A']};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL((uint32_t)port), &external);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ((uint32_t)port), pin), (uint32_t)level);
}

#define PORTE_ADDRESS 0x2E
#define LOOP_FEED (1u << 3)

static void drive_interlocks(void) {
    /* the e-stop loop carries its feed to its end while closed; pull-ups do the rest */
    bool feed = (avr->data[PORTE_ADDRESS] & LOOP_FEED) != 0;
    pins_drive('E', 4, !estop_closed || feed);
    pins_drive('E', 5, !guard_closed);
}

static void drive_supply(void) {
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0),
                  (uint32_t)supply_mv / SUPPLY_DIVIDER);
}

static avr_cycle_count_t sense(avr_t *of, avr_cycle_count_t when, void *param) {
    (void)param;
    coil_model_catch_up(of);
    for (int coil = 0; coil < 2; coil++) {
        avr_cycle_count_t changed = coil_model_changed(coil);
        avr_cycle_count_t since = of->cycle - changed;
        int flows = coil_model_level(coil) ? since >= RISE_CYCLES
                                           : changed != 0 && since < FALL_CYCLES;
        static int driven[2] = {-1, -1};
        if (forced_current[coil] != 2) {
            flows = forced_current[coil];
        }
        if (flows != driven[coil] || drive_anew) {
            driven[coil] = flows;
            pins_drive('A', coil, flows);
        }
    }
    return when + SENSE_EVERY_CYCLES;
}

static avr_io_write_t porte_before;
static void *porte_param;

static void porte_written(avr_t *of, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    porte_before(of, address, value, porte_param);
    drive_interlocks();
}

/* Reading a capture register's low byte holds its high byte, so that a capture between the two
 * tears nothing. The emulator leaves that out, and keeps what a read gave: so what a capture between
 * the two wrote is put back before the next read. */
static const avr_io_addr_t capture_low[2] = {0xA6, 0x126};
static struct {
    uint8_t high; /* held */
    uint8_t low;  /* at the last read of the high byte */
    uint8_t true_high;
    bool kept; /* the emulator holds `high` in place of `true_high` */
} held[2];

static uint8_t capture_low_read(avr_t *of, avr_io_addr_t address, void *param) {
    long which = (long)param;
    if (held[which].kept && of->data[address] == held[which].low &&
        of->data[address + 1] == held[which].high) {
        of->data[address + 1] = held[which].true_high;
    }
    held[which].kept = false;
    held[which].high = of->data[address + 1];
    return of->data[address];
}

static uint8_t capture_high_read(avr_t *of, avr_io_addr_t address, void *param) {
    long which = (long)param;
    held[which].kept = true;
    held[which].low = of->data[address - 1];
    held[which].true_high = of->data[address];
    return held[which].high;
}

/* The program's memory that a reset leaves begins with a magic number; the heat of coil 0 follows. */
static void overwrite_heat(uint32_t ticks) {
    static const uint8_t magic[] = {0x17, 0xCE, 0x0A, 0x5B};
    for (uint16_t at = 0x200; at + 8u <= avr->ramend; at++) {
        if (memcmp(avr->data + at, magic, sizeof magic) == 0) {
            memcpy(avr->data + at + sizeof magic, &ticks, sizeof ticks);
            return;
        }
    }
    printf("error the program's memory is not found\n");
}

void pins_input(const char *name, int level) {
    if (strcmp(name, "estop") == 0) {
        estop_closed = level != 0;
        drive_interlocks();
    } else if (strcmp(name, "bridge") == 0) {
        pins_drive('E', 4, 0); /* the loop's end to ground, whatever its feed does */
        avr->io[AVR_DATA_TO_IO(PORTE_ADDRESS)].w.c = (level != 0) ? porte_before : porte_written;
        avr->io[AVR_DATA_TO_IO(PORTE_ADDRESS)].w.param = (level != 0) ? porte_param : NULL;
    } else if (strcmp(name, "guard") == 0) {
        guard_closed = level != 0;
        drive_interlocks();
    } else if (strcmp(name, "supply") == 0) {
        supply_mv = level;
        drive_supply();
    } else if (strcmp(name, "impact") == 0) {
        pins_drive('L', 1, level != 0);
    } else if (strcmp(name, "current0") == 0) {
        forced_current[0] = level;
    } else if (strcmp(name, "current1") == 0) {
        forced_current[1] = level;
    } else if (strcmp(name, "heat0") == 0) {
        overwrite_heat((uint32_t)level * 1000u);
    } else {
        printf("error no input %s\n", name);
    }
}

void pins_reset(void) {
    for (uint8_t i = 0; i < EXTINT_COUNT; i++) {
        avr_extint_set_strict_lvl_trig(avr, i, 0);
    }
    drive_interlocks();
    drive_supply();
    pins_drive('L', 0, 1);
    pins_drive('L', 1, 0);
    drive_anew = true;
    (void)sense(avr, avr->cycle, NULL);
    drive_anew = false;
    avr_cycle_timer_register(avr, SENSE_EVERY_CYCLES, sense, NULL);
}

void pins_begin(avr_t *of) {
    avr = of;
    int at = AVR_DATA_TO_IO(PORTE_ADDRESS);
    porte_before = avr->io[at].w.c;
    porte_param = avr->io[at].w.param;
    avr->io[at].w.c = porte_written;
    avr->io[at].w.param = NULL;
    for (long which = 0; which < 2; which++) {
        avr_register_io_read(avr, capture_low[which], capture_low_read, (void *)which);
        avr_register_io_read(avr, (avr_io_addr_t)(capture_low[which] + 1), capture_high_read,
                             (void *)which);
    }
}
