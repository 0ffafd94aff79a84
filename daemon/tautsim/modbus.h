/** @file modbus.h  The answering side of Modbus: one request in, one answer out. No sockets, no clock.
 *  Source: Modbus Application Protocol V1.1b3; Modbus over Serial Line V1.02. */
#ifndef TAUTSIM_MODBUS_H
#define TAUTSIM_MODBUS_H

#include <stddef.h>
#include <stdint.h>

#include "bench.h"

enum { TAUTSIM_PDU_MAX = 253, TAUTSIM_FRAME_MAX = 260 };

/** Answer a request PDU (function code first): functions 1, 2, 3, 4, 5, 6, 15 and 16.
 *  @param out      at least TAUTSIM_PDU_MAX bytes
 *  @param delay_s  receives how long the unit waits (real time)
 *  @return length of the answer; 0 = the unit stays silent */
size_t tautsim_modbus_answer(struct tautsim_bench *bench, int gateway, int unit, const uint8_t *pdu, size_t size, uint8_t *out,
                             double *delay_s);

/** CRC of a serial frame; its low byte goes first on the wire. */
uint16_t tautsim_modbus_crc(const uint8_t *bytes, size_t size);

/** Whole length of the serial request that begins with these bytes, CRC included.
 *  @return 0 when more bytes are needed to tell; SIZE_MAX when no request begins so */
size_t tautsim_modbus_serial_length(const uint8_t *bytes, size_t size);

/** Answer a whole serial frame.  @return length of the answer with its CRC; 0 = silence (wrong CRC, not for us) */
size_t tautsim_modbus_serial(struct tautsim_bench *bench, int gateway, const uint8_t *frame, size_t size, uint8_t *out,
                             double *delay_s);

/** Whole length of the TCP request that begins with these bytes.  Return as above. */
size_t tautsim_modbus_tcp_length(const uint8_t *bytes, size_t size);

/** Answer a whole TCP request.  A unit that is not there gives exception 0x0B, as gateways do. */
size_t tautsim_modbus_tcp(struct tautsim_bench *bench, int gateway, const uint8_t *frame, size_t size, uint8_t *out,
                          double *delay_s);

#endif
