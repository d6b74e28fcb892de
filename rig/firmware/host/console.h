/* A board in a process, driven by commands on standard input.
 *
 *   lockstep   time moves by commands alone
 *   free       time runs with the clock; the host's line is a pseudo-terminal, whose name is printed
 *              first
 *
 * Commands, one a line; times in cycles of 62.5 ns since the start, 0 for now:
 *   run CYCLES | send HEX | din CYCLE HEX | input NAME LEVEL CYCLE | reset CAUSE CYCLE | hang CYCLE
 * Each is answered by lines of what happened, then "at CYCLE":
 *   coil N LEVEL CYCLE | marker N LEVEL CYCLE | reset CAUSE 0 CYCLE | host HEX
 *   origin 0 0 CYCLE                            the program's ticks start here
 */
#ifndef CONSOLE_H
#define CONSOLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "schedule.h"

/* What the commands are done by. */
struct console_board {
    void (*begin)(void);
    uint64_t (*cycles)(void);
    void (*run_to)(uint64_t cycles);
    void (*send)(const uint8_t *bytes, size_t count);
    void (*din)(const uint8_t *bytes, size_t count, uint64_t cycles);
    void (*happen_at)(struct item item);
    void (*pass_output)(void); /* before each answer ends; NULL: output is passed as it comes */
    /* free running: bytes of the host have come (or none), and the clock stands at these cycles */
    void (*turn)(uint64_t cycles, const uint8_t *bytes, size_t count);
};

void console_run(const struct console_board *board, bool free_running); /* to the input's end */
void console_report(const char *what, int which, int level, uint64_t cycles);
void console_output(const uint8_t *bytes, size_t count); /* of the board, to the host */

#endif
