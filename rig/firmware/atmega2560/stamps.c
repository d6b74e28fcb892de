/* What comes in with a stamp: DIN MIDI bytes and hits on the impact pickup. */
#include "board.h"

/* A byte is there at sample 10 of 16 of its stop bit: 9 bits and 10/16 after its start bit's edge. */
#define BYTE_TICKS 616u
/* The captured edge and that reckoning agree to within the wait for the interrupt. */
#define AGREE_TICKS 40
/* A pickup rings: further edges within this time belong to the same hit. */
#define RING_TICKS 2000u

#define RAW_RING 64u /* a power of two */

static volatile struct raw_event raws[RAW_RING];
static volatile uint8_t raw_put_at;
static volatile uint8_t raw_take_at;
static volatile bool raw_lost;

static uint16_t din_edge;
static bool din_edge_seen;
static uint16_t din_asked; /* when the capture of the next start bit was asked for */
static uint32_t last_hit;

void raw_put(uint8_t kind, uint8_t value, uint32_t ticks) {
    uint8_t at = raw_put_at;
    uint8_t next = (uint8_t)(at + 1u) & (RAW_RING - 1u);
    if (next == raw_take_at) {
        raw_lost = true;
        return;
    }
    raws[at].kind = kind;
    raws[at].value = value;
    raws[at].ticks = ticks;
    raw_put_at = next;
}

/* The start bit's edge. The edges of data bits raise the flag too while nobody asks; one from before
 * the asking is such an edge (its interrupt follows the asking at once, so half a lap later none can
 * be). */
ISR(TIMER4_CAPT_vect) {
    uint16_t edge = ICR4;
    if ((int16_t)(edge - din_asked) >= 0 || (uint16_t)(TCNT5 - din_asked) > 0x7FFFu) {
        din_edge = edge;
        din_edge_seen = true;
        TIMSK4 = 1u << OCIE4C;
    }
}

ISR(USART1_RX_vect) {
    uint8_t flags = UCSR1A;
    uint8_t byte = UDR1;
    uint32_t now = stamp();
    uint16_t reckoned = (uint16_t)now - BYTE_TICKS;
    uint16_t start = reckoned;
    if (din_edge_seen) {
        int16_t apart = (int16_t)(din_edge - reckoned);
        if (apart > -AGREE_TICKS && apart < AGREE_TICKS) {
            start = din_edge;
        }
    }
    din_edge_seen = false;
    din_asked = (uint16_t)now;
    TIMSK4 = (1u << OCIE4C) | (1u << ICIE4);
    uint32_t ticks = now - (uint16_t)((uint16_t)now - start);
    if ((flags & (1u << FE1)) != 0) {
        raw_put(EVENT_DIN_ERROR, 1, ticks);
    } else {
        raw_put(EVENT_DIN_BYTE, byte, ticks);
    }
    if ((flags & (1u << DOR1)) != 0) {
        raw_put(EVENT_DIN_ERROR, 2, ticks);
    }
}

ISR(TIMER5_CAPT_vect) {
    uint16_t edge = ICR5;
    uint32_t now = stamp();
    uint32_t ticks = now - (uint16_t)((uint16_t)now - edge);
    if (ticks - last_hit >= RING_TICKS) {
        last_hit = ticks;
        raw_put(EVENT_IMPACT, 0, ticks);
    }
}

void stamps_begin(void) {
    UCSR1A = 0;
    UBRR1 = 31; /* 16 MHz / 16 / 32 = 31,250 baud */
    UCSR1C = (1u << UCSZ11) | (1u << UCSZ10);
    UCSR1B = (1u << RXCIE1) | (1u << RXEN1);
    TIMSK4 = (1u << OCIE4C) | (1u << ICIE4);
}

bool hal_next_raw(struct raw_event *event) {
    uint8_t at = raw_take_at;
    if (at == raw_put_at) {
        return false;
    }
    event->kind = raws[at].kind;
    event->value = raws[at].value;
    event->ticks = raws[at].ticks;
    raw_take_at = (uint8_t)(at + 1u) & (RAW_RING - 1u);
    return true;
}

bool hal_lost_input(void) {
    bool was = raw_lost;
    if (was) {
        raw_lost = false;
    }
    return was;
}
