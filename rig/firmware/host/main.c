/* The core on a PC.
 *
 *   strikebench_host          lockstep
 *   strikebench_host --free   time runs with the clock
 */
#include <stdio.h>
#include <string.h>

#include "console.h"
#include "model.h"
#include "schedule.h"

static void begin(void) { model_begin(console_report, console_output); }

static void happen(const struct item *item) {
    if (item->what == INPUT) {
        if (!model_input(item->name, item->value)) {
            printf("error no input %s\n", item->name);
        }
    } else if (item->what == RESET) {
        model_reset((uint8_t)item->value);
        console_report("reset", item->value, 0, model_cycles());
    } else {
        model_hang();
    }
}

static void happen_at(struct item item) {
    if (item.cycle <= model_cycles()) {
        happen(&item);
    } else {
        schedule(item);
    }
}

static void run_to(uint64_t end) {
    uint64_t cycle;
    while (schedule_next(&cycle) && cycle <= end) {
        struct item item = schedule_take();
        model_run_to(item.cycle);
        happen(&item);
    }
    model_run_to(end);
}

static void turn(uint64_t cycles, const uint8_t *bytes, size_t count) {
    run_to(cycles); /* in steps, so that no delay of the PC shows */
    model_send(bytes, count);
}

int main(int argc, char **argv) {
    static const struct console_board board = {.begin = begin,
                                               .cycles = model_cycles,
                                               .run_to = run_to,
                                               .send = model_send,
                                               .din = model_din,
                                               .happen_at = happen_at,
                                               .turn = turn};
    console_run(&board, argc > 1 && strcmp(argv[1], "--free") == 0);
    return 0;
}
