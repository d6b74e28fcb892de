#include "core.h"

#include "dispatch.h"
#include "events.h"
#include "frame.h"
#include "hal.h"
#include "limits.h"
#include "machine.h"
#include "strikes.h"

/* bytes taken in one turn: a frame's worth would keep the interlocks waiting */
#define BYTES_A_TURN 64U

static struct link {
    struct frame_reader reader;
    uint8_t reply[RULE_FRAME_LONGEST_BYTES];
    uint8_t encoded[FRAME_ENCODED_LONGEST];
    uint8_t encoded_length;
    uint8_t last_seq; /* of the request that `encoded` answers; 0: none */
} link;

void core_start(uint8_t reset_cause) {
    frame_restart(&link.reader);
    link.last_seq = 0;
    link.encoded_length = 0;
    limits_restart();
    events_restart();
    strikes_restart();
    machine_restart(reset_cause);
}

void core_service(void) { strikes_service(); }

static void take_request(void) {
    uint8_t seq = link.reader.content[0];
    if ((seq == 0U) || (seq != link.last_seq)) {
        uint8_t length = dispatch(link.reader.content, link.reader.length, link.reply);
        link.encoded_length = frame_encode(link.reply, length, link.encoded);
        link.last_seq = seq;
    }
    hal_transmit(link.encoded, link.encoded_length);
}

static void receive(void) {
    uint8_t byte;
    for (uint8_t i = 0; (i < BYTES_A_TURN) && !hal_transmit_busy() && hal_receive(&byte); i++) {
        enum frame_result result = frame_take(&link.reader, byte);
        if ((i & 15U) == 15U) {
            core_service();
        }
        if (result == FRAME_PENDING) {
            continue;
        }
        machine_frame(result == FRAME_GOOD);
        if (result == FRAME_GOOD) {
            take_request();
        }
        return;
    }
}

static void take_raw_events(void) {
    struct raw_event raw;
    while (hal_next_raw(&raw)) {
        uint64_t now = hal_ticks();
        machine_event(raw.kind, raw.value, now - ((uint32_t)now - raw.ticks));
        core_service();
    }
    if (hal_lost_input()) {
        machine_trip(TRIP_EVENT_OVERFLOW);
    }
}

void core_turn(void) {
    machine_turn();
    core_service();
    take_raw_events();
    receive();
}
