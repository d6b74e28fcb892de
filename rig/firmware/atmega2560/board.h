/* The controller board: ATmega2560 at 16 MHz. Ref: datasheet 2549 (from memory).
 *
 * A coil is on while both its lines are high, and only then: `drive` AND `release` (an AND gate, or a
 * driver with an enable input; pull-down resistors on all lines). Both are compare outputs of timers
 * that count in step. Before a pulse, `release` is high and set to go low at the pulse's end, and
 * `drive` is low and set to go high at its start. So the hardware makes both edges, exactly, and
 * ends the pulse whatever the program does; no single line can turn a coil on.
 *
 *   PL3 OC5A  coil 0 drive     PH3 OC4A  coil 0 release
 *   PL4 OC5B  coil 1 drive     PH4 OC4B  coil 1 release
 *   PL5 OC5C  marker drive     PH5 OC4C  marker release
 *   PE4 INT4  e-stop loop's end (closed = low)      PE3  the loop's feed, low but in its test
 *   PE5 INT5  guard switch, closed = low
 *   PL1 ICP5  impact pickup, rising edge
 *   PD2 RXD1  DIN MIDI, and PL0 ICP4 on the same line: stamps the falling edge of the start bit
 *   PA0 PA1   current flows in coil 0, coil 1 (comparators of the driver stage)
 *   PF0 ADC0  coil supply, divided by 11
 *   PE0 PE1   USART0: the host, 1,000,000 baud
 */
#ifndef BOARD_H
#define BOARD_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "hal.h"

extern volatile uint16_t laps; /* low part of Timer5's overflows */

/* Low 32 bits of the ticks. With interrupts off. */
static inline __attribute__((always_inline)) uint32_t stamp(void) {
    uint16_t count = TCNT5;
    uint16_t lap = laps;
    if (((TIFR5 & (1U << TOV5)) != 0U) && (count < 0x8000U)) {
        lap++; /* overflowed, and its interrupt still waits */
    }
    return ((uint32_t)lap << 16) | count;
}

void outputs_begin(void); /* first of all: coils off */
void timers_begin(void);
void host_begin(void);
void stamps_begin(void);

#endif
