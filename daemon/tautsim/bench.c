/* Failure policy: none can fail once the scenario was checked; see bench.h. */
#include "bench.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "command.h"
#include "taut/units.h"

enum { EXCEPTION_ADDRESS = 2, STREAM_WEATHER = 1000000 };
static const double loop_open_ma = 3.5, loop_short_ma = 21.6, loop_least_ma = 3.8, loop_most_ma = 20.5;

void tautsim_bench_renew_bag(struct tautsim_bench *bench, int index)
{
    const struct tautsim_bag_spec *spec = &bench->borrowed_scenario->bag[index];
    const struct taut_bag_spec physical = {.near_m3 = spec->volume_m3 * (1 - spec->far_frac),
                                           .far_m3 = spec->volume_m3 * spec->far_frac,
                                           .link_m3_per_s = spec->link_m3_per_s,
                                           .vent_m3_per_s = spec->vent_m3_per_s,
                                           .seat_m3_per_s = spec->seat_m3_per_s,
                                           .release_pa_m3 = spec->release_pa_m3,
                                           .release_s = spec->release_s,
                                           .moisture_pa_m3 = spec->moisture_pa_m3,
                                           .moisture_m3_per_s = spec->moisture_m3_per_s,
                                           .far_sensor_frac = spec->far_sensor_frac};
    int bags = bench->physics.bags;
    bool exists = index < bags, stuck = exists && bench->physics.bag[index].valve_stuck;
    bool open = exists ? bench->physics.bag[index].valve_open : spec->valve_open != 0;
    bench->physics.bags = index;
    enum taut_status status = taut_bench_add(&bench->physics, &physical, NULL);
    assert(status == TAUT_OK);
    (void)status;
    if (exists)
        bench->physics.bags = bags;
    struct taut_bag *bag = &bench->physics.bag[index];
    bag->leak_near_pa_m3_per_s = taut_bag_leak_for_rate(bag, spec->leak_pa_per_s, bench->physics.ambient_pa);
    bag->leak_far_pa_m3_per_s = taut_bag_leak_for_rate(bag, spec->leak_far_pa_per_s, bench->physics.ambient_pa);
    bag->law = (enum taut_bag_leak_law)spec->law;
    bag->fill_s = spec->fill_s;
    bag->valve_open = open;
    bag->valve_stuck = stuck;
}

static void start_sensor(struct tautsim_bench *bench, int index, uint64_t seed)
{
    const struct tautsim_sensor_spec *spec = &bench->borrowed_scenario->sensor[index];
    const struct taut_sensor_spec physical = {.sd = spec->noise_pa,
                                              .correlation_s = spec->correlation_s,
                                              .wander_per_sqrt_s = spec->wander_pa,
                                              .drift_per_s = spec->drift_pa_per_s,
                                              .offset = spec->offset_pa,
                                              .lag_s = spec->lag_s,
                                              .quantum = spec->quantum_pa};
    taut_sensor_init(&bench->sensor[index], &physical, seed, (uint64_t)index + 1);
    taut_sensor_step(&bench->sensor[index], tautsim_bench_truth(bench, index), 0);
}

struct tautsim_bench *tautsim_bench_new(const struct tautsim_scenario *scenario, uint64_t seed)
{
    struct tautsim_bench *bench = calloc(1, sizeof *bench);
    if (!bench)
        return NULL;
    bench->borrowed_scenario = scenario;
    enum taut_status status =
        taut_bench_init(&bench->physics, &scenario->pump, scenario->ambient.pressure_pa, scenario->ambient.temperature_k);
    assert(status == TAUT_OK);
    (void)status;
    bench->physics.pump_runs = scenario->pump_runs;
    bench->ambient_drift_pa_per_s = scenario->ambient.drift_pa_per_s;
    bench->ambient_wander_pa = scenario->ambient.wander_pa;
    bench->temperature_drift_k_per_s = scenario->ambient.drift_k_per_s;
    taut_random_init(&bench->weather, seed, STREAM_WEATHER);
    for (int i = 0; i < scenario->bags; i++)
        tautsim_bench_renew_bag(bench, i);
    for (int i = 0; i < scenario->valves; i++) {
        const struct tautsim_valve_spec *valve = &scenario->valve[i];
        bench->coil[i] = bench->physics.bag[valve->bag_index].valve_open == (valve->active_high != 0);
    }
    for (int i = 0; i < scenario->sensors; i++)
        start_sensor(bench, i, seed);
    return bench;
}

void tautsim_bench_free(struct tautsim_bench *bench)
{
    free(bench);
}

double tautsim_bench_seconds(const struct tautsim_bench *bench)
{
    return (double)bench->ticks * bench->borrowed_scenario->tick_s;
}

double tautsim_bench_truth(const struct tautsim_bench *bench, int sensor)
{
    const struct tautsim_sensor_spec *spec = &bench->borrowed_scenario->sensor[sensor];
    if (spec->at == TAUTSIM_AT_TEMPERATURE)
        return spec->bag_index >= 0 ? bench->physics.bag[spec->bag_index].temperature_k : bench->physics.temperature_k;
    double p = taut_bench_pressure_pa(&bench->physics, spec->bag_index, (enum taut_place)spec->at);
    switch ((enum taut_reference)spec->reference) {
    case TAUT_REFERENCE_GAUGE:
        return p - bench->physics.ambient_pa;
    case TAUT_REFERENCE_VACUUM:
        return bench->physics.ambient_pa - p;
    case TAUT_REFERENCE_ABSOLUTE:
        break;
    }
    return p;
}

static void run_due_events(struct tautsim_bench *bench)
{
    const struct tautsim_scenario *scenario = bench->borrowed_scenario;
    while (bench->next_event < scenario->events && scenario->event[bench->next_event].at_s <= tautsim_bench_seconds(bench)) {
        struct tautsim_action action;
        char storage[4096];
        struct taut_text reply;
        taut_text_init(&reply, storage, sizeof storage);
        enum taut_status status = tautsim_command_parse(scenario, scenario->event[bench->next_event].command, &action, NULL);
        if (status == TAUT_OK) /* checked when the scenario was read */
            tautsim_command_run(bench, &action, &reply);
        bench->next_event++;
    }
}

static void tick(struct tautsim_bench *bench)
{
    const double dt_s = bench->borrowed_scenario->tick_s;
    run_due_events(bench);
    struct taut_bench *physics = &bench->physics;
    physics->ambient_pa += bench->ambient_drift_pa_per_s * dt_s;
    if (bench->ambient_wander_pa > 0)
        physics->ambient_pa += bench->ambient_wander_pa * sqrt(dt_s) * taut_random_normal(&bench->weather);
    physics->temperature_k += bench->temperature_drift_k_per_s * dt_s;
    taut_bench_step(physics, dt_s);
    bench->ticks++;
    for (int i = 0; i < bench->borrowed_scenario->sensors; i++)
        taut_sensor_step(&bench->sensor[i], tautsim_bench_truth(bench, i), dt_s);
}

bool tautsim_bench_advance(struct tautsim_bench *bench, double seconds, int64_t ticks_most)
{
    int64_t wanted = (int64_t)floor(seconds / bench->borrowed_scenario->tick_s + 1e-6);
    while (bench->ticks < wanted && ticks_most-- > 0)
        tick(bench);
    return bench->ticks >= wanted;
}

double tautsim_bench_engineering(const struct tautsim_bench *bench, int sensor)
{
    const struct tautsim_sensor_spec *spec = &bench->borrowed_scenario->sensor[sensor];
    double reading = bench->sensor[sensor].reading;
    if (spec->at == TAUTSIM_AT_TEMPERATURE)
        return strcmp(spec->engineering, "K") == 0 ? reading : reading - TAUT_KELVIN_AT_0_DEGC;
    return reading / spec->unit_pa;
}

static double loop_ma(const struct tautsim_sensor_spec *spec, double engineering)
{
    if (isnan(engineering))
        return loop_open_ma;
    if (isinf(engineering))
        return loop_short_ma;
    double ma = 4 + 16 * (engineering - spec->range[0]) / (spec->range[1] - spec->range[0]);
    return fmin(fmax(ma, loop_least_ma), loop_most_ma);
}

/* Saturates as converters do; a whole-number register has no NaN: open reads the least, shorted the greatest code. */
static uint32_t whole_code(double number, double least, double most)
{
    double code = isnan(number) ? least : fmin(fmax(nearbyint(number), least), most);
    return (uint32_t)(int64_t)code;
}

static uint32_t code_bits(int type, double number)
{
    switch ((enum taut_reg_type)type) {
    case TAUT_REG_UINT16:
        return whole_code(number, 0, 65535);
    case TAUT_REG_INT16:
        return whole_code(number, -32768, 32767) & 0xFFFF;
    case TAUT_REG_UINT32:
        return whole_code(number, 0, 4294967295.0);
    case TAUT_REG_INT32:
        return whole_code(number, -2147483648.0, 2147483647.0);
    case TAUT_REG_FLOAT32:
        break;
    }
    float f = (float)number;
    uint32_t bits;
    memcpy(&bits, &f, sizeof bits);
    return bits;
}

static uint16_t swap_bytes(uint16_t x)
{
    return (uint16_t)((x << 8) | (x >> 8));
}

/* One or two registers of a sensor as they stand in the table. */
static int encode(const struct tautsim_bench *bench, int sensor, uint16_t out[2])
{
    const struct tautsim_sensor_spec *spec = &bench->borrowed_scenario->sensor[sensor];
    double engineering = tautsim_bench_engineering(bench, sensor);
    double value = spec->loop ? loop_ma(spec, engineering) : engineering;
    uint32_t bits = code_bits(spec->type, (value - spec->offset) / spec->scale);
    int count = taut_decode_register_count((enum taut_reg_type)spec->type);
    bool words = spec->order == TAUT_ORDER_CDAB || spec->order == TAUT_ORDER_DCBA;
    bool bytes = spec->order == TAUT_ORDER_BADC || spec->order == TAUT_ORDER_DCBA;
    if (bench->sensor[sensor].fault == TAUT_SENSOR_WORD_ORDER) {
        if (count == 2)
            words = !words;
        else
            bytes = !bytes;
    }
    uint16_t high = (uint16_t)(bits >> 16), low = (uint16_t)bits;
    if (count == 1)
        high = low;
    else if (words)
        high = low, low = (uint16_t)(bits >> 16);
    out[0] = bytes ? swap_bytes(high) : high;
    out[1] = bytes ? swap_bytes(low) : low;
    return count;
}

/* What a fault makes of the whole answer: 0, an exception, or silence. */
static int transport(enum taut_sensor_fault fault, double number, double *delay_s)
{
    if (fault == TAUT_SENSOR_SILENT)
        return TAUTSIM_SILENT;
    if (fault == TAUT_SENSOR_EXCEPTION)
        return (int)number;
    if (fault == TAUT_SENSOR_SLOW)
        *delay_s = fmax(*delay_s, number);
    return 0;
}

static int unit_transport(const struct tautsim_bench *bench, int gateway, int unit, double *delay_s)
{
    for (int i = 0; i < bench->unit_faults; i++) {
        const struct tautsim_unit_fault *fault = &bench->unit_fault[i];
        if (fault->gateway == gateway && fault->unit == unit)
            return transport(fault->fault, fault->number, delay_s);
    }
    return 0;
}

bool tautsim_bench_has_unit(const struct tautsim_bench *bench, int gateway, int unit)
{
    const struct tautsim_scenario *scenario = bench->borrowed_scenario;
    for (int i = 0; i < scenario->sensors; i++)
        if (scenario->sensor[i].gateway_index == gateway && scenario->sensor[i].unit == unit)
            return true;
    for (int i = 0; i < scenario->valves; i++)
        if (scenario->valve[i].gateway_index == gateway && scenario->valve[i].unit == unit)
            return true;
    return false;
}

int tautsim_bench_registers(const struct tautsim_bench *bench, int gateway, int unit, int table, int first, int count,
                            uint16_t *out, double *delay_s)
{
    const struct tautsim_scenario *scenario = bench->borrowed_scenario;
    *delay_s = 0;
    int outcome = unit_transport(bench, gateway, unit, delay_s);
    if (outcome)
        return outcome;
    memset(out, 0, (size_t)count * sizeof *out);
    bool any = false;
    for (int i = 0; i < scenario->sensors; i++) {
        const struct tautsim_sensor_spec *spec = &scenario->sensor[i];
        if (spec->gateway_index != gateway || spec->unit != unit || spec->table != table || spec->reg >= first + count ||
            spec->reg + 2 <= first)
            continue;
        uint16_t registers[2] = {0};
        int have = encode(bench, i, registers);
        for (int r = 0; r < have; r++) {
            int at = spec->reg + r - first;
            if (at < 0 || at >= count)
                continue;
            out[at] = registers[r];
            any = true;
            outcome = transport(bench->sensor[i].fault, bench->sensor[i].number, delay_s);
            if (outcome)
                return outcome;
        }
    }
    return any ? 0 : EXCEPTION_ADDRESS;
}

int tautsim_bench_coils(const struct tautsim_bench *bench, int gateway, int unit, bool position, int first, int count, bool *out,
                        double *delay_s)
{
    const struct tautsim_scenario *scenario = bench->borrowed_scenario;
    *delay_s = 0;
    int outcome = unit_transport(bench, gateway, unit, delay_s);
    if (outcome)
        return outcome;
    memset(out, 0, (size_t)count * sizeof *out);
    bool any = false;
    for (int i = 0; i < scenario->valves; i++) {
        const struct tautsim_valve_spec *valve = &scenario->valve[i];
        int at = valve->coil - first;
        if (valve->gateway_index != gateway || valve->unit != unit || at < 0 || at >= count)
            continue;
        bool open = bench->physics.bag[valve->bag_index].valve_open;
        out[at] = position ? open == (valve->active_high != 0) : bench->coil[i];
        any = true;
    }
    return any ? 0 : EXCEPTION_ADDRESS;
}

int tautsim_bench_write_coils(struct tautsim_bench *bench, int gateway, int unit, int first, int count, const bool *on,
                              double *delay_s)
{
    bool present[2048];
    int outcome = tautsim_bench_coils(bench, gateway, unit, false, first, count, present, delay_s);
    if (outcome)
        return outcome;
    const struct tautsim_scenario *scenario = bench->borrowed_scenario;
    for (int i = 0; i < scenario->valves; i++) {
        const struct tautsim_valve_spec *valve = &scenario->valve[i];
        int at = valve->coil - first;
        if (valve->gateway_index != gateway || valve->unit != unit || at < 0 || at >= count)
            continue;
        bench->coil[i] = on[at];
        taut_bag_valve(&bench->physics.bag[valve->bag_index], on[at] == (valve->active_high != 0));
    }
    return 0;
}
