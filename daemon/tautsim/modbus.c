#include "modbus.h"

#include <string.h>

enum {
    READ_COILS = 1,
    READ_DISCRETE = 2,
    READ_HOLDING = 3,
    READ_INPUT = 4,
    WRITE_COIL = 5,
    WRITE_REGISTER = 6,
    WRITE_COILS = 15,
    WRITE_REGISTERS = 16,
    ILLEGAL_FUNCTION = 1,
    ILLEGAL_ADDRESS = 2,
    ILLEGAL_VALUE = 3,
    TARGET_SILENT = 0x0B,
    BITS_MAX = 2000,
    MBAP = 7
};

static int word_at(const uint8_t *bytes)
{
    return bytes[0] << 8 | bytes[1];
}

static void put_word(uint8_t *bytes, int word)
{
    bytes[0] = (uint8_t)(word >> 8);
    bytes[1] = (uint8_t)word;
}

static size_t exception(int function, int code, uint8_t *out)
{
    out[0] = (uint8_t)(function | 0x80);
    out[1] = (uint8_t)code;
    return 2;
}

/* What a request is about; filled by tautsim_modbus_answer. */
struct request {
    struct tautsim_bench *bench;
    int gateway, unit, function, first, count;
    const uint8_t *pdu;
    size_t size;
    double *delay_s;
};

/* The bench's outcome (exception or silence) as an answer. */
static size_t refused(const struct request *request, int outcome, uint8_t *out)
{
    return outcome == TAUTSIM_SILENT ? 0 : exception(request->function, outcome, out);
}

static size_t read_bits(const struct request *request, uint8_t *out)
{
    bool on[BITS_MAX];
    if (request->count < 1 || request->count > BITS_MAX)
        return exception(request->function, ILLEGAL_VALUE, out);
    int outcome = tautsim_bench_coils(request->bench, request->gateway, request->unit, request->function == READ_DISCRETE,
                                      request->first, request->count, on, request->delay_s);
    if (outcome)
        return refused(request, outcome, out);
    size_t bytes = ((size_t)request->count + 7) / 8;
    out[0] = (uint8_t)request->function;
    out[1] = (uint8_t)bytes;
    memset(out + 2, 0, bytes);
    for (int i = 0; i < request->count; i++)
        if (on[i])
            out[2 + i / 8] |= (uint8_t)(1u << (i % 8));
    return 2 + bytes;
}

static size_t read_registers(const struct request *request, uint8_t *out)
{
    uint16_t value[TAUTSIM_REGISTERS_MAX];
    if (request->count < 1 || request->count > TAUTSIM_REGISTERS_MAX)
        return exception(request->function, ILLEGAL_VALUE, out);
    int table = request->function == READ_INPUT ? TAUTSIM_TABLE_INPUT : TAUTSIM_TABLE_HOLDING;
    int outcome = tautsim_bench_registers(request->bench, request->gateway, request->unit, table, request->first, request->count,
                                          value, request->delay_s);
    if (outcome)
        return refused(request, outcome, out);
    out[0] = (uint8_t)request->function;
    out[1] = (uint8_t)(2 * request->count);
    size_t count = (size_t)request->count;
    for (size_t i = 0; i < count; i++)
        put_word(out + 2 + 2 * i, value[i]);
    return 2 + 2 * count;
}

static size_t write_coil(const struct request *request, uint8_t *out)
{
    if (request->count != 0xFF00 && request->count != 0)
        return exception(request->function, ILLEGAL_VALUE, out);
    bool on = request->count != 0;
    int outcome =
        tautsim_bench_write_coils(request->bench, request->gateway, request->unit, request->first, 1, &on, request->delay_s);
    if (outcome)
        return refused(request, outcome, out);
    memcpy(out, request->pdu, 5);
    return 5;
}

static size_t write_coils(const struct request *request, uint8_t *out)
{
    bool on[BITS_MAX];
    bool sound = request->count >= 1 && request->count <= 1968 && request->size >= 6 &&
                 request->pdu[5] == (request->count + 7) / 8 && request->size == 6u + request->pdu[5];
    if (!sound)
        return exception(request->function, ILLEGAL_VALUE, out);
    for (int i = 0; i < request->count; i++)
        on[i] = (request->pdu[6 + i / 8] >> (i % 8) & 1) != 0;
    int outcome = tautsim_bench_write_coils(request->bench, request->gateway, request->unit, request->first, request->count, on,
                                            request->delay_s);
    if (outcome)
        return refused(request, outcome, out);
    memcpy(out, request->pdu, 5);
    return 5;
}

size_t tautsim_modbus_answer(struct tautsim_bench *bench, int gateway, int unit, const uint8_t *pdu, size_t size, uint8_t *out,
                             double *delay_s)
{
    *delay_s = 0;
    int function = pdu[0];
    bool known = (function >= READ_COILS && function <= WRITE_REGISTER) || function == WRITE_COILS || function == WRITE_REGISTERS;
    if (!known)
        return exception(function, ILLEGAL_FUNCTION, out);
    bool fixed = function <= WRITE_REGISTER;
    if (fixed ? size != 5 : size < 6)
        return exception(function, ILLEGAL_VALUE, out);
    const struct request request = {.bench = bench,
                                    .gateway = gateway,
                                    .unit = unit,
                                    .function = function,
                                    .first = word_at(pdu + 1),
                                    .count = word_at(pdu + 3),
                                    .pdu = pdu,
                                    .size = size,
                                    .delay_s = delay_s};
    switch (function) {
    case READ_COILS:
    case READ_DISCRETE:
        return read_bits(&request, out);
    case READ_HOLDING:
    case READ_INPUT:
        return read_registers(&request, out);
    case WRITE_COIL:
        return write_coil(&request, out);
    case WRITE_COILS:
        return write_coils(&request, out);
    default:
        return exception(function, ILLEGAL_ADDRESS, out); /* no register of the bench can be written */
    }
}

uint16_t tautsim_modbus_crc(const uint8_t *bytes, size_t size)
{
    uint16_t crc = 0xFFFF;
    for (size_t i = 0; i < size; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? (uint16_t)(crc >> 1 ^ 0xA001) : (uint16_t)(crc >> 1);
    }
    return crc;
}

size_t tautsim_modbus_serial_length(const uint8_t *bytes, size_t size)
{
    if (size < 2)
        return 0;
    int function = bytes[1];
    if (function >= READ_COILS && function <= WRITE_REGISTER)
        return 8;
    if (function != WRITE_COILS && function != WRITE_REGISTERS)
        return SIZE_MAX;
    return size < 7 ? 0 : 9 + (size_t)bytes[6];
}

size_t tautsim_modbus_serial(struct tautsim_bench *bench, int gateway, const uint8_t *frame, size_t size, uint8_t *out,
                             double *delay_s)
{
    *delay_s = 0;
    if (size < 4)
        return 0;
    uint16_t crc = tautsim_modbus_crc(frame, size - 2);
    int unit = frame[0];
    bool ours = frame[size - 2] == (crc & 0xFF) && frame[size - 1] == crc >> 8 && tautsim_bench_has_unit(bench, gateway, unit);
    if (!ours)
        return 0;
    out[0] = frame[0];
    size_t length = tautsim_modbus_answer(bench, gateway, unit, frame + 1, size - 3, out + 1, delay_s);
    if (length == 0)
        return 0;
    crc = tautsim_modbus_crc(out, length + 1);
    out[length + 1] = (uint8_t)crc;
    out[length + 2] = (uint8_t)(crc >> 8);
    return length + 3;
}

size_t tautsim_modbus_tcp_length(const uint8_t *bytes, size_t size)
{
    if (size < MBAP)
        return 0;
    int length = word_at(bytes + 4);
    if (word_at(bytes + 2) != 0 || length < 3 || length > TAUTSIM_PDU_MAX + 1)
        return SIZE_MAX;
    return 6 + (size_t)length;
}

size_t tautsim_modbus_tcp(struct tautsim_bench *bench, int gateway, const uint8_t *frame, size_t size, uint8_t *out,
                          double *delay_s)
{
    int unit = frame[6];
    size_t length;
    *delay_s = 0;
    if (tautsim_bench_has_unit(bench, gateway, unit))
        length = tautsim_modbus_answer(bench, gateway, unit, frame + MBAP, size - MBAP, out + MBAP, delay_s);
    else
        length = exception(frame[MBAP], TARGET_SILENT, out + MBAP);
    if (length == 0)
        return 0;
    memcpy(out, frame, MBAP);
    put_word(out + 4, (int)length + 1);
    return MBAP + length;
}
