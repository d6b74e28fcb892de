#include "schedule.h"

#include <stdio.h>

#define ITEMS_MOST 65536

static struct item heap[ITEMS_MOST];
static int items;
static uint32_t ordered;

static bool before(const struct item *a, const struct item *b) {
    return a->cycle < b->cycle || (a->cycle == b->cycle && a->order < b->order);
}

void schedule(struct item item) {
    if (items == ITEMS_MOST) {
        printf("error too much scheduled\n");
        return;
    }
    item.order = ordered++;
    int at = items++;
    while (at > 0 && before(&item, &heap[(at - 1) / 2])) {
        heap[at] = heap[(at - 1) / 2];
        at = (at - 1) / 2;
    }
    heap[at] = item;
}

struct item schedule_take(void) {
    struct item first = heap[0];
    struct item last = heap[--items];
    int at = 0;
    for (int child = 1; child < items; child = 2 * at + 1) {
        if (child + 1 < items && before(&heap[child + 1], &heap[child])) {
            child++;
        }
        if (!before(&heap[child], &last)) {
            break;
        }
        heap[at] = heap[child];
        at = child;
    }
    heap[at] = last;
    return first;
}

bool schedule_next(uint64_t *cycle) {
    if (items > 0) {
        *cycle = heap[0].cycle;
    }
    return items > 0;
}
