/* The controller board emulated: the firmware's real image on libsimavr. For tests alone.
 *
 *   harness IMAGE.hex          lockstep: time moves by commands on standard input alone
 *   harness --free IMAGE.hex   time runs with the clock; the host's line is a pseudo-terminal, whose
 *                              name is printed first
 *
 * Commands and answers are those of rig/firmware/host/main.c, times in cycles of 62.5 ns; and
 * `overrun UART 0 CYCLE` where a receiver held more bytes than the controller's two.
 *
 * What of the emulator is allowed for: coils are derived (coil_model.h), never read from pin events.
 * Bytes are fed at the wire's rate, each at its end, one at a time, for its FIFO is 64 deep and spaces
 * bytes by when the program reads them. DIN bytes are there 9 bits and 10/16
 * after their start edge, as the receiver samples (from memory), not after 11 bits. Driven inputs are
 * set as external levels, for a write to PORT raises pulled-up ones. Level polling of INTn is
 * switched off. Capture registers are held while they are read. A reset wipes all cycle timers: they are set again. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <simavr/avr_eeprom.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_hex.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "coil_model.h"
#include "lines.h"
#include "pins.h"
#include "schedule.h"

#define LINE_LONGEST 65536
#define SLICE_NS 500000L

#define FREQUENCY 16000000u
#define HANG_ADDRESS 0x3F000u /* unused flash, where a hang is put */

static avr_t *avr;
static bool was_reset;
static bool hang;
static uint8_t reset_cause;
static int terminal = -1; /* lockstep: none */
static bool free_running;

static void report(const char *what, int which, int level, avr_cycle_count_t cycle) {
    if (!free_running) {
        printf("%s %d %d %" PRIu64 "\n", what, which, level, cycle);
    }
}

static void report_coil(int output, bool level, avr_cycle_count_t cycle) {
    report((output == 2) ? "marker" : "coil", output, level, cycle);
}

static void report_overrun(int uart, avr_cycle_count_t cycle) {
    report("overrun", uart, 0, cycle);
}

static void report_origin(avr_cycle_count_t cycle) { report("origin", 0, 0, cycle); }

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
    report("reset", cause, 0, avr->cycle);
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
            report("reset", 8, 0, avr->cycle);
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

/* ---- commands ---- */

static void pass_output(void) {
    static uint8_t sent[65536];
    size_t count = lines_take_sent(sent, sizeof sent);
    if (count == 0) {
        return;
    }
    if (terminal >= 0) {
        if (write(terminal, sent, count) < 0 && errno != EAGAIN && errno != EIO) {
            perror("writing to the pseudo-terminal");
        }
        return;
    }
    printf("host ");
    for (size_t i = 0; i < count; i++) {
        printf("%02x", sent[i]);
    }
    printf("\n");
}

static size_t from_hex(const char *text, uint8_t *bytes, size_t most) {
    size_t count = 0;
    unsigned value;
    while (count < most && sscanf(text, "%2x", &value) == 1) {
        bytes[count++] = (uint8_t)value;
        text += 2;
    }
    return count;
}

static void command(const char *line) {
    static char hex[LINE_LONGEST];
    static uint8_t bytes[LINE_LONGEST / 2];
    struct item item = {0};
    uint64_t cycle = 0;
    if (sscanf(line, "run %" SCNu64, &cycle) == 1) {
        run_to(avr->cycle + cycle);
    } else if (sscanf(line, "send %65535s", hex) == 1) {
        size_t count = from_hex(hex, bytes, sizeof bytes);
        for (size_t i = 0; i < count; i++) {
            lines_from_host(bytes[i]);
        }
    } else if (sscanf(line, "din %" SCNu64 " %65535s", &cycle, hex) == 2) {
        size_t count = from_hex(hex, bytes, sizeof bytes);
        for (size_t i = 0; i < count; i++) {
            lines_from_din(bytes[i], cycle + i * DIN_BYTE_CYCLES);
        }
    } else if (sscanf(line, "input %9s %d %" SCNu64, item.name, &item.value, &cycle) == 3) {
        item.what = INPUT;
        item.cycle = cycle;
        schedule(item);
    } else if (sscanf(line, "reset %d %" SCNu64, &item.value, &cycle) == 2) {
        item.what = RESET;
        item.cycle = cycle;
        schedule(item);
    } else if (sscanf(line, "hang %" SCNu64, &cycle) == 1) {
        item.what = HANG;
        item.cycle = cycle;
        schedule(item);
    } else {
        printf("error unknown command: %s", line);
    }
    pass_output();
    printf("at %" PRIu64 "\n", avr->cycle);
    fflush(stdout);
}

static int open_terminal(void) {
    int main_end = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (main_end < 0 || grantpt(main_end) != 0 || unlockpt(main_end) != 0) {
        perror("opening a pseudo-terminal");
        exit(1);
    }
    /* held open, so that a host that comes and goes raises no hang-up */
    int other_end = open(ptsname(main_end), O_RDWR | O_NOCTTY);
    struct termios raw;
    if (other_end < 0 || tcgetattr(other_end, &raw) != 0) {
        perror("opening the pseudo-terminal's other end");
        exit(1);
    }
    cfmakeraw(&raw);
    (void)tcsetattr(other_end, TCSANOW, &raw);
    printf("pty %s\n", ptsname(main_end));
    fflush(stdout);
    return main_end;
}

static uint64_t clock_ns(void) {
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

static void run_freely(void) {
    static char line[LINE_LONGEST];
    uint8_t bytes[1024];
    terminal = open_terminal();
    uint64_t begin_ns = clock_ns();
    for (;;) {
        struct pollfd inputs[] = {{.fd = terminal, .events = POLLIN},
                                  {.fd = STDIN_FILENO, .events = POLLIN}};
        struct timespec slice = {0, SLICE_NS};
        (void)ppoll(inputs, 2, &slice, NULL);
        if ((inputs[0].revents & POLLIN) != 0) {
            ssize_t count = read(terminal, bytes, sizeof bytes);
            for (ssize_t i = 0; i < count; i++) {
                lines_from_host(bytes[i]);
            }
        }
        uint64_t target = (clock_ns() - begin_ns) * 2 / 125;
        if (target > avr->cycle + FREQUENCY / 100) {
            /* fallen behind: in slices, so that the host's bytes come in between */
            target = avr->cycle + FREQUENCY / 100;
        }
        run_to(target);
        pass_output();
        if ((inputs[1].revents & (POLLIN | POLLHUP)) != 0) {
            if (fgets(line, sizeof line, stdin) == NULL) {
                return; /* whoever started it has gone */
            }
            command(line);
        }
    }
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
    static char line[LINE_LONGEST];
    free_running = argc > 1 && strcmp(argv[1], "--free") == 0;
    int images = argc - (free_running ? 2 : 1);
    if (images != 1 && images != 2) {
        fprintf(stderr, "usage: harness [--free] IMAGE.hex [EEPROM.hex]\n");
        return 2;
    }
    load(argv[argc - images]);
    if (images == 2) {
        load_eeprom(argv[argc - 1]);
    }
    begin();
    if (free_running) {
        setvbuf(stdin, NULL, _IONBF, 0);
        run_freely();
        return 0;
    }
    while (fgets(line, sizeof line, stdin) != NULL) {
        command(line);
    }
    return 0;
}
