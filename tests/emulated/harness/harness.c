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
#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_hex.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "coil_model.h"

DEFINE_FIFO(uint16_t, uart_fifo);

#define LINE_LONGEST 65536
#define ITEMS_MOST 65536
#define SLICE_NS 500000L

#define FREQUENCY 16000000u
#define HOST_BYTE_CYCLES 160u  /* 1,000,000 baud, 10 bits */
#define DIN_BIT_CYCLES 512u    /* 31,250 baud */
#define DIN_RECEIVED_CYCLES (9u * DIN_BIT_CYCLES + DIN_BIT_CYCLES * 10u / 16u)
#define FIFO_CYCLES 16u        /* from handing a byte over to its flag */
#define SENSE_EVERY_CYCLES 800u
#define RISE_CYCLES 3200u      /* current shows 200 us after a coil goes on */
#define FALL_CYCLES 16000u     /* and is gone 1 ms after it goes off */
#define HANG_ADDRESS 0x3F000u  /* unused flash, where a hang is put */
#define SUPPLY_DIVIDER 11u

#define RETRY_CYCLES 16u
#define RECEIVED_MOST 2        /* bytes that the controller's receiver holds */

enum what { HOST_BYTE, DIN_BYTE, DIN_LINE, GIVE, INPUT, RESET, HANG };

struct item {
    avr_cycle_count_t cycle;
    uint32_t order; /* of equal cycles: as they were scheduled */
    enum what what;
    int value;
    char name[10];
};

static avr_t *avr;
static avr_uart_t *uarts[2];
static struct item heap[ITEMS_MOST];
static int items;
static uint32_t ordered;
static avr_cycle_count_t host_free; /* the line from the host is taken up to here */
static bool estop_closed = true;
static bool guard_closed = true;
static int supply_mv = 24000;
static int forced_current[2] = {2, 2};
static bool was_reset;
static bool hang;
static uint8_t reset_cause;
static int terminal = -1; /* lockstep: none */
static bool free_running;
static uint8_t sent[65536];
static size_t sent_count;

static void report(const char *what, int which, int level, avr_cycle_count_t cycle) {
    if (!free_running) {
        printf("%s %d %d %" PRIu64 "\n", what, which, level, cycle);
    }
}

static void report_coil(int output, bool level, avr_cycle_count_t cycle) {
    report((output == 2) ? "marker" : "coil", output, level, cycle);
}

static void report_origin(avr_cycle_count_t cycle) { report("origin", 0, 0, cycle); }

/* ---- what is scheduled: a heap, earliest first ---- */

static bool before(const struct item *a, const struct item *b) {
    return a->cycle < b->cycle || (a->cycle == b->cycle && a->order < b->order);
}

static avr_cycle_count_t due(avr_t *of, avr_cycle_count_t when, void *param);

static void push(struct item item) {
    if (items == ITEMS_MOST) {
        printf("error too much scheduled\n");
        return;
    }
    item.order = ordered++;
    int at = items++;
    while (at > 0 && before(&item, &heap[(at - 1) / 2])) {
        heap[at] = heap[(at - 1) / 2];
        at = (at - 1) / 2;
    }
    heap[at] = item;
}

static struct item pop(void) {
    struct item first = heap[0];
    struct item last = heap[--items];
    int at = 0;
    for (int child = 1; child < items; child = 2 * at + 1) {
        if (child + 1 < items && before(&heap[child + 1], &heap[child])) {
            child++;
        }
        if (!before(&heap[child], &last)) {
            break;
        }
        heap[at] = heap[child];
        at = child;
    }
    heap[at] = last;
    return first;
}

static void set_alarm(void) {
    avr_cycle_timer_cancel(avr, due, NULL);
    if (items > 0) {
        avr_cycle_count_t cycle = heap[0].cycle;
        avr_cycle_timer_register(avr, (cycle > avr->cycle) ? cycle - avr->cycle : 1, due, NULL);
    }
}

/* ---- pins ---- */

static void drive(char port, int pin, int level) {
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
    drive('E', 4, !estop_closed || feed);
    drive('E', 5, !guard_closed);
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
        if (flows != driven[coil] || was_reset) {
            driven[coil] = flows;
            drive('A', coil, flows);
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

/* ---- resets ---- */

static void (*part_reset)(avr_t *);

static void on_reset(avr_t *of) {
    was_reset = true;
    if (part_reset != NULL) {
        part_reset(of);
    }
}

static void after_reset(void) {
    coil_model_reset(avr);
    for (uint8_t i = 0; i < EXTINT_COUNT; i++) {
        avr_extint_set_strict_lvl_trig(avr, i, 0);
    }
    drive_interlocks();
    drive_supply();
    drive('L', 0, 1);
    drive('L', 1, 0);
    (void)sense(avr, avr->cycle, NULL);
    avr_cycle_timer_register(avr, SENSE_EVERY_CYCLES, sense, NULL);
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

/* Bytes that have come in, and that the program has not read: one at the emulator, the others here,
 * for it loses track of bytes that are read faster than it likes. */
static struct {
    uint8_t bytes[RECEIVED_MOST];
    int count;
    bool retrying;
} received[2];

static void give(int uart) {
    static const char names[2] = {'0', '1'};
    received[uart].retrying = false;
    if (received[uart].count == 0) {
        return;
    }
    if (!uart_fifo_isempty(&uarts[uart]->input)) {
        received[uart].retrying = true;
        push((struct item){.cycle = avr->cycle + RETRY_CYCLES, .what = GIVE, .value = uart});
        return;
    }
    uint8_t byte = received[uart].bytes[0];
    received[uart].bytes[0] = received[uart].bytes[1];
    received[uart].count--;
    uarts[uart]->cycles_per_byte = FIFO_CYCLES; /* the byte has come in already */
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ((uint32_t)names[uart]), UART_IRQ_INPUT),
                  byte);
    uarts[uart]->cycles_per_byte = HOST_BYTE_CYCLES; /* what goes out takes its time */
    if (received[uart].count > 0) {
        give(uart);
    }
}

static void receive_byte(int uart, uint8_t byte) {
    if (received[uart].count == RECEIVED_MOST) {
        report("overrun", uart, 0, avr->cycle);
        return;
    }
    received[uart].bytes[received[uart].count++] = byte;
    if (!received[uart].retrying) {
        give(uart);
    }
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

static void set_input(const char *name, int level) {
    if (strcmp(name, "estop") == 0) {
        estop_closed = level != 0;
        drive_interlocks();
    } else if (strcmp(name, "bridge") == 0) {
        drive('E', 4, 0); /* the loop's end to ground, whatever its feed does */
        avr->io[AVR_DATA_TO_IO(PORTE_ADDRESS)].w.c = (level != 0) ? porte_before : porte_written;
        avr->io[AVR_DATA_TO_IO(PORTE_ADDRESS)].w.param = (level != 0) ? porte_param : NULL;
    } else if (strcmp(name, "guard") == 0) {
        guard_closed = level != 0;
        drive_interlocks();
    } else if (strcmp(name, "supply") == 0) {
        supply_mv = level;
        drive_supply();
    } else if (strcmp(name, "impact") == 0) {
        drive('L', 1, level != 0);
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

static void happen(const struct item *item) {
    switch (item->what) {
    case HOST_BYTE:
        receive_byte(0, (uint8_t)item->value);
        break;
    case DIN_BYTE:
        receive_byte(1, (uint8_t)item->value);
        break;
    case GIVE:
        give(item->value);
        break;
    case DIN_LINE:
        drive('L', 0, item->value);
        break;
    case INPUT:
        set_input(item->name, item->value);
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
    while (items > 0 && heap[0].cycle <= of->cycle) {
        struct item item = pop();
        happen(&item);
    }
    return (items > 0) ? heap[0].cycle : 0;
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

static void on_output(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    (void)param;
    if (sent_count < sizeof sent) {
        sent[sent_count++] = (uint8_t)value;
    }
}

static void pass_output(void) {
    if (sent_count == 0) {
        return;
    }
    if (terminal >= 0) {
        if (write(terminal, sent, sent_count) < 0 && errno != EAGAIN && errno != EIO) {
            perror("writing to the pseudo-terminal");
        }
    } else {
        printf("host ");
        for (size_t i = 0; i < sent_count; i++) {
            printf("%02x", sent[i]);
        }
        printf("\n");
    }
    sent_count = 0;
}

static void send_byte(uint8_t byte) {
    if (host_free < avr->cycle) {
        host_free = avr->cycle;
    }
    host_free += HOST_BYTE_CYCLES;
    push((struct item){.cycle = host_free - FIFO_CYCLES, .what = HOST_BYTE, .value = byte});
}

static void din_byte(uint8_t byte, avr_cycle_count_t start) {
    int frame = (byte << 1) | 0x200; /* start bit 0, eight data bits, stop bit 1 */
    int level = 1;
    for (unsigned bit = 0; bit < 10; bit++) {
        int next = (frame >> bit) & 1;
        if (next != level) {
            level = next;
            push((struct item){
                .cycle = start + bit * DIN_BIT_CYCLES, .what = DIN_LINE, .value = level});
        }
    }
    push((struct item){
        .cycle = start + DIN_RECEIVED_CYCLES - FIFO_CYCLES, .what = DIN_BYTE, .value = byte});
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
            send_byte(bytes[i]);
        }
    } else if (sscanf(line, "din %" SCNu64 " %65535s", &cycle, hex) == 2) {
        size_t count = from_hex(hex, bytes, sizeof bytes);
        for (size_t i = 0; i < count; i++) {
            din_byte(bytes[i], cycle + i * 10 * DIN_BIT_CYCLES);
        }
    } else if (sscanf(line, "input %9s %d %" SCNu64, item.name, &item.value, &cycle) == 3) {
        item.what = INPUT;
        item.cycle = cycle;
        push(item);
    } else if (sscanf(line, "reset %d %" SCNu64, &item.value, &cycle) == 2) {
        item.what = RESET;
        item.cycle = cycle;
        push(item);
    } else if (sscanf(line, "hang %" SCNu64, &cycle) == 1) {
        item.what = HANG;
        item.cycle = cycle;
        push(item);
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
                send_byte(bytes[i]);
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
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "uart") == 0) {
            avr_uart_t *uart = (avr_uart_t *)io;
            if (uart->name == '0' || uart->name == '1') {
                uarts[uart->name - '0'] = uart;
            }
        }
    }
    for (char name = '0'; name <= '1'; name++) {
        uint32_t flags = 0;
        avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS((uint32_t)name), &flags);
    }
    avr_irq_register_notify(
        avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ((uint32_t)'0'), UART_IRQ_OUTPUT), on_output, NULL);
    coil_model_begin(avr, report_coil, report_origin);
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
