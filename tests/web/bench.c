#include "bench.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "clock.h"
#include "taut/taut.h"

#define WALL_NS (INT64_C(1795600000) * TAUT_NS_PER_S)

static void set(char *out, size_t size, const char *text)
{
    snprintf(out, size, "%s", text);
}
#define SET(array, text) set(array, sizeof array, text)

static void recipes(struct bench *b)
{
    for (int i = 0; i < 2; i++) {
        struct taut_recipe *r = &b->recipe[i];
        SET(r->name, i == 0 ? "rudder" : "foil-shell");
        r->drawdown_below_pa = 1000;
        r->drawdown_hold_s = 30;
        r->limit_pa_per_s = 0.5 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
        r->rise_limit_pa = r->rise_within_s = r->fill_below_pa = r->cure_below_pa = NAN;
        r->test_min_s = 60;
        r->test_s = 600;
        r->risk = 0.01;
        r->mode = TAUT_TEST_EARLY;
    }
}

static void wire(struct bench *b, int station, enum taut_role role, int channel, const char *name, double pa)
{
    struct tautd_channel_config *c = &b->channel[channel];
    SET(c->spec.name, name);
    SET(c->line, "benches");
    SET(c->engineering, "mbar");
    c->unit = channel + 1;
    c->type = TAUT_REG_FLOAT32;
    c->period_s = 0.1;
    b->live[channel] = (struct tautd_channel_live){
        .sample = {pa, isfinite(pa) ? TAUT_QUALITY_GOOD : TAUT_QUALITY_BAD,
                   isfinite(pa) ? TAUT_REASON_NONE : TAUT_REASON_LOOP_LOW},
        .mono_ns = tautd_clock_mono_ns(),
        .number = pa / 100,
        .good = 41,
        .bad = isfinite(pa) ? 0 : 7,
    };
    b->station_config[station].channel_index[role] = channel;
    SET(b->station_config[station].channel[role], name);
    struct taut_station *s = &b->station[station];
    s->setup.channel[role].wired = true;
    s->setup.channel[role].u_pa = 10;
    SET(s->setup.channel[role].name, name);
    SET(s->setup.channel[role].calibrated, "2026-03-01");
    s->latest[role] = b->live[channel].sample;
}

static void station(struct bench *b, int index, const char *name)
{
    struct taut_station_setup setup = {.valve = TAUT_VALVE_HAND, .volume_m3 = 0.0024, .u_volume_m3 = 0.0001};
    SET(setup.name, name);
    taut_station_init(&b->station[index], &setup);
    b->station[index].now_wall_ns = WALL_NS;
    SET(b->station_config[index].name, name);
    SET(b->station_config[index].recipe, "rudder");
    for (int r = 0; r < TAUT_ROLES; r++)
        b->station_config[index].channel_index[r] = -1;
}

static void begin(struct taut_station *s, const char *part, int number, const struct taut_recipe *recipe, enum taut_phase phase,
                  double run_s, double phase_s)
{
    SET(s->run.part, part);
    SET(s->run.who, "anna (shop)");
    s->run.number = number;
    s->run.recipe = *recipe;
    s->run.started_wall_ns = WALL_NS - taut_ns(run_s);
    s->phase = phase;
    s->now_ns = taut_ns(run_s);
    s->phase_ns = s->now_ns - taut_ns(phase_s);
}

static struct taut_droptest_result result(enum taut_droptest_stage stage, enum taut_verdict verdict, double mbar_per_min)
{
    const double rate = mbar_per_min * TAUT_PA_PER_S_PER_MBAR_PER_MIN, u = 0.031 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    return (struct taut_droptest_result){
        .stage = stage,
        .verdict = verdict,
        .why = verdict == TAUT_VERDICT_FAIL ? TAUT_WHY_BOUND_ABOVE_LIMIT : TAUT_WHY_TOO_SHORT,
        .model = TAUT_RISE_TRANSIENT_LINE,
        .rate_pa_per_s = rate,
        .u_rate_pa_per_s = u,
        .rate_low_pa_per_s = rate - 2.3 * u,
        .rate_high_pa_per_s = rate + 2.3 * u,
        .rise_pa = NAN,
        .rise_low_pa = NAN,
        .rise_high_pa = NAN,
        .rise_raw_pa = NAN,
        .amplitude_pa = 120,
        .tau_s = 40,
        .p0_pa = 700,
        .noise_pa = 5,
        .phi = 0.9,
        .settle_s = 120,
        .span_s = 252,
        .needed_s = 180,
        .smallest_pa_per_s = 3 * u,
        .leak_pa_m3_per_s = rate * 0.0024,
        .u_leak_pa_m3_per_s = u * 0.0024,
        .n_used = 2520,
        .start_pa = 710,
        .end_pa = 831,
    };
}

static void leak_alarm(struct taut_station *s)
{
    struct taut_station_alarm *a = &s->alarm[TAUT_ALARM_KIND_VACUUM_LOSS];
    a->alarm.state = TAUT_ALARM_UNACK;
    a->alarm.condition = true;
    a->raised_wall_ns = WALL_NS - 20 * TAUT_NS_PER_S;
    a->times = 1;
    a->cause = TAUT_CAUSE_LEAK;
    a->confidence = 0.92;
    SET(a->evidence, "the vent rose 4.1 mbar in 30 s while the manifold stayed at 3 mbar");
    s->watch.finding = (struct taut_watch_finding){
        .rate_alarm = true,
        .baseline_pa = 820,
        .above_pa = 410,
        .rate_pa_per_s = 8.2 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
        .u_rate_pa_per_s = 0.4 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
        .since_s = 30,
        .cause = TAUT_CAUSE_LEAK,
        .confidence = 0.92,
    };
}

void bench_init(struct bench *b)
{
    memset(b, 0, sizeof *b);
    recipes(b);
    SET(b->line[0].name, "benches");
    SET(b->line[0].host, "127.0.0.1");
    b->line[0].kind = TAUTD_LINE_TCP;
    b->line[0].port = 1502;
    SET(b->line[1].name, "foil");
    SET(b->line[1].device, "/dev/ttyUSB0");
    b->line[1].baud = 19200;
    station(b, 0, "A");
    station(b, 1, "B");
    station(b, 2, "C");
    wire(b, 0, TAUT_ROLE_VENT, 0, "A.vent", 831);
    wire(b, 0, TAUT_ROLE_MANIFOLD, 1, "pump", 302);
    wire(b, 1, TAUT_ROLE_VENT, 2, "B.vent", 1230);
    wire(b, 2, TAUT_ROLE_VENT, 3, "C.vent", NAN);
    wire(b, 2, TAUT_ROLE_TEMPERATURE, 4, "C.room", 294.65);
    b->channel[4].spec.quantity = TAUT_QUANTITY_TEMPERATURE;

    struct taut_station *a = &b->station[0];
    begin(a, "RB-114 \"\xC3\x96\"", 2, &b->recipe[0], TAUT_PHASE_DROP_TEST, 4000, 252);
    a->valve_open = false;
    a->droptest.result = result(TAUT_STAGE_MEASURING, TAUT_VERDICT_NONE, 0.213);
    a->tests = 1;
    a->test[0] =
        (struct taut_test_record){taut_ns(3000), WALL_NS - taut_ns(1000), result(TAUT_STAGE_DECIDED, TAUT_VERDICT_FAIL, 2.4)};
    a->figures[TAUT_PHASE_DRAWDOWN] = (struct taut_phase_figures){900, 690, 101325, 9000, 2};
    begin(&b->station[1], "FS-7", 1, &b->recipe[1], TAUT_PHASE_FILL, 7000, 1500);
    leak_alarm(&b->station[1]);
    b->config = (struct tautd_config){
        .lines = 2,
        .channels = BENCH_CHANNELS,
        .stations = BENCH_STATIONS,
        .recipes = 2,
        .line = b->line,
        .channel = b->channel,
        .station = b->station_config,
        .recipe = b->recipe,
    };
    SET(b->config.path, "taut.yaml");
}

static const struct tautd_config *get_config(void *ctx)
{
    return &((struct bench *)ctx)->config;
}

static const struct taut_station *get_station(void *ctx, int index)
{
    return &((struct bench *)ctx)->station[index];
}

static const struct tautd_channel_live *get_channel(void *ctx, int index)
{
    return &((struct bench *)ctx)->live[index];
}

static void get_stats(void *ctx, int line, struct tautd_bus_stats *out)
{
    (void)ctx;
    *out = (struct tautd_bus_stats){
        .requests = 100, .answers = line ? 0 : 99, .timeouts = line ? 100 : 1, .busy_frac = 0.4, .up = !line};
}

static const char *get_folder(void *ctx, int station)
{
    (void)ctx;
    return station == 0 ? "/var/lib/taut/parts/RB-114/2" : NULL;
}

static uint64_t get_rows(void *ctx, int station)
{
    (void)ctx;
    return station == 0 ? 40000 : 0;
}

static enum taut_status give_command(void *ctx, int station, const struct taut_command *command, const char *part,
                                     const char *recipe, const struct tautd_api_peer *peer, struct taut_diag *diag)
{
    struct bench *b = ctx;
    if (command->verb == TAUT_VERB_FINISH)
        return taut_diag_set(diag, TAUT_E_STATE, "the part is in %s; finish comes after cure",
                             taut_phase_text(b->station[station].phase));
    if (command->verb == TAUT_VERB_CLAMP)
        return taut_diag_set(diag, TAUT_E_DENIED, "this account may not clamp");
    b->last = *command;
    SET(b->last_part, part);
    SET(b->last_recipe, recipe);
    b->last_peer = *peer;
    b->commands++;
    if (command->verb == TAUT_VERB_START)
        begin(&b->station[station], part, 1, &b->recipe[0], TAUT_PHASE_DRAWDOWN, 0, 0);
    return TAUT_OK;
}

static int64_t get_uptime(void *ctx)
{
    (void)ctx;
    return 11520 * TAUT_NS_PER_S;
}

struct tautd_api_host bench_host(struct bench *bench)
{
    return (struct tautd_api_host){bench,      get_config, get_station,  get_channel, get_stats,
                                   get_folder, get_rows,   give_command, get_uptime};
}
