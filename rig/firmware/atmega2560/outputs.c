/* Coil and marker pulses by compare hardware, and their end by interlocks. */
#include "board.h"

/* A match acts on the timer clock after it: compare values stand one tick before their edge. */
#define MATCH_TICKS 1U
/* Programming a strike takes about 10 us. */
#define PROGRAM_TICKS 30U

#define DRIVE_BITS ((1U << PL3) | (1U << PL4) | (1U << PL5))
#define RELEASE_BITS ((1U << PH3) | (1U << PH4) | (1U << PH5))

#define COM_MASK_A 0xC0U
#define COM_MASK_B 0x30U
#define COM_MASK_C 0x0CU
#define COM_SET 0xFFU   /* masked: set on match */
#define COM_CLEAR 0xAAU /* masked: clear on match */

volatile uint16_t laps;
static volatile uint16_t high_laps;

static volatile bool locked;
static volatile uint8_t opened; /* inputs that have opened since hal_inputs, as INPUT_ bits */
static uint32_t off_ticks;      /* when the outputs were locked */

static struct {
    bool running;
    bool waiting; /* the next one, below, is to follow */
    uint16_t end;
    uint16_t next_start;
    uint16_t next_end;
} marker;

/* One channel. The order is what keeps it safe: `release` goes high only with its end loaded, and
 * `drive` is connected last. Interrupts off, so that no interlock falls in between. */
#define PROGRAM(letter, start, end)                                                             \
    do {                                                                                        \
        uint8_t others4 = TCCR4A & (uint8_t)~COM_MASK_##letter;                                 \
        uint8_t others5 = TCCR5A & (uint8_t)~COM_MASK_##letter;                                 \
        TCCR5A = others5 | (COM_CLEAR & COM_MASK_##letter);                                     \
        TCCR5C = 1U << FOC5##letter;                                                            \
        OCR4##letter = (end);                                                                   \
        TCCR4A = others4 | (COM_SET & COM_MASK_##letter);                                       \
        TCCR4C = 1U << FOC4##letter;                                                            \
        TCCR4A = others4 | (COM_CLEAR & COM_MASK_##letter);                                     \
        OCR5##letter = (start);                                                                 \
        TCCR5A = others5 | (COM_SET & COM_MASK_##letter);                                       \
    } while (0)

/* After a pulse: the latches low, then the pins back to PORT, which is low. */
#define LET_GO(letter)                                                                          \
    do {                                                                                        \
        uint8_t others4 = TCCR4A & (uint8_t)~COM_MASK_##letter;                                 \
        uint8_t others5 = TCCR5A & (uint8_t)~COM_MASK_##letter;                                 \
        TCCR5A = others5 | (COM_CLEAR & COM_MASK_##letter);                                     \
        TCCR5C = 1U << FOC5##letter;                                                            \
        TCCR5A = others5;                                                                       \
        TCCR4A = others4;                                                                       \
    } while (0)

/* All channels: latches low (release first: that alone ends a pulse), pins to PORT, PORT low.
 * Changes no flag, so it may stand before a routine has saved any. */
#define ALL_OFF                                                                                 \
    "ldi r24, 0xA8\n\t" /* clear on match, all three */                                         \
    "sts %[a4], r24\n\t"                                                                        \
    "ldi r24, 0xE0\n\t" /* force all three */                                                   \
    "sts %[c4], r24\n\t"                                                                        \
    "ldi r24, 0xA8\n\t"                                                                         \
    "sts %[a5], r24\n\t"                                                                        \
    "ldi r24, 0xE0\n\t"                                                                         \
    "sts %[c5], r24\n\t"                                                                        \
    "ldi r24, 0\n\t"                                                                            \
    "sts %[a4], r24\n\t"                                                                        \
    "sts %[a5], r24\n\t"                                                                        \
    "sts %[pl], r24\n\t"                                                                        \
    "sts %[ph], r24\n\t"

#define ALL_OFF_REGISTERS                                                                       \
    [a4] "n"(_SFR_MEM_ADDR(TCCR4A)), [c4] "n"(_SFR_MEM_ADDR(TCCR4C)),                           \
        [a5] "n"(_SFR_MEM_ADDR(TCCR5A)), [c5] "n"(_SFR_MEM_ADDR(TCCR5C)),                       \
        [pl] "n"(_SFR_MEM_ADDR(PORTL)), [ph] "n"(_SFR_MEM_ADDR(PORTH))

/* The rest of an interlock's interrupt, once everything is off. */
static inline void lock(uint8_t input) {
    opened |= input;
    if (!locked) {
        off_ticks = stamp();
        locked = true;
    }
    marker.running = false;
    marker.waiting = false;
}

/* named as vectors are, so that the compiler takes them for interrupt routines */
void __vector_estop_rest(void) __attribute__((signal, used, externally_visible));
void __vector_guard_rest(void) __attribute__((signal, used, externally_visible));

void __vector_estop_rest(void) { lock(INPUT_ESTOP); }

void __vector_guard_rest(void) { lock(INPUT_GUARD); }

ISR(INT4_vect, ISR_NAKED) {
    __asm__ volatile("push r24\n\t" ALL_OFF "pop r24\n\tjmp __vector_estop_rest" : : ALL_OFF_REGISTERS);
}

ISR(INT5_vect, ISR_NAKED) {
    __asm__ volatile("push r24\n\t" ALL_OFF "pop r24\n\tjmp __vector_guard_rest" : : ALL_OFF_REGISTERS);
}

ISR(TIMER5_OVF_vect) {
    laps++;
    if (laps == 0U) {
        high_laps++;
    }
}

static inline void start_marker(uint16_t start, uint16_t end) {
    marker.running = true;
    marker.end = end;
    PROGRAM(C, start, end);
}

/* The marker has ended: the one that waits follows, or the channel rests. */
static inline void end_marker(void) {
    if (!marker.running || (int16_t)(TCNT5 - marker.end) <= 0) {
        return; /* an old match */
    }
    if (marker.waiting) {
        marker.waiting = false;
        start_marker(marker.next_start, marker.next_end);
    } else {
        marker.running = false;
        LET_GO(C);
    }
}

/* What the compiler saves and restores around it may be interrupted; the registers may not. */
ISR(TIMER4_COMPC_vect, ISR_NOBLOCK) {
    cli();
    end_marker();
    sei();
}

enum hal_armed hal_arm(uint8_t coil, uint32_t start_ticks, uint16_t width_ticks,
                       uint16_t marker_ticks) {
    uint16_t start = (uint16_t)start_ticks - MATCH_TICKS;
    uint16_t end = start + width_ticks;
    uint16_t marker_end = start + marker_ticks;
    enum hal_armed armed = HAL_ARMED;
    cli();
    uint16_t lead = start - TCNT5; /* the core asks within one lap of the end */
    if (locked) {
        armed = HAL_LOCKED;
    } else if ((lead < PROGRAM_TICKS) || (lead > 65000U)) {
        armed = HAL_LATE;
    } else if (marker.waiting) {
        armed = HAL_BUSY;
    } else if (marker.running) {
        marker.next_start = start;
        marker.next_end = marker_end;
        marker.waiting = true;
    } else {
        start_marker(start, marker_end);
    }
    if (armed != HAL_ARMED) {
        sei();
        return armed;
    }
    sei(); /* an interlock may come between marker and coil */
    cli();
    if (locked) {
        armed = HAL_LOCKED;
    } else if (coil == 0U) {
        PROGRAM(A, start, end);
    } else if (coil == 1U) {
        PROGRAM(B, start, end);
    } else {
        /* the marker alone */
    }
    sei();
    return armed;
}

void hal_release(uint8_t coil) {
    cli();
    if (coil == 0U) {
        LET_GO(A);
    } else {
        LET_GO(B);
    }
    sei();
}

uint64_t hal_ticks(void) {
    uint8_t sreg = SREG;
    cli();
    uint32_t low = stamp();
    uint16_t high = high_laps;
    uint16_t lap = laps;
    SREG = sreg;
    union {
        uint64_t ticks;
        struct {
            uint32_t low;
            uint16_t high;
            uint16_t highest;
        } parts; /* little-endian, as the controller is: its 64-bit shifts take 20 us */
    } whole;
    if (((uint16_t)(low >> 16) == 0U) && (lap != 0U)) {
        high++; /* the overflow that still waits is the long one */
    }
    whole.parts.low = low;
    whole.parts.high = high;
    whole.parts.highest = 0;
    return whole.ticks;
}

uint64_t hal_all_off(void) {
    uint8_t sreg = SREG;
    cli();
    __asm__ volatile(ALL_OFF : : ALL_OFF_REGISTERS : "r24");
    marker.running = false;
    marker.waiting = false;
    uint32_t off = locked ? off_ticks : stamp();
    SREG = sreg;
    uint64_t now = hal_ticks();
    return now - ((uint32_t)now - off);
}

static uint8_t open_now(void) {
    uint8_t pins = PINE;
    uint8_t open = 0;
    if ((pins & (1U << PE4)) != 0U) {
        open |= INPUT_ESTOP;
    }
    if ((pins & (1U << PE5)) != 0U) {
        open |= INPUT_GUARD;
    }
    return open;
}

uint8_t hal_inputs(void) {
    cli();
    uint8_t open = opened;
    opened = 0;
    sei();
    open |= open_now();
    return (uint8_t)(open ^ (INPUT_ESTOP | INPUT_GUARD));
}

bool hal_unlock(void) {
    cli();
    if ((opened == 0U) && (open_now() == 0U)) {
        locked = false;
    }
    bool done = !locked;
    sei();
    return done;
}

/* Both timers count in step. */
static bool timers_tied(void) {
    uint8_t first;
    uint8_t second;
    uint8_t sreg = SREG;
    cli();
    /* reads 8 cycles apart: one count */
    __asm__ volatile("lds %[first], %[l5]\n\t"
                     "nop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\t"
                     "lds %[second], %[l4]\n\t"
                     : [first] "=&r"(first), [second] "=&r"(second)
                     : [l5] "n"(_SFR_MEM_ADDR(TCNT5L)), [l4] "n"(_SFR_MEM_ADDR(TCNT4L)));
    SREG = sreg;
    return (uint8_t)(second - first) == 1U;
}

bool hal_loop_follows(void) {
    /* with the feed high the closed loop's end must go high; one bridged to ground stays low.
     * Only asked with nothing armed. The edge that this makes is no opening. */
    cli();
    uint8_t mask = EIMSK;
    EIMSK = mask & (uint8_t)~(1U << INT4);
    PORTE |= (1U << PE3);
    bool follows = false;
    for (uint8_t i = 0; (i < 10U) && !follows; i++) {
        follows = (PINE & (1U << PE4)) != 0U;
    }
    PORTE &= (uint8_t)~(1U << PE3);
    bool back = false;
    for (uint8_t i = 0; (i < 10U) && !back; i++) {
        back = (PINE & (1U << PE4)) == 0U;
    }
    EIFR = 1U << INTF4;
    EIMSK = mask;
    sei();
    return follows && back && timers_tied();
}

void outputs_begin(void) {
    __asm__ volatile(ALL_OFF : : ALL_OFF_REGISTERS : "r24");
    DDRL = DRIVE_BITS;
    DDRH = RELEASE_BITS;
    locked = true; /* until armed */
    PORTE = (1U << PE4) | (1U << PE5) | (1U << PE0); /* pull-ups: a broken wire reads open */
    DDRE = (1U << PE3) | (1U << PE1);
    EICRB = (1U << ISC41) | (1U << ISC40) | (1U << ISC51) | (1U << ISC50); /* rising: opening */
    EIFR = (1U << INTF4) | (1U << INTF5);
    EIMSK = (1U << INT4) | (1U << INT5);
}

void timers_begin(void) {
    TCCR5A = 0;
    TCCR4A = 0;
    TCCR5B = (1U << ICNC5) | (1U << ICES5) | (1U << CS51); /* clk/8; capture: rising, filtered */
    TCCR4B = (1U << CS41);                                 /* clk/8; capture: falling */
    /* 16-bit timers share one prescaler. Written 8 cycles apart, one count apart, they count in
     * step whatever its phase. */
    __asm__ volatile("ldi r24, 1\n\t"
                     "sts %[h5], __zero_reg__\n\t"
                     "sts %[l5], __zero_reg__\n\t"
                     "sts %[h4], __zero_reg__\n\t"
                     "nop\n\tnop\n\tnop\n\tnop\n\t"
                     "sts %[l4], r24\n\t"
                     :
                     : [h5] "n"(_SFR_MEM_ADDR(TCNT5H)), [l5] "n"(_SFR_MEM_ADDR(TCNT5L)),
                       [h4] "n"(_SFR_MEM_ADDR(TCNT4H)), [l4] "n"(_SFR_MEM_ADDR(TCNT4L))
                     : "r24");
    TIMSK5 = (1U << ICIE5) | (1U << TOIE5);
    TIMSK4 = (1U << OCIE4C);
}
