/* Failure policy: one attempt, and a sentence that says what was seen and what to look at next. */
#include <modbus/modbus.h>
#include <string.h>

#include "bus/bus.h"
#include "bus/rtu.h"
#include "bus/tcp.h"

static enum taut_status explain(const struct tautd_line_config *line, int unit, const struct tautd_exchange *x,
                                struct taut_diag *diag)
{
    bool serial = line->kind == TAUTD_LINE_RTU;
    switch (x->answer.reason) {
    case TAUT_REASON_NONE:
        return TAUT_OK;
    case TAUT_REASON_EXCEPTION:
        return taut_diag_set(diag, TAUT_E_PEER, "unit %d answered with exception %d (%s)", unit, x->answer.exception,
                             modbus_strerror(MODBUS_ENOBASE + x->answer.exception));
    case TAUT_REASON_BAD_FRAME:
        return taut_diag_set(diag, TAUT_E_PEER, "unit %d: the answer is damaged or not to this question (%s)", unit,
                             x->error ? modbus_strerror(x->error) : "other unit, function or length");
    case TAUT_REASON_LINE_DOWN:
        return taut_diag_set(diag, TAUT_E_IO, "the line broke while waiting for unit %d (%s)", unit, modbus_strerror(x->error));
    default:
        if (x->answer.exception)
            return taut_diag_set(diag, TAUT_E_TIMEOUT, "the gateway answers, but unit %d behind it does not", unit);
        return taut_diag_set(diag, TAUT_E_TIMEOUT, "no answer from unit %d within %.3g s on %s", unit, line->timeout_s,
                             serial ? line->device : line->host);
    }
}

static enum taut_status ask_serial(const struct tautd_line_config *line, const struct tautd_ask *ask, struct tautd_exchange *x,
                                   struct taut_diag *diag)
{
    const atomic_bool stop = false;
    struct tautd_rtu rtu;
    tautd_rtu_init(&rtu, line, &stop);
    enum taut_status status = tautd_rtu_open(&rtu, diag);
    if (status == TAUT_OK)
        tautd_rtu_ask(&rtu, ask, line->timeout_s, false, x);
    tautd_rtu_close(&rtu);
    return status;
}

enum taut_status tautd_bus_probe(const struct tautd_line_config *line, int unit, int table, int reg, int count,
                                 uint16_t *registers, struct taut_diag *diag)
{
    if (count < 1 || count > TAUTD_FRAME_REGISTERS_MAX || reg < 0 || reg + count > 65536)
        return taut_diag_set(diag, TAUT_E_ARG, "registers %d to %d: 1 to %d of 0 to 65535 can be read at once", reg,
                             reg + count - 1, TAUTD_FRAME_REGISTERS_MAX);
    if (unit < (line->kind == TAUTD_LINE_RTU) || unit > (line->kind == TAUTD_LINE_RTU ? 247 : 255))
        return taut_diag_set(diag, TAUT_E_ARG, "unit %d: must be %s", unit,
                             line->kind == TAUTD_LINE_RTU ? "1 to 247" : "0 to 255");
    struct tautd_exchange x;
    struct tautd_ask ask = {.unit = (uint8_t)unit,
                            .function = table == TAUTD_TABLE_HOLDING ? TAUTD_READ_HOLDING : TAUTD_READ_INPUT,
                            .address = (uint16_t)reg,
                            .value = (uint16_t)count};
    enum taut_status status = line->kind == TAUTD_LINE_RTU ? ask_serial(line, &ask, &x, diag)
                                                           : tautd_tcp_exchange(line, &ask, line->timeout_s, &x, diag);
    if (status == TAUT_OK)
        status = explain(line, unit, &x, diag);
    if (status == TAUT_OK)
        memcpy(registers, x.answer.reg, (size_t)count * sizeof *registers);
    return status;
}
