#include "events.h"

#include "bytes.h"
#include "core.h"
#include "message_table.h"

static struct ring {
    uint8_t records[HARD_EVENT_RING_LENGTH][RECORD_EVENTS]; /* as they go on the wire */
    uint32_t first;                                         /* number of the oldest one kept */
    uint32_t dropped;
    uint16_t slot; /* of the oldest one */
    uint16_t count;
} ring;

static uint16_t after(uint16_t slot, uint16_t steps) {
    uint16_t next = (uint16_t)(slot + steps);
    return (next >= HARD_EVENT_RING_LENGTH) ? (uint16_t)(next - HARD_EVENT_RING_LENGTH) : next;
}

void events_restart(void) {
    ring.first = 0;
    ring.dropped = 0;
    ring.slot = 0;
    ring.count = 0;
}

bool events_add(uint8_t kind, uint8_t value, uint64_t ticks) {
    if (ring.count >= HARD_EVENT_RING_LENGTH) {
        ring.dropped++;
        return false;
    }
    uint8_t *at = ring.records[after(ring.slot, ring.count)];
    (void)put_u48(put_u8(put_u8(at, kind), value), ticks);
    ring.count++;
    return true;
}

void events_forget_below(uint32_t number) {
    uint32_t gone = number - ring.first;
    if (gone <= ring.count) { /* unsigned: a number below the first is beyond the newest too */
        ring.slot = after(ring.slot, (uint16_t)gone);
        ring.count = (uint16_t)(ring.count - gone);
        ring.first = number;
    }
}

uint32_t events_first(void) { return ring.first; }

uint32_t events_next(void) { return ring.first + ring.count; }

uint32_t events_dropped(void) { return ring.dropped; }

uint8_t events_write(uint8_t *at, uint8_t most) {
    /* how many is settled first: core_service may add more while they are written */
    uint8_t count = most;
    if (ring.count < most) {
        count = (uint8_t)ring.count;
    }
    uint16_t slot = ring.slot;
    for (uint8_t i = 0; i < count; i++) {
        for (uint8_t j = 0; j < RECORD_EVENTS; j++) {
            *at = ring.records[slot][j];
            at++;
        }
        slot = after(slot, 1);
        if ((i & 3U) == 3U) {
            core_service();
        }
    }
    return count;
}
