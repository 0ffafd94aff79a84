/** @file frame.h  What is asked of a unit and whether the answer answers it. Pure: no device, no clock.
 *
 *  Every answer is judged here, for both kinds of line alike: unit, function, byte count, and with TCP transaction,
 *  protocol and length. (libmodbus 3.1.6 and 3.1.11 take a TCP answer of another unit for good.) */
#ifndef TAUTD_BUS_FRAME_H
#define TAUTD_BUS_FRAME_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/sample.h"

enum {
    TAUTD_FRAME_REGISTERS_MAX = 125, /* FC 3 and 4, Modbus Application Protocol V1.1b3 */
    TAUTD_FRAME_PDU = 5,             /* every request made here: function, address, value */
    TAUTD_FRAME_TCP = 7 + TAUTD_FRAME_PDU,
    TAUTD_READ_HOLDING = 3,
    TAUTD_READ_INPUT = 4,
    TAUTD_WRITE_COIL = 5,
    TAUTD_TARGET_SILENT = 0x0B /* a gateway's exception: the unit behind it did not answer */
};

/** One request. */
struct tautd_ask {
    uint8_t unit;
    uint8_t function; /* one of the three above */
    uint16_t address; /* first register, or the coil */
    uint16_t value;   /* how many registers; or 0xFF00 (on), 0x0000 (off) for a coil */
};

/** What came of it. */
struct tautd_answer {
    enum taut_reason reason; /* NONE: registers hold; NO_ANSWER, EXCEPTION, BAD_FRAME, LINE_DOWN */
    uint8_t exception;       /* code with EXCEPTION; 0x0B with NO_ANSWER when a gateway said so */
    uint16_t reg[TAUTD_FRAME_REGISTERS_MAX];
};

/** One exchange: the answer, when it was, and what it did to the line. */
struct tautd_exchange {
    struct tautd_answer answer;
    int64_t sent_ns, got_ns;           /* daemon time */
    int64_t sent_real_ns, got_real_ns; /* real time */
    bool lost;                         /* port or connection are of no more use: close */
    bool partial;                      /* something came, but no whole frame */
    int error;                         /* errno as seen, for a person */
};

/** Write the five bytes after the address.  Pure. */
void tautd_frame_request(const struct tautd_ask *ask, uint8_t pdu[TAUTD_FRAME_PDU]);

/** Write a whole TCP request: header with the transaction's number, then the five bytes.  Pure. */
void tautd_frame_tcp_request(const struct tautd_ask *ask, uint16_t transaction, uint8_t adu[TAUTD_FRAME_TCP]);

/** Bytes of a right answer on a serial line, CRC included.  Pure. */
int tautd_frame_rtu_answer_size(const struct tautd_ask *ask);

/** Judge an answer from its function code on.  Pure.
 *  @param unit  address the answer carries
 *  @param pdu,size  without address, header and CRC
 *  @return      answer->reason: NONE with registers, EXCEPTION, NO_ANSWER for exception 0x0B, or BAD_FRAME */
enum taut_reason tautd_frame_judge(const struct tautd_ask *ask, int unit, const uint8_t *pdu, int size,
                                   struct tautd_answer *answer);

/** The same for a whole TCP frame, header included: transaction, protocol and length are checked too.  Pure. */
enum taut_reason tautd_frame_tcp_judge(const struct tautd_ask *ask, uint16_t transaction, const uint8_t *adu, int size,
                                       struct tautd_answer *answer);

/** Bytes of the TCP frame that begins with `adu`, by its own length field; 0 while that is not known yet.  Pure. */
int tautd_frame_tcp_size(const uint8_t *adu, int size);

/** Enter a failed system call or a time-out: reason, error, and whether the line is lost.  Pure. */
void tautd_frame_failed(struct tautd_exchange *exchange, int error);

#endif
