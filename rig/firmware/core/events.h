/* The ring of events that the host polls. Events are numbered from 0; a number is given once. */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdbool.h>
#include <stdint.h>

void events_restart(void);
/* False when the ring is full: the event is dropped, takes no number, and is counted. */
bool events_add(uint8_t kind, uint8_t value, uint64_t ticks);
void events_forget_below(uint32_t number);
uint32_t events_first(void);
uint32_t events_next(void);
uint32_t events_dropped(void);
/* Writes up to `most` records of the events message; returns how many. */
uint8_t events_write(uint8_t *at, uint8_t most);

#endif
