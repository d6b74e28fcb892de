#include "frame.h"

#include "core.h"

uint16_t frame_crc(uint16_t crc, const uint8_t *bytes, uint8_t count) {
    for (uint8_t i = 0; i < count; i++) {
        /* one byte at once: x^16 + x^12 + x^5 + 1, unrolled by its few terms */
        crc = (uint16_t)((crc >> 8) | (crc << 8));
        crc ^= bytes[i];
        crc ^= (uint16_t)((crc & 0xFFU) >> 4);
        crc ^= (uint16_t)(crc << 12);
        crc ^= (uint16_t)((crc & 0xFFU) << 5);
        if ((i & 31U) == 31U) {
            core_service();
        }
    }
    return crc;
}

void frame_restart(struct frame_reader *reader) {
    reader->length = 0;
    reader->run = 0;
    reader->begun = 0;
    reader->broken = 0;
}

static void keep(struct frame_reader *reader, uint8_t byte) {
    if (reader->length < RULE_FRAME_LONGEST_BYTES) {
        reader->content[reader->length] = byte;
        reader->length++;
    } else {
        reader->broken = 1;
    }
}

static enum frame_result ended(struct frame_reader *reader) {
    enum frame_result result = FRAME_BAD;
    if (reader->begun == 0U) {
        result = FRAME_PENDING;
    } else if ((reader->broken == 0U) && (reader->run == 0U) &&
               (reader->length >= FRAME_LEAST_BYTES)) {
        /* over content and its own crc the sum is zero */
        if (frame_crc(0xFFFFU, reader->content, reader->length) == 0U) {
            result = FRAME_GOOD;
        }
    } else {
        /* cut short, too long or too short */
    }
    uint8_t length = reader->length;
    frame_restart(reader);
    if (result == FRAME_GOOD) {
        reader->length = (uint8_t)(length - 2U);
    }
    return result;
}

enum frame_result frame_take(struct frame_reader *reader, uint8_t byte) {
    if (byte == 0U) {
        return ended(reader);
    }
    if (reader->run > 0U) {
        keep(reader, byte);
        reader->run--;
        return FRAME_PENDING;
    }
    if (!reader->begun) {
        frame_restart(reader);
    } else {
        keep(reader, 0);
    }
    reader->begun = 1;
    reader->run = (uint8_t)(byte - 1U);
    if (byte == 255U) {
        reader->broken = 1; /* no frame is long enough for a run that ends without a zero */
    }
    return FRAME_PENDING;
}

uint8_t frame_encode(uint8_t *content, uint8_t length, uint8_t *encoded) {
    uint16_t crc = frame_crc(0xFFFFU, content, length);
    content[length] = (uint8_t)(crc >> 8);
    content[length + 1U] = (uint8_t)crc;
    uint8_t total = (uint8_t)(length + 2U);
    uint8_t code_at = 0;
    for (uint8_t i = 0; i < total; i++) {
        if (content[i] == 0U) {
            encoded[code_at] = (uint8_t)(i + 1U - code_at);
            code_at = (uint8_t)(i + 1U);
        } else {
            encoded[i + 1U] = content[i];
        }
        if ((i & 31U) == 31U) {
            core_service();
        }
    }
    encoded[code_at] = (uint8_t)(total + 1U - code_at);
    encoded[total + 1U] = 0;
    return (uint8_t)(total + 2U);
}
