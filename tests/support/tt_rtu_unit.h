/** @file tt_rtu_unit.h  Units on an emulated serial line (a pseudo-terminal), as strict as the standard allows.
 *
 *  The line has a speed: a request takes its eight characters, a unit its turnaround, an answer its characters. A
 *  request that begins sooner than 3.5 characters after the end of the last traffic, or during an answer, is
 *  counted as a violation and not answered (Modbus over Serial Line V1.02: t3.5). */
#ifndef TT_RTU_UNIT_H
#define TT_RTU_UNIT_H

#include <stdbool.h>
#include <stdint.h>

#include "tt_modbus.h"

struct tt_rtu;

struct tt_rtu_options {
    int baud, bits;      /* bits of a character: 11 for 8E1, 10 for 8N1 */
    double turnaround_s; /* from the end of a request to the answer's first character; at least t3.5 */
    int first_unit, last_unit;
    int registers; /* how many each table has; 0 = 65536 */
};

struct tt_rtu_counts {
    uint64_t requests, answered, violations, writes, others /* functions but 3, 4, 5 */;
    uint64_t answered_by[256];
    int64_t wire_ns;        /* time the line was needed for the answered requests, silence included */
    int64_t last_answer_ns; /* CLOCK_MONOTONIC, end of the last good answer */
    uint8_t last_request[8];
    uint16_t coil_address, coil_value; /* of the last write */
};

/** Start; aborts the test when it can not. */
struct tt_rtu *tt_rtu_start(const struct tt_rtu_options *options);
/** Device to open: a symbolic link that stays the same when the line is plugged in again. */
const char *tt_rtu_path(const struct tt_rtu *rtu);
/** Let unit `unit` (0: all) misbehave for the next `times` requests to it (-1: for ever). */
void tt_rtu_fault(struct tt_rtu *rtu, int unit, enum tt_fault fault, int argument, int times);
void tt_rtu_counts(struct tt_rtu *rtu, struct tt_rtu_counts *out);
/** Pull the plug, and put it back. */
void tt_rtu_unplug(struct tt_rtu *rtu);
void tt_rtu_plug(struct tt_rtu *rtu);
void tt_rtu_stop(struct tt_rtu *rtu);

/** 3.5 characters up to 19200 baud, 1.75 ms above. */
int64_t tt_rtu_gap_ns(int baud, int bits);
uint16_t tt_crc16(const uint8_t *bytes, int n);

#endif
