#include "dispatch.h"

#include "bytes.h"
#include "core.h"
#include "events.h"
#include "hal.h"
#include "heat.h"
#include "limits.h"
#include "machine.h"
#include "strikes.h"

#define HEAD 2U /* seq and type */

static uint8_t *write_done(uint8_t *at, uint8_t refusal) {
    return put_u8(put_u8(put_u8(at, MSG_DONE), refusal), machine_state());
}

static uint8_t *write_identity(uint8_t *at) {
    const uint8_t *serial = hal_serial();
    at = put_u8(at, MSG_IDENTITY);
    at = put_u8(at, TABLE_VERSION);
    at = put_u16(at, TABLE_HASH);
    at = put_u8(at, FIRMWARE_MAJOR);
    at = put_u8(at, FIRMWARE_MINOR);
    at = put_u8(at, FIRMWARE_PATCH);
    for (uint8_t i = 0; i < 8U; i++) {
        at = put_u8(at, serial[i]);
    }
    at = put_u8(at, COILS);
    at = put_u16(at, HARD_QUEUE_LENGTH);
    at = put_u16(at, HARD_EVENT_RING_LENGTH);
    at = put_u32(at, HARD_LONGEST_PULSE_TICKS);
    at = put_u32(at, HARD_LEAST_GAP_TICKS);
    at = put_u32(at, HARD_HEAT_BUDGET_TICKS);
    at = put_u32(at, HARD_ARMED_MS);
    at = put_u32(at, HARD_HOST_SILENCE_MS);
    at = put_u32(at, HARD_HORIZON_MS);
    return put_u8(at, machine_reset_cause());
}

static uint8_t *write_standing(uint8_t *at) {
    at = put_u8(at, MSG_STANDING);
    at = put_u8(at, machine_state());
    at = put_u8(at, machine_trip_code());
    at = put_u64(at, hal_ticks());
    at = put_u16(at, strikes_queue_free());
    at = put_u32(at, events_next());
    at = put_u32(at, events_dropped());
    at = put_u16(at, hal_supply_mv());
    at = put_u8(at, machine_interlocks());
    at = put_u32(at, heat_of(0));
    at = put_u32(at, heat_of(1));
    return put_u32(at, strikes_left());
}

static uint8_t *agree(uint8_t *at, const uint8_t *body, uint8_t length) {
    if ((length != (BODY_AGREE + (COILS * RECORD_AGREE))) || (body[BODY_AGREE - 1U] != COILS)) {
        return write_done(at, REFUSAL_BAD_BODY);
    }
    uint8_t refusal = machine_agree(body);
    if (refusal != REFUSAL_DONE) {
        return write_done(at, refusal);
    }
    return limits_write(put_u8(at, MSG_AGREED));
}

static uint8_t *load(uint8_t *at, const uint8_t *body, uint8_t length) {
    uint8_t refusal = REFUSAL_DONE;
    uint16_t accepted = 0;
    if ((length < BODY_LOAD) || (length != (BODY_LOAD + ((uint16_t)body[0] * RECORD_LOAD)))) {
        refusal = REFUSAL_BAD_BODY;
    } else {
        for (uint8_t i = 0; i < body[0]; i++) {
            const uint8_t *entry = &body[BODY_LOAD + (i * RECORD_LOAD)];
            uint8_t state = machine_state(); /* a trip may come in between */
            if ((state != STATE_ARMED) && (state != STATE_STRIKING)) {
                refusal = REFUSAL_WRONG_STATE;
            } else {
                refusal = strikes_load(get_u32(entry), get_u16(&entry[4]), entry[6]);
            }
            if (refusal != REFUSAL_DONE) {
                break;
            }
            accepted++;
            core_service();
        }
        if ((body[0] == 0U) && !machine_running()) {
            refusal = REFUSAL_WRONG_STATE;
        }
    }
    at = put_u8(at, MSG_LOADED);
    at = put_u8(at, refusal);
    at = put_u16(at, accepted);
    return put_u16(at, strikes_queue_free());
}

static uint8_t *poll(uint8_t *at, const uint8_t *body) {
    events_forget_below(get_u32(body));
    at = put_u8(at, MSG_EVENTS);
    at = put_u8(at, machine_state());
    at = put_u8(at, machine_trip_code());
    at = put_u32(at, events_first());
    at = put_u32(at, events_dropped());
    at = put_u64(at, hal_ticks());
    uint8_t count = events_write(&at[1], RECORDS_AT_MOST_EVENTS);
    return &put_u8(at, count)[count * RECORD_EVENTS];
}

static uint8_t *write_ticks(uint8_t *at) {
    uint64_t now = hal_ticks();
    uint32_t since = (uint32_t)now - hal_frame_end_ticks();
    return put_u64(put_u64(put_u8(at, MSG_TICKS), now - since), hal_ticks());
}

/* Length of the body where it is fixed; 0xFF for those that count records. */
static uint8_t fixed_body(uint8_t type) {
    switch (type) {
    case MSG_ARM:
        return BODY_ARM;
    case MSG_BEGIN:
        return BODY_BEGIN;
    case MSG_POLL:
        return BODY_POLL;
    case MSG_AGREE:
    case MSG_LOAD:
        return 0xFFU;
    default:
        return 0;
    }
}

static bool known(uint8_t type) { return (type >= MSG_HELLO) && (type <= MSG_CLOCK); }

static uint8_t *answer(uint8_t *at, uint8_t type, const uint8_t *body, uint8_t length) {
    uint8_t fixed = fixed_body(type);
    if (!known(type)) {
        return write_done(at, REFUSAL_UNKNOWN_TYPE);
    }
    if ((fixed != 0xFFU) && (length != fixed)) {
        return write_done(at, REFUSAL_BAD_BODY);
    }
    switch (type) {
    case MSG_HELLO:
        return write_identity(at);
    case MSG_AGREE:
        return agree(at, body, length);
    case MSG_STATUS:
        return write_standing(at);
    case MSG_READY:
        return write_done(at, machine_ready());
    case MSG_ARM:
        return write_done(at, machine_arm(get_u32(body)));
    case MSG_DISARM:
        return write_done(at, machine_disarm());
    case MSG_RESET_TRIP:
        return write_done(at, machine_reset_trip());
    case MSG_LOAD:
        return load(at, body, length);
    case MSG_BEGIN:
        return write_done(at, machine_begin(get_u32(body)));
    case MSG_POLL:
        return poll(at, body);
    default:
        return write_ticks(at);
    }
}

uint8_t dispatch(const uint8_t *request, uint8_t length, uint8_t *reply) {
    reply[0] = request[0];
    const uint8_t *end = answer(&reply[1], request[1], &request[HEAD], (uint8_t)(length - HEAD));
    return (uint8_t)(end - reply);
}
