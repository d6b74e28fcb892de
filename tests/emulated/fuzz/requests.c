#include "requests.h"

#include <string.h>

#include "bytes.h"

uint8_t request_seq;

size_t request_frame(uint8_t type, const uint8_t *body, uint8_t length, uint8_t *encoded) {
    uint8_t content[RULE_FRAME_LONGEST_BYTES];
    request_seq = (uint8_t)(request_seq % 255u + 1u);
    content[0] = request_seq;
    content[1] = type;
    memcpy(content + 2, body, length);
    return frame_encode(content, (uint8_t)(length + 2u), encoded);
}

void agree_to_most(uint8_t body[AGREE_BYTES]) {
    memset(body, 0xFF, AGREE_BYTES);
    body[BODY_AGREE - 1u] = COILS;
    (void)put_u16(body + 12, 0);
    for (unsigned coil = 0; coil < COILS; coil++) {
        (void)put_u32(body + BODY_AGREE + coil * RECORD_AGREE + 4, 0);
    }
}

bool whole_frame(struct frame_reader *reader, const uint8_t *bytes, size_t count) {
    enum frame_result result = FRAME_PENDING;
    frame_restart(reader);
    for (size_t i = 0; i < count; i++) {
        if (result != FRAME_PENDING) {
            return false;
        }
        result = frame_take(reader, bytes[i]);
    }
    return result == FRAME_GOOD;
}
