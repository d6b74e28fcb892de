/* The core on a PC.
 *
 *   strikebench_host          lockstep: time moves by commands on standard input alone
 *   strikebench_host --free   time runs with the clock; the host's line is a pseudo-terminal, whose
 *                             name is printed first
 *
 * Commands, one a line; times in cycles of 62.5 ns since the start, 0 for now:
 *   run CYCLES | send HEX | din CYCLE HEX | input NAME LEVEL CYCLE | reset CAUSE CYCLE | hang CYCLE
 * Each is answered by lines of what happened, then "at CYCLE":
 *   coil N LEVEL CYCLE | marker N LEVEL CYCLE | reset CAUSE 0 CYCLE | host HEX
 *   origin 0 0 CYCLE                            the program's ticks start here
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "model.h"

#define LINE_LONGEST 65536
#define SCHEDULED_MOST 4096
#define SLICE_NS 500000L

struct scheduled {
    uint64_t cycles;
    char kind; /* i input, r reset, h hang */
    char name[16];
    int level;
};

static struct scheduled scheduled[SCHEDULED_MOST];
static size_t scheduled_count;
static int terminal = -1; /* lockstep: none */
static bool free_running;

static void report(const char *what, int which, int level, uint64_t cycles) {
    if (!free_running) {
        printf("%s %d %d %" PRIu64 "\n", what, which, level, cycles);
    }
}

static void output(const uint8_t *bytes, size_t count) {
    if (terminal >= 0) {
        if (write(terminal, bytes, count) < 0 && errno != EAGAIN && errno != EIO) {
            perror("writing to the pseudo-terminal");
        }
        return;
    }
    printf("host ");
    for (size_t i = 0; i < count; i++) {
        printf("%02x", bytes[i]);
    }
    printf("\n");
}

static void do_scheduled(const struct scheduled *item) {
    if (item->kind == 'i') {
        if (!model_input(item->name, item->level)) {
            printf("error no input %s\n", item->name);
        }
    } else if (item->kind == 'r') {
        model_reset((uint8_t)item->level);
        report("reset", item->level, 0, model_cycles());
    } else {
        model_hang();
    }
}

static void run_to(uint64_t end) {
    for (;;) {
        size_t next = scheduled_count;
        for (size_t i = 0; i < scheduled_count; i++) {
            if (scheduled[i].cycles <= end &&
                (next == scheduled_count || scheduled[i].cycles < scheduled[next].cycles)) {
                next = i;
            }
        }
        if (next == scheduled_count) {
            break;
        }
        struct scheduled item = scheduled[next];
        memmove(&scheduled[next], &scheduled[next + 1],
                (scheduled_count - next - 1) * sizeof item);
        scheduled_count--;
        model_run_to(item.cycles);
        do_scheduled(&item);
    }
    model_run_to(end);
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

static void schedule(struct scheduled item) {
    if (item.cycles <= model_cycles()) {
        do_scheduled(&item);
    } else if (scheduled_count < SCHEDULED_MOST) {
        scheduled[scheduled_count++] = item;
    } else {
        printf("error too much scheduled\n");
    }
}

static void command(char *line) {
    static char hex[LINE_LONGEST];
    static uint8_t bytes[LINE_LONGEST / 2];
    struct scheduled item = {0};
    uint64_t cycles;
    if (sscanf(line, "run %" SCNu64, &cycles) == 1) {
        run_to(model_cycles() + cycles);
    } else if (sscanf(line, "send %65535s", hex) == 1) {
        model_send(bytes, from_hex(hex, bytes, sizeof bytes));
    } else if (sscanf(line, "din %" SCNu64 " %65535s", &cycles, hex) == 2) {
        model_din(bytes, from_hex(hex, bytes, sizeof bytes), cycles);
    } else if (sscanf(line, "input %15s %d %" SCNu64, item.name, &item.level, &item.cycles) == 3) {
        item.kind = 'i';
        schedule(item);
    } else if (sscanf(line, "reset %d %" SCNu64, &item.level, &item.cycles) == 2) {
        item.kind = 'r';
        schedule(item);
    } else if (sscanf(line, "hang %" SCNu64, &item.cycles) == 1) {
        item.kind = 'h';
        schedule(item);
    } else {
        printf("error unknown command: %s", line);
    }
    printf("at %" PRIu64 "\n", model_cycles());
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
        run_to((clock_ns() - begin_ns) * 2 / 125); /* in steps, so that no delay of the PC shows */
        if ((inputs[0].revents & POLLIN) != 0) {
            ssize_t count = read(terminal, bytes, sizeof bytes);
            if (count > 0) {
                model_send(bytes, (size_t)count);
            }
        }
        if ((inputs[1].revents & (POLLIN | POLLHUP)) != 0) {
            if (fgets(line, sizeof line, stdin) == NULL) {
                return; /* whoever started it has gone */
            }
            command(line);
        }
    }
}

int main(int argc, char **argv) {
    static char line[LINE_LONGEST];
    setvbuf(stdin, NULL, _IONBF, 0);
    free_running = argc > 1 && strcmp(argv[1], "--free") == 0;
    model_begin(report, output);
    if (free_running) {
        run_freely();
        return 0;
    }
    setvbuf(stdin, NULL, _IOFBF, LINE_LONGEST);
    while (fgets(line, sizeof line, stdin) != NULL) {
        command(line);
    }
    return 0;
}
