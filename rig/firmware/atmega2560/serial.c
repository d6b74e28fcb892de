/* USART0: the host. */
#include "board.h"

/* One frame at its longest is 242 bytes: a host that waits for replies can't fill it. One that does
 * not spoils its own frames, and their checksums tell. */
static volatile uint8_t received[256];
static volatile uint8_t put_at;
static volatile uint8_t take_at;
static volatile uint16_t frame_end; /* count of Timer5 */

static const uint8_t *volatile sending;
static volatile uint8_t left;

/* Every 10 us at the line's full rate: kept short. */
ISR(USART0_RX_vect) {
    uint8_t byte = UDR0;
    uint8_t at = put_at;
    received[at] = byte;
    put_at = (uint8_t)(at + 1U);
    if (byte == 0U) {
        frame_end = TCNT5;
    }
}

ISR(USART0_UDRE_vect) {
    UDR0 = *sending;
    sending++;
    left--;
    if (left == 0U) {
        UCSR0B = (1U << RXCIE0) | (1U << RXEN0) | (1U << TXEN0);
    }
}

void host_begin(void) {
    UCSR0A = 1U << U2X0; /* before the divider: 16 MHz / 8 / 2 = 1,000,000 baud */
    UBRR0 = 1;
    UCSR0C = (1U << UCSZ01) | (1U << UCSZ00);
    UCSR0B = (1U << RXCIE0) | (1U << RXEN0) | (1U << TXEN0);
}

bool hal_receive(uint8_t *byte) {
    uint8_t at = take_at;
    if (at == put_at) {
        return false;
    }
    *byte = received[at];
    take_at = (uint8_t)(at + 1U);
    return true;
}

uint32_t hal_frame_end_ticks(void) {
    cli();
    uint32_t now = stamp();
    uint16_t end = frame_end;
    sei();
    return now - (uint16_t)((uint16_t)now - end); /* a frame is answered within a lap, 32 ms */
}

bool hal_transmit_busy(void) { return left != 0U; }

void hal_transmit(const uint8_t *bytes, uint8_t count) {
    sending = bytes;
    left = count;
    UCSR0B = (1U << RXCIE0) | (1U << UDRIE0) | (1U << RXEN0) | (1U << TXEN0);
}
