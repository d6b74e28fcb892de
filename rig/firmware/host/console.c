#define _GNU_SOURCE
#include "console.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define LINE_LONGEST 65536
#define SLICE_NS 500000L

static const struct console_board *board;
static int terminal = -1; /* lockstep: none */
static bool free_running;

void console_report(const char *what, int which, int level, uint64_t cycles) {
    if (!free_running) {
        printf("%s %d %d %" PRIu64 "\n", what, which, level, cycles);
    }
}

void console_output(const uint8_t *bytes, size_t count) {
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
    uint64_t cycles;
    if (sscanf(line, "run %" SCNu64, &cycles) == 1) {
        board->run_to(board->cycles() + cycles);
    } else if (sscanf(line, "send %65535s", hex) == 1) {
        board->send(bytes, from_hex(hex, bytes, sizeof bytes));
    } else if (sscanf(line, "din %" SCNu64 " %65535s", &cycles, hex) == 2) {
        board->din(bytes, from_hex(hex, bytes, sizeof bytes), cycles);
    } else if (sscanf(line, "input %15s %d %" SCNu64, item.name, &item.value, &item.cycle) == 3) {
        item.what = INPUT;
        board->happen_at(item);
    } else if (sscanf(line, "reset %d %" SCNu64, &item.value, &item.cycle) == 2) {
        item.what = RESET;
        board->happen_at(item);
    } else if (sscanf(line, "hang %" SCNu64, &item.cycle) == 1) {
        item.what = HANG;
        board->happen_at(item);
    } else {
        printf("error unknown command: %s", line);
    }
    if (board->pass_output != NULL) {
        board->pass_output();
    }
    printf("at %" PRIu64 "\n", board->cycles());
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
        ssize_t count = 0;
        if ((inputs[0].revents & POLLIN) != 0) {
            count = read(terminal, bytes, sizeof bytes);
        }
        board->turn((clock_ns() - begin_ns) * 2 / 125, bytes, (count > 0) ? (size_t)count : 0);
        if ((inputs[1].revents & (POLLIN | POLLHUP)) != 0) {
            if (fgets(line, sizeof line, stdin) == NULL) {
                return; /* whoever started it has gone */
            }
            command(line);
        }
    }
}

void console_run(const struct console_board *of, bool freely) {
    static char line[LINE_LONGEST];
    board = of;
    free_running = freely;
    board->begin();
    if (free_running) {
        setvbuf(stdin, NULL, _IONBF, 0); /* or a line read ahead would hide from the poll */
        run_freely();
        return;
    }
    while (fgets(line, sizeof line, stdin) != NULL) {
        command(line);
    }
}
