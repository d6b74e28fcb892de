/* Frames: COBS(seq | type | body | crc) 0x00. COBS after Cheshire and Baker 1999; the checksum is
 * CRC-16/CCITT-FALSE, whose check value over "123456789" is 0x29B1. */
#ifndef FRAME_H
#define FRAME_H

#include <stdint.h>

#include "message_table.h"

#define FRAME_LEAST_BYTES 4U
/* below 254 bytes COBS adds one byte; one more for the closing zero */
#define FRAME_ENCODED_LONGEST (RULE_FRAME_LONGEST_BYTES + 2U)

enum frame_result {
    FRAME_PENDING, /* not ended, or nothing between two zeros */
    FRAME_GOOD,
    FRAME_BAD,
};

struct frame_reader {
    uint8_t content[RULE_FRAME_LONGEST_BYTES];
    uint8_t length; /* of content; with a good frame: without the crc */
    uint8_t run;    /* bytes that the last code byte still announces */
    uint8_t begun;
    uint8_t broken;
};

uint16_t frame_crc(uint16_t crc, const uint8_t *bytes, uint8_t count);
void frame_restart(struct frame_reader *reader);
enum frame_result frame_take(struct frame_reader *reader, uint8_t byte);

/* Adds the crc to content (which must have room for it) and writes the encoded frame, its closing
 * zero included; returns its length. */
uint8_t frame_encode(uint8_t *content, uint8_t length, uint8_t *encoded);

#endif
