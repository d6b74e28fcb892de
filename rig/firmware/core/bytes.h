/* Little-endian fields of message bodies, as they go on the wire. */
#ifndef BYTES_H
#define BYTES_H

#include <stdint.h>
#include <string.h>

static inline uint16_t get_u16(const uint8_t *at) {
    return (uint16_t)(at[0] | ((uint16_t)at[1] << 8));
}

static inline uint32_t get_u32(const uint8_t *at) {
    return (uint32_t)get_u16(at) | ((uint32_t)get_u16(&at[2]) << 16);
}

static inline uint8_t *put_u8(uint8_t *at, uint8_t value) {
    at[0] = value;
    return &at[1];
}

static inline uint8_t *put_u16(uint8_t *at, uint16_t value) {
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
    return &at[2];
}

static inline uint8_t *put_u32(uint8_t *at, uint32_t value) {
    return put_u16(put_u16(at, (uint16_t)value), (uint16_t)(value >> 16));
}

/* Stamps are copied: a 64-bit shift takes the controller 20 us. */
#if __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "stamps are copied as they stand in memory, which must be little-endian"
#endif

static inline uint8_t *put_u48(uint8_t *at, uint64_t value) {
    (void)memcpy(at, &value, 6);
    return &at[6];
}

static inline uint8_t *put_u64(uint8_t *at, uint64_t value) {
    (void)memcpy(at, &value, 8);
    return &at[8];
}

#endif
