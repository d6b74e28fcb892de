/* Random hosts, wires and faults against the core: whatever comes, its promises hold.
 *
 * Each case is a script: one byte what to do, then its arguments. Well-formed frames are made here, so
 * that cases get past the checksum; raw bytes come in between.
 */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bytes.h"
#include "core.h"
#include "frame.h"
#include "hal.h"
#include "machine.h"
#include "model.h"
#include "requests.h"

#define CYCLES_PER_TICK 8u
#define OUTPUTS 3

static int high[OUTPUTS];
static uint64_t risen[OUTPUTS];
static int closed[2];
static const uint8_t *script;
static size_t left;

static void promise(int kept, const char *what) {
    if (!kept) {
        fprintf(stderr, "broken: %s at cycle %llu\n", what, (unsigned long long)model_cycles());
        abort();
    }
}

static void report(const char *what, int output, int level, uint64_t cycles) {
    if (strcmp(what, "coil") != 0 && strcmp(what, "marker") != 0) {
        return;
    }
    promise(high[output] != level, "edges alternate");
    high[output] = level;
    if (level) {
        promise(closed[0] && closed[1], "nothing is struck with an interlock open");
        if (output < (int)COILS && risen[output] != 0) {
            promise(cycles - risen[output] >= HARD_LEAST_GAP_TICKS * (uint64_t)CYCLES_PER_TICK,
                    "least gap");
        }
        risen[output] = cycles;
    } else {
        promise(cycles - risen[output] <= HARD_LONGEST_PULSE_TICKS * (uint64_t)CYCLES_PER_TICK,
                "longest pulse");
    }
}

static void output(const uint8_t *bytes, size_t count) {
    struct frame_reader reader;
    promise(whole_frame(&reader, bytes, count), "one whole frame a reply");
}

static uint8_t next(void) {
    if (left == 0) {
        return 0;
    }
    left--;
    return *script++;
}

static void request(uint8_t type, const uint8_t *body, uint8_t length) {
    uint8_t encoded[FRAME_ENCODED_LONGEST];
    model_send(encoded, request_frame(type, body, length, encoded));
    model_run_to(model_cycles() + 16000u * 5u);
}

static void make_armed(void) {
    uint8_t body[AGREE_BYTES];
    agree_to_most(body);
    model_run_to(model_cycles() + 16000u * 55u);
    request(MSG_AGREE, body, sizeof body);
    request(MSG_READY, body, 0);
    request(MSG_ARM, body, BODY_ARM);
}

static void load(void) {
    uint8_t body[BODY_LOAD + 8 * RECORD_LOAD];
    uint8_t count = next() % 9u;
    uint32_t start = (uint32_t)hal_ticks() + 12000u;
    body[0] = count;
    for (uint8_t i = 0; i < count; i++) {
        uint8_t *at = body + BODY_LOAD + i * RECORD_LOAD;
        start += next() * 150u;
        (void)put_u16(put_u32(at, start), (uint16_t)(next() * 256u + 9u));
        uint8_t coil = next() % 4u;
        at[6] = (coil == 3u) ? NO_COIL : coil;
    }
    request(MSG_LOAD, body, (uint8_t)(BODY_LOAD + count * RECORD_LOAD));
}

static void change_input(void) {
    static const char *const names[] = {"estop",    "guard",    "supply", "impact", "current0",
                                        "current1", "bridge",   "stall",  "heat0",  "lost"};
    uint8_t which = next() % 10u;
    int level = next();
    if (which < 2) {
        level &= 1;
        closed[which] = level;
    } else if (which == 2) {
        level *= 150;
    } else if (which == 4 || which == 5) {
        level %= 3;
    } else if (which == 7) {
        level %= (int)RULE_WATCHDOG_MS;
    }
    (void)model_input(names[which], level);
}

static void step(void) {
    uint8_t bytes[RULE_FRAME_LONGEST_BYTES];
    uint8_t count;
    switch (next() % 12u) {
    case 0:
        make_armed();
        break;
    case 1:
    case 2:
        load();
        break;
    case 3:
        (void)put_u32(bytes, next());
        request(MSG_BEGIN, bytes, BODY_BEGIN);
        break;
    case 4:
        change_input();
        break;
    case 5:
        request((uint8_t)(next() % 16u), bytes, 0);
        break;
    case 6:
        count = next() % 60u;
        for (uint8_t i = 0; i < count; i++) {
            bytes[i] = next();
        }
        model_send(bytes, count);
        break;
    case 7:
        count = next() % 60u;
        for (uint8_t i = 0; i < count; i++) {
            bytes[i] = next();
        }
        request(next(), bytes, count);
        break;
    case 8:
        bytes[0] = next();
        model_din(bytes, 1, model_cycles() + 8u * next());
        break;
    case 9:
        if (next() > 200u) {
            model_reset((uint8_t)(1u << (next() % 4u)));
        }
        break;
    case 10:
        if (next() > 200u) {
            model_hang();
        }
        break;
    default:
        model_run_to(model_cycles() + 1600u * (uint64_t)next());
        break;
    }
    for (unsigned coil = 0; coil < COILS; coil++) {
        promise(!high[coil] || (closed[0] && closed[1]), "coils are off with an interlock open");
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    memset(high, 0, sizeof high);
    memset(risen, 0, sizeof risen);
    closed[0] = closed[1] = 1;
    request_seq = 0;
    script = data;
    left = size;
    model_begin(report, output);
    for (int steps = 0; left > 0 && steps < 60; steps++) {
        step();
    }
    model_run_to(model_cycles() + 16000u * 80u);
    promise(machine_state() <= STATE_TRIPPED, "a state of the table");
    return 0;
}
