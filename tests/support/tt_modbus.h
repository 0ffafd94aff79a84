/** @file tt_modbus.h  What the emulated units hold, and how they can go wrong. */
#ifndef TT_MODBUS_H
#define TT_MODBUS_H

#include <stdint.h>

enum tt_fault {
    TT_FAULT_NONE,
    TT_FAULT_SILENT,
    TT_FAULT_EXCEPTION,      /* argument: code */
    TT_FAULT_LATE,           /* argument: milliseconds after which the answer comes all the same */
    TT_FAULT_SHORT,          /* half of the answer */
    TT_FAULT_WRONG_UNIT,     /* the answer carries the next unit's address */
    TT_FAULT_WRONG_FUNCTION, /* a right answer to another function */
    TT_FAULT_WRONG_COUNT,    /* one register more than asked for */
    TT_FAULT_TWICE,          /* the answer comes twice */
    TT_FAULT_DRIP,           /* one byte each 300 ms */
    /* serial only */
    TT_FAULT_CRC,
    TT_FAULT_NOISE_BEFORE, /* two bytes of noise, then the answer */
    TT_FAULT_NOISE_AFTER,  /* one byte after the answer */
    TT_FAULT_ECHO,         /* the request comes back before the answer */
    /* TCP only */
    TT_FAULT_WRONG_TRANSACTION,
    TT_FAULT_WRONG_PROTOCOL,
    TT_FAULT_WRONG_LENGTH,
    TT_FAULT_RESET, /* connection reset instead of an answer */
    TT_FAULT_CLOSE, /* orderly close instead of an answer */
    TT_FAULT_VANISH /* the connection is forgotten without a word: half open. Needs root, else silent for ever */
};

/** What register `address` of a table holds: different for every unit, table and address within a test. */
static inline uint16_t tt_register(unsigned unit, unsigned function, unsigned address)
{
    return (uint16_t)(unit * 1009u + function * 257u + address * 3u + 7u);
}

static inline unsigned tt_get16(const uint8_t *at)
{
    return (unsigned)at[0] << 8 | at[1];
}

/** Answer of a well-behaved unit to a request's PDU (FC 3, 4, 5; else exception 1).
 *  @param most  registers at and above this address do not exist (exception 2)
 *  @return      bytes in out (at most 253) */
static inline int tt_answer(unsigned unit, const uint8_t *pdu, unsigned most, uint8_t *out)
{
    unsigned address = tt_get16(pdu + 1), value = tt_get16(pdu + 3);
    out[0] = pdu[0];
    if (pdu[0] == 5) {
        for (int i = 1; i < 5; i++)
            out[i] = pdu[i];
        return 5;
    }
    if (pdu[0] == 3 || pdu[0] == 4) {
        if (value >= 1 && value <= 125 && address + value <= most) {
            out[1] = (uint8_t)(2 * value);
            for (unsigned i = 0; i < value; i++) {
                uint16_t r = tt_register(unit, pdu[0], address + i);
                out[2 + 2 * i] = (uint8_t)(r >> 8);
                out[3 + 2 * i] = (uint8_t)r;
            }
            return (int)(2 + 2 * value);
        }
        out[0] |= 0x80;
        out[1] = 2;
        return 2;
    }
    out[0] |= 0x80;
    out[1] = 1;
    return 2;
}

#endif
