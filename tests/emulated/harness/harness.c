/* The controller board emulated: the firmware's real image on libsimavr. For tests alone.
 *
 *   harness IMAGE.hex [EEPROM.hex]          lockstep
 *   harness --free IMAGE.hex [EEPROM.hex]   time runs with the clock
 *
 * Commands and answers are those of rig/firmware/host/console.h; and `overrun UART 0 CYCLE` where a
 * receiver held more bytes than the controller's two.
 *
 * What of the emulator is allowed for: coils are derived (coil_model.h), never read from pin events.
 * Bytes are fed at the wire's rate, each at its end, one at a time, for its FIFO is 64 deep and spaces
 * bytes by when the program reads them. DIN bytes are there 9 bits and 10/16
 * after their start edge, as the receiver samples (from memory), not after 11 bits. Driven inputs are
 * set as external levels, for a write to PORT raises pulled-up ones. Level polling of INTn is
 * switched off. Capture registers are held while they are read. A reset wipes all cycle timers: they are set again. */
#include <inttypes.h>
#include <simavr/avr_eeprom.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_hex.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "coil_model.h"
#include "console.h"
#include "lines.h"
#include "pins.h"
#include "schedule.h"

#define FREQUENCY 16000000u
#define HANG_ADDRESS 0x3F000u /* unused flash, where a hang is put */

static avr_t *avr;
static bool was_reset;
static bool hang;
static uint8_t reset_cause;

static void report_coil(int output, bool level, avr_cycle_count_t cycle) {
    console_report((output == 2) ? "marker" : "coil", output, level, cycle);
}

static void report_overrun(int uart, avr_cycle_count_t cycle) {
    console_report("overrun", uart, 0, cycle);
}

static void report_origin(avr_cycle_count_t cycle) { console_report("origin", 0, 0, cycle); }

/* ---- resets ---- */

static avr_cycle_count_t due(avr_t *of, avr_cycle_count_t when, void *param);

static void set_alarm(void) {
    avr_cycle_count_t cycle;
    avr_cycle_timer_cancel(avr, due, NULL);
    if (schedule_next(&cycle)) {
        avr_cycle_timer_register(avr, (cycle > avr->cycle) ? cycle - avr->cycle : 1, due, NULL);
    }
}

static void (*part_reset)(avr_t *);

static void on_reset(avr_t *of) {
    was_reset = true;
    if (part_reset != NULL) {
        part_reset(of);
    }
}

static void after_reset(void) {
    coil_model_reset(avr);
    pins_reset();
    set_alarm();
    was_reset = false;
}

static void reset_by(uint8_t cause) {
    coil_model_catch_up(avr);
    avr_reset(avr);
    avr->data[0x54] = cause; /* MCUSR */
    console_report("reset", cause, 0, avr->cycle);
}

/* ---- what happens ---- */

static void happen(const struct item *item) {
    switch (item->what) {
    case HOST_BYTE:
        lines_received(0, (uint8_t)item->value);
        break;
    case DIN_BYTE:
        lines_received(1, (uint8_t)item->value);
        break;
    case GIVE:
        lines_retry(item->value);
        break;
    case DIN_LINE:
        pins_drive('L', 0, item->value);
        break;
    case INPUT:
        pins_input(item->name, item->value);
        break;
    case RESET:
        reset_cause = (uint8_t)item->value; /* done between instructions */
        break;
    case HANG:
        hang = true;
        break;
    }
}

static avr_cycle_count_t due(avr_t *of, avr_cycle_count_t when, void *param) {
    (void)when;
    (void)param;
    avr_cycle_count_t cycle = 0;
    while (schedule_next(&cycle) && cycle <= of->cycle) {
        struct item item = schedule_take();
        happen(&item);
        cycle = 0;
    }
    return cycle;
}

static void run_to(avr_cycle_count_t end) {
    avr_run_t plain = avr->run;
    set_alarm();
    while (avr->cycle < end) {
        if (avr->run != plain) { /* the watchdog has struck: it resets in this turn */
            coil_model_catch_up(avr);
            console_report("reset", 8, 0, avr->cycle);
        }
        avr->run_cycle_limit = end - avr->cycle;
        int state = avr_run(avr);
        if (reset_cause != 0) {
            reset_by(reset_cause);
            reset_cause = 0;
        }
        if (was_reset) {
            after_reset();
        }
        if (hang) {
            hang = false;
            avr->pc = HANG_ADDRESS;
            avr->sreg[S_I] = 0;
        }
        if (state == cpu_Done || state == cpu_Crashed) {
            printf("error the emulated controller crashed at %" PRIu64 "\n", avr->cycle);
            fflush(stdout);
            exit(1);
        }
    }
    coil_model_catch_up(avr);
}

/* ---- what the console asks for ---- */

static uint64_t cycles(void) { return avr->cycle; }

static void pass_output(void) {
    static uint8_t sent[65536];
    size_t count = lines_take_sent(sent, sizeof sent);
    if (count > 0) {
        console_output(sent, count);
    }
}

static void send_bytes(const uint8_t *bytes, size_t count) {
    for (size_t i = 0; i < count; i++) {
        lines_from_host(bytes[i]);
    }
}

static void din_bytes(const uint8_t *bytes, size_t count, uint64_t cycle) {
    for (size_t i = 0; i < count; i++) {
        lines_from_din(bytes[i], cycle + i * DIN_BYTE_CYCLES);
    }
}

static void turn(uint64_t target, const uint8_t *bytes, size_t count) {
    send_bytes(bytes, count);
    if (target > avr->cycle + FREQUENCY / 100) {
        /* fallen behind: in slices, so that the host's bytes come in between */
        target = avr->cycle + FREQUENCY / 100;
    }
    run_to(target);
    pass_output();
}

/* ---- the board ---- */

static void quiet(avr_t *of, const int level, const char *format, va_list ap) {
    (void)of;
    (void)level;
    (void)format;
    (void)ap;
}

static void load(const char *image) {
    uint32_t size = 0;
    uint32_t start = 0;
    uint8_t *code = read_ihex_file(image, &size, &start);
    avr = avr_make_mcu_by_name("atmega2560");
    if (code == NULL || avr == NULL) {
        fprintf(stderr, "can't read %s, or the library has no atmega2560\n", image);
        exit(1);
    }
    avr_global_logger_set(quiet);
    avr_init(avr);
    avr->frequency = FREQUENCY;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr_loadcode(avr, code, size, start);
    avr->codeend = avr->flashend;
    avr->flash[HANG_ADDRESS] = 0xFF; /* rjmp to itself */
    avr->flash[HANG_ADDRESS + 1] = 0xCF;
    free(code);
}

/* What was written to the EEPROM before the board was switched on. */
static void load_eeprom(const char *image) {
    uint32_t size = 0;
    uint32_t start = 0;
    uint8_t *bytes = read_ihex_file(image, &size, &start);
    if (bytes == NULL) {
        fprintf(stderr, "can't read %s\n", image);
        exit(1);
    }
    avr_eeprom_desc_t content = {.ee = bytes, .offset = (uint16_t)start, .size = size};
    (void)avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &content); /* says no on success too */
    free(bytes);
}

static void begin(void) {
    lines_begin(avr, report_overrun);
    coil_model_begin(avr, report_coil, report_origin);
    pins_begin(avr);
    part_reset = avr->reset;
    avr->reset = on_reset;
    reset_by(1);
    after_reset();
}

int main(int argc, char **argv) {
    static const struct console_board board = {.begin = begin,
                                               .cycles = cycles,
                                               .run_to = run_to,
                                               .send = send_bytes,
                                               .din = din_bytes,
                                               .happen_at = schedule,
                                               .pass_output = pass_output,
                                               .turn = turn};
    bool free_running = argc > 1 && strcmp(argv[1], "--free") == 0;
    int images = argc - (free_running ? 2 : 1);
    if (images != 1 && images != 2) {
        fprintf(stderr, "usage: harness [--free] IMAGE.hex [EEPROM.hex]\n");
        return 2;
    }
    load(argv[argc - images]);
    if (images == 2) {
        load_eeprom(argv[argc - 1]);
    }
    console_run(&board, free_running);
    return 0;
}
