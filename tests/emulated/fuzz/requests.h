/* What a host sends and gets, for the fuzzing programs: well-formed requests, and whole replies. */
#ifndef REQUESTS_H
#define REQUESTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "frame.h"
#include "hal.h"

#define AGREE_BYTES (BODY_AGREE + COILS * RECORD_AGREE)

extern uint8_t request_seq; /* of the last request; to be set to 0 before each case */

/* The next request as a frame, of FRAME_ENCODED_LONGEST bytes at the most; gives how many. */
size_t request_frame(uint8_t type, const uint8_t *body, uint8_t length, uint8_t *encoded);
void agree_to_most(uint8_t body[AGREE_BYTES]); /* the loosest limits that can be asked for */
bool whole_frame(struct frame_reader *reader, const uint8_t *bytes, size_t count);

#endif
