#include "print.h"

#include <math.h>
#include <string.h>

#include "taut/units.h"

static const char *const table_words[] = {"input", "holding"};
static const char *const type_words[] = {"uint16", "int16", "uint32", "int32", "float32"};
static const char *const order_words[] = {"ABCD", "CDAB", "BADC", "DCBA"};
static const char *const reference_words[] = {"absolute", "gauge", "vacuum"};

static void print_line(const struct tautsim_scenario *s, int gateway, const char *host, int port, FILE *out)
{
    int own = port > 0 ? port + gateway : s->gateway[gateway].port;
    fprintf(out, "  - {name: %s, kind: tcp, host: %s, port: %d}\n", s->gateway[gateway].name, host, own);
}

static const char *barometer_name(const struct tautsim_scenario *s)
{
    for (int i = 0; i < s->sensors; i++)
        if (s->sensor[i].at == TAUTSIM_AT_AMBIENT)
            return s->sensor[i].name;
    return NULL;
}

static void print_channel(const struct tautsim_scenario *s, const struct tautsim_sensor_spec *sensor, FILE *out)
{
    bool warm = sensor->at == TAUTSIM_AT_TEMPERATURE;
    bool ranged = !isnan(sensor->range[0]);
    double low = ranged                                      ? sensor->range[0]
                 : warm                                      ? -50
                 : sensor->reference == TAUT_REFERENCE_GAUGE ? -120000 / sensor->unit_pa
                                                             : 0;
    double high = ranged ? sensor->range[1] : warm ? 200 : 120000 / sensor->unit_pa;
    fprintf(out, "  - {name: %s, line: %s, unit: %d, table: %s, register: %d, type: %s, order: %s,\n", sensor->name,
            s->gateway[sensor->gateway_index].name, sensor->unit, table_words[sensor->table], sensor->reg,
            type_words[sensor->type], order_words[sensor->order]);
    fprintf(out, "     %s%s%sengineering: %s, ",
            warm ? "quantity: temperature, " : "reference: ", warm ? "" : reference_words[sensor->reference], warm ? "" : ", ",
            sensor->engineering);
    if (sensor->scale != 1 || sensor->offset != 0)
        fprintf(out, "scale: %g, offset: %g, ", sensor->scale, sensor->offset);
    if (sensor->loop)
        fprintf(out, "loop_ma: [4, 20], ");
    if (!warm && sensor->reference != TAUT_REFERENCE_ABSOLUTE && barometer_name(s))
        fprintf(out, "ambient: %s, ", barometer_name(s));
    else if (!warm && sensor->reference != TAUT_REFERENCE_ABSOLUTE)
        fprintf(out, "fixed_ambient_mbar: %g, ", taut_mbar(s->ambient.pressure_pa));
    fprintf(out, "range: [%g, %g],\n     period_s: 0.1, ", low, high);
    if (sensor->quantum_pa > 0 && !warm)
        fprintf(out, "resolution_mbar: %g, ", taut_mbar(sensor->quantum_pa));
    fprintf(out, warm ? "u_k: 0.5}\n" : "u_mbar: 0.1}\n");
}

void tautsim_print_channels(const struct tautsim_scenario *s, const char *host, int port, const char *rtu_link, int rtu_gateway,
                            FILE *out)
{
    fputs("lines:\n", out);
    for (int i = 0; i < s->gateways; i++) {
        if (rtu_link && i == rtu_gateway)
            fprintf(out, "  - {name: %s, kind: rtu, device: %s, baud: 19200, parity: none}\n", s->gateway[i].name, rtu_link);
        else
            print_line(s, i, host, port, out);
    }
    fputs("channels:\n", out);
    for (int i = 0; i < s->sensors; i++)
        print_channel(s, &s->sensor[i], out);
    if (s->valves > 0)
        fputs("outputs:\n", out);
    for (int i = 0; i < s->valves; i++) {
        const struct tautsim_valve_spec *valve = &s->valve[i];
        fprintf(out, "  - {name: %s, line: %s, unit: %d, coil: %d, active_high: %s}\n", valve->name,
                s->gateway[valve->gateway_index].name, valve->unit, valve->coil, valve->active_high ? "yes" : "no");
    }
}

static void print_row(const struct tautsim_bench *bench, FILE *out)
{
    const struct tautsim_scenario *s = bench->borrowed_scenario;
    fprintf(out, "%.3f", tautsim_bench_seconds(bench));
    for (int i = 0; i < s->sensors; i++) {
        double value = tautsim_bench_engineering(bench, i);
        if (isfinite(value))
            fprintf(out, ",%.4f", value);
        else
            fputs(",", out);
    }
    for (int i = 0; i < s->bags; i++)
        fprintf(out, ",%.4f", taut_mbar(taut_bench_pressure_pa(&bench->physics, i, TAUT_PLACE_VENT)));
    fputs("\r\n", out);
}

void tautsim_print_table(struct tautsim_bench *bench, double seconds, double every_s, FILE *out)
{
    const struct tautsim_scenario *s = bench->borrowed_scenario;
    fputs("time_s", out);
    for (int i = 0; i < s->sensors; i++)
        fprintf(out, ",%s_%s", s->sensor[i].name, s->sensor[i].engineering);
    for (int i = 0; i < s->bags; i++)
        fprintf(out, ",%s_true_mbar", s->bag[i].name);
    fputs("\r\n", out);
    for (int64_t row = 0; (double)row * every_s <= seconds + 1e-9; row++) {
        tautsim_bench_advance(bench, (double)row * every_s, INT64_MAX);
        print_row(bench, out);
    }
}
