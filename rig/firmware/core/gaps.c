#include "gaps.h"

#include "hal.h"
#include "limits.h"

struct history {
    uint64_t start[COILS];
    uint64_t end[COILS];
    uint64_t marker_end;
    uint64_t last_start;
};

static struct history struck; /* what was really struck */
static struct history queued; /* with what stands in the queue */

uint16_t gaps_marker_width(uint8_t coil) {
    static const uint16_t widths[] = {MARKER_COIL_0_TICKS, MARKER_COIL_1_TICKS};
    uint16_t width = MARKER_ALONE_TICKS;
    if (coil < COILS) {
        width = widths[coil];
    }
    return width;
}

static void remember(struct history *history, uint8_t coil, uint64_t start, uint16_t width) {
    if (coil < COILS) {
        history->start[coil] = start;
        history->end[coil] = start + width;
    }
    history->marker_end = start + gaps_marker_width(coil);
    history->last_start = start;
}

void gaps_restart(void) {
    struck = (struct history){{0}, {0}, 0, 0};
    queued = struck;
}

void gaps_queued(uint8_t coil, uint64_t start, uint16_t width) {
    remember(&queued, coil, start, width);
}

void gaps_struck(uint8_t coil, uint64_t start, uint16_t width) {
    remember(&struck, coil, start, width);
}

void gaps_cut_short(uint8_t coil, uint64_t end) { struck.end[coil] = end; }

void gaps_forget_queued(void) { queued = struck; }

bool gaps_in_order(uint64_t start) { return start >= queued.last_start; }

/* A gap is kept when nothing came before, or the start is late enough after it. */
static bool keeps(uint64_t start, uint64_t before, uint32_t least) {
    return (before == 0U) || ((start >= before) && ((start - before) >= least));
}

bool gaps_are_kept(uint8_t coil, uint64_t start) {
    bool kept = keeps(start, queued.marker_end, RULE_MARKER_REST_TICKS);
    if (kept && (coil < COILS)) {
        kept = keeps(start, queued.start[coil], limits.coils[coil].least_gap_ticks) &&
               keeps(start, queued.end[coil], RULE_REST_TICKS);
    }
    return kept;
}
