/* What comes in with a stamp: DIN MIDI bytes and hits on the impact pickup. The interrupts only note;
 * the loop, which comes round many times in a lap of the timer, does the sums. */
#include "board.h"

/* A byte is there at sample 10 of 16 of its stop bit: 9 bits and 10/16 after its start bit's edge. */
#define BYTE_TICKS 616U
/* The captured edge and that reckoning agree to within the wait for the interrupt. */
#define AGREE_TICKS 40
/* This interrupt may wait so long: no data bit's edge is nearer to the stop bit's sample. */
#define LATE_TICKS 40U
/* A pickup rings: further edges within this time belong to the same hit. */
#define RING_TICKS 2000U

/* both powers of two */
#define DIN_RING 32U
#define HIT_RING 16U

/* counts of Timer5 */
struct din_note {
    uint8_t flags;
    uint8_t byte;
    uint16_t taken;
    uint16_t edge;
};

static volatile struct din_note din_notes[DIN_RING];
static volatile uint8_t din_put;
static volatile uint8_t din_take;
static volatile bool din_lost;
static volatile uint16_t din_edge;
static volatile uint16_t din_asked; /* when the capture of the next start bit was asked for */

static volatile uint16_t hits[HIT_RING];
static volatile uint8_t hit_put;
static volatile uint8_t hit_take;
static uint32_t last_hit;

/* The start bit's edge. The edges of data bits raise the flag too while nobody asks; one from before
 * the asking is such an edge (its interrupt follows the asking at once, so half a lap later none can
 * be). */
ISR(TIMER4_CAPT_vect) {
    uint16_t edge = ICR4;
    if ((int16_t)(edge - din_asked) >= 0 || (int16_t)(TCNT5 - din_asked) < 0) {
        din_edge = edge;
        TIMSK4 = 1U << OCIE4C;
    }
}

ISR(USART1_RX_vect) {
    uint8_t flags = UCSR1A;
    uint8_t byte = UDR1;
    uint16_t now = TCNT5;
    uint16_t start = din_edge;
    din_asked = now - LATE_TICKS;
    TIMSK4 = (1U << OCIE4C) | (1U << ICIE4);
    uint16_t edge = ICR4;
    if ((int16_t)(edge - din_asked) >= 0) {
        din_edge = edge; /* the next start bit is there already */
        TIMSK4 = 1U << OCIE4C;
    }
    sei(); /* what interrupts share is done with; the rest needn't hold up an e-stop */
    uint8_t at = din_put;
    volatile struct din_note *note = &din_notes[at];
    note->flags = flags;
    note->byte = byte;
    note->taken = now;
    note->edge = start;
    at = (uint8_t)(at + 1U) & (DIN_RING - 1U);
    if (at == din_take) {
        din_lost = true;
    } else {
        din_put = at;
    }
}

ISR(TIMER5_CAPT_vect) {
    uint16_t edge = ICR5;
    uint8_t at = hit_put;
    uint8_t next = (uint8_t)(at + 1U) & (HIT_RING - 1U);
    if (next != hit_take) { /* else it rings: what is lost belongs to hits noted already */
        hits[at] = edge;
        hit_put = next;
    }
}

void stamps_begin(void) {
    UCSR1A = 0;
    UBRR1 = 31; /* 16 MHz / 16 / 32 = 31,250 baud */
    UCSR1C = (1U << UCSZ11) | (1U << UCSZ10);
    UCSR1B = (1U << RXCIE1) | (1U << RXEN1);
    TIMSK4 = (1U << OCIE4C) | (1U << ICIE4);
}

/* Low 32 bits of the ticks of a count in the last lap. */
static uint32_t ticks_of(uint16_t count) {
    uint32_t now = (uint32_t)hal_ticks();
    return now - (uint16_t)((uint16_t)now - count);
}

static bool next_hit(struct raw_event *event) {
    while (hit_take != hit_put) {
        uint8_t at = hit_take;
        uint32_t ticks = ticks_of(hits[at]);
        hit_take = (uint8_t)(at + 1U) & (HIT_RING - 1U);
        if ((ticks - last_hit) >= RING_TICKS) {
            last_hit = ticks;
            event->kind = EVENT_IMPACT;
            event->value = 0;
            event->ticks = ticks;
            return true;
        }
    }
    return false;
}

bool hal_next_raw(struct raw_event *event) {
    uint8_t at = din_take;
    if (at == din_put) {
        return next_hit(event);
    }
    volatile struct din_note *note = &din_notes[at];
    uint16_t start = note->taken - BYTE_TICKS;
    int16_t apart = (int16_t)(note->edge - start);
    if ((apart > -AGREE_TICKS) && (apart < AGREE_TICKS)) {
        start = note->edge;
    }
    event->kind = EVENT_DIN_BYTE;
    event->value = note->byte;
    event->ticks = ticks_of(start);
    if ((note->flags & ((1U << FE1) | (1U << DOR1))) != 0U) {
        event->kind = EVENT_DIN_ERROR; /* after an overrun this byte is in doubt too */
        event->value = ((note->flags & (1U << FE1)) != 0U) ? 1U : 2U;
    }
    din_take = (uint8_t)(at + 1U) & (DIN_RING - 1U);
    return true;
}

bool hal_lost_input(void) {
    bool was = din_lost;
    if (was) {
        din_lost = false;
    }
    return was;
}
