#include "bus/frame.h"

#include <errno.h>
#include <string.h>

static void put16(uint8_t *at, unsigned value)
{
    at[0] = (uint8_t)(value >> 8);
    at[1] = (uint8_t)value;
}

static unsigned get16(const uint8_t *at)
{
    return (unsigned)at[0] << 8 | at[1];
}

void tautd_frame_request(const struct tautd_ask *ask, uint8_t pdu[TAUTD_FRAME_PDU])
{
    pdu[0] = ask->function;
    put16(pdu + 1, ask->address);
    put16(pdu + 3, ask->value);
}

void tautd_frame_tcp_request(const struct tautd_ask *ask, uint16_t transaction, uint8_t adu[TAUTD_FRAME_TCP])
{
    put16(adu, transaction);
    put16(adu + 2, 0);
    put16(adu + 4, 1 + TAUTD_FRAME_PDU);
    adu[6] = ask->unit;
    tautd_frame_request(ask, adu + 7);
}

int tautd_frame_rtu_answer_size(const struct tautd_ask *ask)
{
    return ask->function == TAUTD_WRITE_COIL ? 1 + TAUTD_FRAME_PDU + 2 : 5 + 2 * ask->value;
}

static enum taut_reason settle_on(struct tautd_answer *answer, enum taut_reason reason, uint8_t exception)
{
    answer->exception = exception;
    return answer->reason = reason;
}

enum taut_reason tautd_frame_judge(const struct tautd_ask *ask, int unit, const uint8_t *pdu, int size,
                                   struct tautd_answer *answer)
{
    if (unit != ask->unit || size < 2)
        return settle_on(answer, TAUT_REASON_BAD_FRAME, 0);
    if (pdu[0] == (ask->function | 0x80) && size == 2)
        return settle_on(answer, pdu[1] == TAUTD_TARGET_SILENT ? TAUT_REASON_NO_ANSWER : TAUT_REASON_EXCEPTION, pdu[1]);
    if (ask->function == TAUTD_WRITE_COIL) {
        uint8_t echo[TAUTD_FRAME_PDU];
        tautd_frame_request(ask, echo);
        bool same = size == TAUTD_FRAME_PDU && memcmp(pdu, echo, TAUTD_FRAME_PDU) == 0;
        return settle_on(answer, same ? TAUT_REASON_NONE : TAUT_REASON_BAD_FRAME, 0);
    }
    /* The byte count is what tells a stale answer to another block of the same unit: blocks differ in length. */
    if (pdu[0] != ask->function || pdu[1] != 2 * ask->value || size != 2 + 2 * ask->value)
        return settle_on(answer, TAUT_REASON_BAD_FRAME, 0);
    for (int i = 0; i < ask->value; i++)
        answer->reg[i] = (uint16_t)get16(pdu + 2 + 2 * i);
    return settle_on(answer, TAUT_REASON_NONE, 0);
}

enum taut_reason tautd_frame_tcp_judge(const struct tautd_ask *ask, uint16_t transaction, const uint8_t *adu, int size,
                                       struct tautd_answer *answer)
{
    if (size < 9 || get16(adu) != transaction || get16(adu + 2) != 0 || get16(adu + 4) != (unsigned)(size - 6))
        return settle_on(answer, TAUT_REASON_BAD_FRAME, 0);
    return tautd_frame_judge(ask, adu[6], adu + 7, size - 7, answer);
}

int tautd_frame_tcp_size(const uint8_t *adu, int size)
{
    return size < 6 ? 0 : 6 + (int)get16(adu + 4);
}

void tautd_frame_failed(struct tautd_exchange *exchange, int error)
{
    static const int gone[] = {EIO, ENODEV, ENXIO, EBADF, ECONNRESET, EPIPE, ECONNABORTED, ENETUNREACH, EHOSTUNREACH, ENETDOWN};
    exchange->error = error;
    exchange->answer.reason = exchange->partial ? TAUT_REASON_BAD_FRAME : TAUT_REASON_NO_ANSWER;
    for (size_t i = 0; i < sizeof gone / sizeof *gone; i++)
        if (error == gone[i]) {
            exchange->answer.reason = TAUT_REASON_LINE_DOWN;
            exchange->lost = true;
        }
}
