/* Requests to replies. */
#ifndef DISPATCH_H
#define DISPATCH_H

#include <stdint.h>

/* One request, its length without the crc; writes seq, type and body of the reply and returns
 * their length. */
uint8_t dispatch(const uint8_t *request, uint8_t length, uint8_t *reply);

#endif
