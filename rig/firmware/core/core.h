/* The controller board's behaviour, as rig/link/BOARD.md says it, on top of hal.h. */
#ifndef CORE_H
#define CORE_H

#include <stdbool.h>
#include <stdint.h>

#define FIRMWARE_MAJOR 0U
#define FIRMWARE_MINOR 1U
#define FIRMWARE_PATCH 0U


/* bits of the identity's reset_cause, in the controller's own order */
#define RESET_POWER_ON 1U
#define RESET_WATCHDOG 8U

/* Once, with outputs off. */
void core_start(uint8_t reset_cause);
/* For ever: one turn of the loop. */
void core_turn(void);
/* What can't wait: arms pulses and reports them. Long loops call it every 100 us or so. */
void core_service(void);

#endif
