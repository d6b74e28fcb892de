/* Start-up, watchdog, supply, coil currents, and the loop. */
#include <avr/eeprom.h>
#include <avr/wdt.h>

#include "board.h"
#include "core.h"

#define SERIAL_BYTES 8U
/* AVcc of 5 V over 1024 steps, times the divider of 11 */
#define SUPPLY_FULL_SCALE_MV 55000UL

static struct kept kept __attribute__((section(".noinit")));
static uint8_t reset_cause __attribute__((section(".noinit")));
static uint8_t serial[SERIAL_BYTES];
static uint16_t supply_mv;

/* Before memory is cleared: after a watchdog reset the watchdog runs on at its shortest. */
void take_reset_cause(void) __attribute__((naked, used, section(".init3")));

void take_reset_cause(void) {
    reset_cause = MCUSR & ((1U << PORF) | (1U << EXTRF) | (1U << BORF) | (1U << WDRF));
    MCUSR = 0;
    wdt_disable();
}

struct kept *hal_kept(void) { return &kept; }

const uint8_t *hal_serial(void) { return serial; }

uint8_t hal_coil_current(void) { return PINA & ((1U << PA0) | (1U << PA1)); }

uint16_t hal_supply_mv(void) {
    if ((ADCSRA & (1U << ADSC)) == 0U) {
        supply_mv = (uint16_t)((ADC * SUPPLY_FULL_SCALE_MV) >> 10);
        ADCSRA |= 1U << ADSC;
    }
    return supply_mv;
}

static void read_serial(void) {
    eeprom_read_block(serial, (const void *)0, SERIAL_BYTES);
    for (uint8_t i = 0; i < SERIAL_BYTES; i++) {
        if ((serial[i] < 0x20U) || (serial[i] > 0x7EU)) {
            serial[i] = '0'; /* never written */
        }
    }
}

int main(void) {
    outputs_begin();
    wdt_enable(WDTO_15MS);
    timers_begin();
    host_begin();
    stamps_begin();
    ADMUX = 1U << REFS0;
    ADCSRA = (1U << ADEN) | (1U << ADSC) | (1U << ADPS2) | (1U << ADPS1) | (1U << ADPS0);
    read_serial();
    sei();
    core_start(reset_cause);
    for (;;) {
        core_turn();
        wdt_reset();
    }
}
