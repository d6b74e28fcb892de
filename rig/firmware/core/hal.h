/* What the core asks of the machine that it runs on. Ticks are of 0.5 us, from the start of the
 * program. No call waits. */
#ifndef HAL_H
#define HAL_H

#include <stdbool.h>
#include <stdint.h>

#include "message_table.h"

#define COILS HARD_COIL_COUNT
#define NO_COIL 255U

/* hal_inputs: a set bit is closed. An input that has been open since the last call reads open
 * once, however short that was. */
#define INPUT_ESTOP (1U << INTERLOCK_ESTOP)
#define INPUT_GUARD (1U << INTERLOCK_GUARD)

enum hal_armed {
    HAL_ARMED,  /* the hardware will make the pulse, and end it, by itself */
    HAL_BUSY,   /* the channel or the marker still holds another pulse: ask again */
    HAL_LATE,   /* the start is nearer than the time that programming takes */
    HAL_LOCKED, /* an interlock has opened; nothing is armed until hal_unlock */
};

struct raw_event {
    uint8_t kind;  /* EVENT_IMPACT, EVENT_DIN_BYTE or EVENT_DIN_ERROR */
    uint8_t value;
    uint32_t ticks; /* low 32 bits, in the past */
};

/* Memory that start-up does not clear. */
struct kept {
    uint32_t magic;
    uint32_t heat[COILS];
    uint32_t carry[COILS];
    uint8_t armed;
};

uint64_t hal_ticks(void);
uint8_t hal_inputs(void);
uint8_t hal_coil_current(void); /* bit n: current flows in coil n */
uint16_t hal_supply_mv(void);
bool hal_loop_follows(void); /* e-stop loop: its far end follows the feed, so it is not bridged */
struct kept *hal_kept(void);
const uint8_t *hal_serial(void); /* 8 bytes */

/* Program coil and marker (or the marker alone: coil NO_COIL) for one pulse. */
enum hal_armed hal_arm(uint8_t coil, uint32_t start_ticks, uint16_t width_ticks,
                       uint16_t marker_ticks);
void hal_release(uint8_t coil); /* after the pulse's end: lets go of the coil's channel */
uint64_t hal_all_off(void);     /* all outputs low now; ticks at which they went low */
bool hal_unlock(void);          /* false while an interlock is open */

bool hal_receive(uint8_t *byte);
uint32_t hal_frame_end_ticks(void); /* when the last zero byte came in */
bool hal_transmit_busy(void);
void hal_transmit(const uint8_t *bytes, uint8_t count); /* bytes stay untouched while busy */
bool hal_next_raw(struct raw_event *event);
bool hal_lost_input(void); /* bytes or raw events were lost since the last call */

#endif
