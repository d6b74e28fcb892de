/* The serial lines: bytes at the wire's rate, to and from the host, and from the DIN input. */
#ifndef LINES_H
#define LINES_H

#include <simavr/sim_avr.h>
#include <stddef.h>
#include <stdint.h>

#include "schedule.h"

enum { HOST_BYTE = OF_THE_BOARD, DIN_BYTE, DIN_LINE, GIVE }; /* scheduled of the lines */

#define DIN_BYTE_CYCLES 5120u /* 31,250 baud, 10 bits */

typedef void (*overrun_report)(int uart, avr_cycle_count_t cycle);

void lines_begin(avr_t *of, overrun_report report);
void lines_from_host(uint8_t byte);                       /* after those that are on their way */
void lines_from_din(uint8_t byte, avr_cycle_count_t start); /* its start bit */
void lines_received(int uart, uint8_t byte);              /* a byte is whole now */
void lines_retry(int uart);
size_t lines_take_sent(uint8_t *bytes, size_t most); /* what the program has sent to the host */

#endif
