/* Framing and requests alone, many thousand cases a second: whatever stands in a frame, the answer is
 * one whole frame of the right kind, within the hard limits.
 *
 * A case: one byte whether the board is armed first; then pieces, each a kind, a length and so many
 * bytes. Even kinds are well-formed requests of that type, so that cases get past the checksum; odd
 * ones go on the line as they are, or let so many milliseconds pass. The board under the core is the
 * least that will do: everything is closed, every pulse is taken.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bytes.h"
#include "core.h"
#include "frame.h"
#include "hal.h"
#include "machine.h"
#include "requests.h"
#include "ticks.h"

#define TURN_TICKS 20u
#define LINE_BYTES 1024u

static uint8_t asked;     /* type of the request that is to be answered; 0xFF: unknown, of raw bytes */
static unsigned answered; /* replies since the last request */
static uint64_t now;
static struct kept kept;
static struct {
    uint8_t bytes[LINE_BYTES];
    size_t put, take;
} line;

static void promise(int kept, const char *what) {
    if (!kept) {
        fprintf(stderr, "broken: %s, request %u\n", what, asked);
        abort();
    }
}

static uint8_t reply_to(uint8_t type) {
    switch (type) {
    case MSG_HELLO:
        return MSG_IDENTITY;
    case MSG_AGREE:
        return MSG_AGREED;
    case MSG_STATUS:
        return MSG_STANDING;
    case MSG_LOAD:
        return MSG_LOADED;
    case MSG_POLL:
        return MSG_EVENTS;
    case MSG_CLOCK:
        return MSG_TICKS;
    default:
        return MSG_DONE;
    }
}

static void check_limits(const uint8_t *body) {
    promise(get_u32(body) <= HARD_ARMED_MS && get_u32(body + 4) <= HARD_HOST_SILENCE_MS &&
                get_u32(body + 8) <= HARD_HORIZON_MS &&
                get_u16(body + 12) >= HARD_SUPPLY_LEAST_MV &&
                get_u16(body + 14) <= HARD_SUPPLY_MOST_MV,
            "limits of the board within the hard ones");
    for (unsigned coil = 0; coil < COILS; coil++) {
        const uint8_t *own = body + BODY_AGREED + coil * RECORD_AGREED;
        promise(get_u32(own) <= HARD_LONGEST_PULSE_TICKS &&
                    get_u32(own + 4) >= HARD_LEAST_GAP_TICKS &&
                    get_u32(own + 8) >= HARD_HEAT_TIME_CONSTANT_LEAST_MS &&
                    get_u32(own + 12) <= HARD_HEAT_BUDGET_TICKS &&
                    get_u32(own + 12) / HARD_HEAT_TICKS_PER_TIME_CONSTANT_MS <= get_u32(own + 8),
                "limits of a coil within the hard ones");
    }
}

static void output(const uint8_t *bytes, size_t count) {
    struct frame_reader reader;
    promise(whole_frame(&reader, bytes, count), "one whole frame a reply");
    answered++;
    uint8_t type = reader.content[1];
    const uint8_t *body = reader.content + 2;
    promise(machine_state() <= STATE_TRIPPED, "a state of the table");
    if (type == MSG_AGREED) {
        check_limits(body);
    } else if (type == MSG_DONE) {
        promise(body[0] <= REFUSAL_NOTHING_LOADED && body[1] == machine_state(), "done is whole");
    } else if (type == MSG_LOADED) {
        promise(get_u16(body + 1) <= HARD_QUEUE_LENGTH && get_u16(body + 3) <= HARD_QUEUE_LENGTH,
                "a queue no longer than it is");
    } else if (type == MSG_EVENTS) {
        uint8_t told = body[BODY_EVENTS - 1u];
        promise(reader.length == 2u + BODY_EVENTS + told * RECORD_EVENTS, "events are whole");
    }
    if (asked != 0xFFu) {
        promise(reader.content[0] == request_seq, "the reply has the request's number");
        promise(type == reply_to(asked) || (type == MSG_DONE && body[0] != REFUSAL_DONE),
                "a reply of the request's kind");
    }
}

uint64_t hal_ticks(void) { return now; }
uint8_t hal_inputs(void) { return INPUT_ESTOP | INPUT_GUARD; }
uint8_t hal_coil_current(void) { return 0; }
uint16_t hal_supply_mv(void) { return 24000; }
bool hal_loop_follows(void) { return true; }
struct kept *hal_kept(void) { return &kept; }
const uint8_t *hal_serial(void) { return (const uint8_t *)"FUZZLINK"; }
void hal_release(uint8_t coil) { promise(coil < COILS, "a coil that there is"); }
uint64_t hal_all_off(void) { return now; }
bool hal_unlock(void) { return true; }
uint32_t hal_frame_end_ticks(void) { return (uint32_t)now; }
bool hal_transmit_busy(void) { return false; }
void hal_transmit(const uint8_t *bytes, uint8_t count) { output(bytes, count); }
bool hal_lost_input(void) { return false; }

bool hal_next_raw(struct raw_event *event) {
    (void)event;
    return false;
}

enum hal_armed hal_arm(uint8_t coil, uint32_t start_ticks, uint16_t width_ticks,
                       uint16_t marker_ticks) {
    promise(coil < COILS || coil == NO_COIL, "a coil that there is");
    promise(width_ticks > 0 && width_ticks <= HARD_LONGEST_PULSE_TICKS && marker_ticks > 0, "width");
    promise((int32_t)(start_ticks - (uint32_t)now) > 0, "nothing is programmed into the past");
    promise(machine_state() == STATE_STRIKING, "nothing is programmed outside a burst");
    return HAL_ARMED;
}

bool hal_receive(uint8_t *byte) {
    if (line.take == line.put) {
        return false;
    }
    *byte = line.bytes[line.take];
    line.take++;
    return true;
}

static void send(const uint8_t *bytes, size_t count) {
    memcpy(line.bytes, bytes, count);
    line.take = 0;
    line.put = count;
    while (line.take < line.put) {
        now += TURN_TICKS;
        core_turn();
    }
}

static void request(uint8_t type, const uint8_t *body, uint8_t length) {
    uint8_t encoded[FRAME_ENCODED_LONGEST];
    static const uint8_t end = 0;
    asked = 0xFFu;
    send(&end, 1); /* ends what raw bytes have begun */
    size_t count = request_frame(type, body, length, encoded);
    asked = type;
    answered = 0;
    send(encoded, count);
    promise(answered == 1, "one reply a request");
}

static void pass(unsigned milliseconds) {
    now += (uint64_t)milliseconds * TICKS_PER_MS;
    core_turn();
}

static void make_armed(void) {
    uint8_t body[AGREE_BYTES];
    agree_to_most(body);
    pass(55); /* contacts settle */
    request(MSG_AGREE, body, sizeof body);
    request(MSG_READY, body, 0);
    request(MSG_ARM, body, BODY_ARM);
    promise(machine_state() == STATE_ARMED, "armed");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    request_seq = 0;
    asked = 0xFFu;
    now = 0;
    memset(&kept, 0, sizeof kept);
    core_start(RESET_POWER_ON);
    if (size > 0 && (data[0] & 1u) != 0) {
        make_armed();
    }
    size_t at = 1;
    for (int pieces = 0; at + 2 <= size && pieces < 8; pieces++) {
        uint8_t kind = data[at];
        size_t length = data[at + 1];
        at += 2;
        length = (length < size - at) ? length : size - at;
        length = (length < RULE_FRAME_LONGEST_BYTES - 4u) ? length : RULE_FRAME_LONGEST_BYTES - 4u;
        if ((kind & 1u) == 0) {
            request((uint8_t)(kind >> 1), data + at, (uint8_t)length);
        } else if ((kind & 2u) == 0) {
            asked = 0xFFu;
            send(data + at, length);
        } else {
            pass((unsigned)length);
        }
        at += length;
    }
    return 0;
}
