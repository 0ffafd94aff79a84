/* Are the causes told apart?  Seeded scenarios on the simulated bench (lib/model): a bag with a vent and a far sensor, a
 * manifold sensor, sometimes a barometer and a thermometer; a fault at a random moment; the cause that the watch gives
 * last against the true one. Three sets: the seeds that the rules were tuned on, fresh seeds, and fresh seeds with
 * wider ranges of volumes, conductances, pump, noise and fault sizes. The bench is a model: no real bag stands behind it.
 *
 * Short: 12 of each kind and set. TAUT_STAT_FULL=1: 60. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "taut/bag.h"
#include "tt_watch.h"

#define LITRE     1e-3
#define IS(cause) (1u << TAUT_CAUSE_##cause)

enum kind {
    QUIET,
    LEAK_VENT,
    LEAK_FAR,
    LEAK_CLAMPED,
    LEAK_ISOLATED,
    PUMP_STOPS,
    PUMP_TIRES,
    MANIFOLD_LEAKS,
    LINE_KINKED,
    VALVE_STAYS_SHUT,
    VALVE_STAYS_OPEN,
    VALVE_OPEN_QUIET,
    RESIN_AT_VENT,
    MOIST_BAG,
    BAROMETER_FALLS,
    BAG_WARMS,
    ENDS_EQUALISE,
    WIRE_OPEN,
    WIRE_SHORT,
    FROZEN,
    STUCK,
    NOISY,
    DRIFTING,
    WORDS_SWAPPED,
    SILENT,
    EXCEPTION,
    KINDS
};

/* `right`: what the answer should be. `fair`: also true as far as the readings go. */
static const struct {
    const char *name;
    unsigned right, fair;
} kinds[KINDS] = {
    [QUIET] = {"quiet",             IS(NONE),                  0                          },
    [LEAK_VENT] = {"leak, vent end",    IS(LEAK),                  0                          },
    [LEAK_FAR] = {"leak, far end",     IS(LEAK),                  0                          },
    [LEAK_CLAMPED] = {"leak, clamped",     IS(LEAK),                  0                          },
    [LEAK_ISOLATED] = {"leak, isolated",    IS(LEAK),                  0                          },
    [PUMP_STOPS] = {"pump stops",        IS(SUPPLY),                0                          },
    [PUMP_TIRES] = {"pump tires",        IS(SUPPLY),                0                          },
    [MANIFOLD_LEAKS] = {"manifold leaks",    IS(SUPPLY),                0                          },
    [LINE_KINKED] = {"line kinked",       IS(LINE_BLOCKED),          IS(NONE) | IS(VALVE)       },
    [VALVE_STAYS_SHUT] = {"valve stays shut",  IS(VALVE),                 IS(NONE) | IS(LINE_BLOCKED)},
    [VALVE_STAYS_OPEN] = {"valve stays open",  IS(VALVE),                 IS(SUPPLY) | IS(NONE)      },
    [VALVE_OPEN_QUIET] = {"valve open, quiet", IS(NONE),                  IS(VALVE)                  },
    [RESIN_AT_VENT] = {"resin at vent",     IS(RESIN) | IS(NONE),      0                          },
    [MOIST_BAG] = {"moist bag",         IS(MOISTURE),              IS(NONE)                   },
    [BAROMETER_FALLS] = {"barometer falls",   IS(BAROMETER) | IS(NONE),  0                          },
    [BAG_WARMS] = {"bag warms",         IS(TEMPERATURE),           IS(NONE)                   },
    [ENDS_EQUALISE] = {"ends equalise",     IS(EQUALISING) | IS(NONE), 0                          },
    [WIRE_OPEN] = {"wire open",         IS(SENSOR),                0                          },
    [WIRE_SHORT] = {"wire short",        IS(SENSOR),                0                          },
    [FROZEN] = {"frozen",            IS(SENSOR),                0                          },
    [STUCK] = {"stuck",             IS(SENSOR),                0                          },
    [NOISY] = {"noisy",             IS(SENSOR),                0                          },
    [DRIFTING] = {"drifting",          IS(SENSOR),                0                          },
    [WORDS_SWAPPED] = {"words swapped",     IS(SENSOR),                0                          },
    [SILENT] = {"silent",            IS(COMMUNICATION),         0                          },
    [EXCEPTION] = {"exception",         IS(COMMUNICATION),         0                          },
};

struct scene {
    struct taut_random random;
    bool wide;
    struct taut_bench bench;
    struct taut_watch watch;
    struct taut_sensor vent, far, manifold, ambient, temperature;
    bool has_ambient, has_temperature, gauge;
    double t_s, vent_m3_per_s, rest_pa_per_s;
    bool called_tight;
    struct taut_watch_finding last; /* newest with a cause */
};

/* Log-uniform; the wide ranges go further by `more` at both ends. */
static double draw(struct scene *s, double low, double high, double more)
{
    if (s->wide) {
        low /= more;
        high *= more;
    }
    return exp(taut_random_between(&s->random, log(low), log(high)));
}

static void settle(struct scene *s, double seconds)
{
    for (double t = 0; t < seconds; t += 0.5)
        taut_bench_step(&s->bench, 0.5);
}

static struct taut_sample plain(double value)
{
    return (struct taut_sample){.value = value, .quality = TAUT_QUALITY_GOOD};
}

/* Gauge sensors whose ambient is taken as fixed show a falling barometer as a rise. */
static double as_read(const struct scene *s, enum taut_place place)
{
    double wrong = s->gauge ? TAUT_STANDARD_ATMOSPHERE_PA - s->bench.ambient_pa : 0;
    return taut_bench_pressure_pa(&s->bench, 0, place) + wrong;
}

static void run(struct scene *s, double seconds)
{
    for (int i = 0; i < (int)(seconds * 10); i++) {
        struct taut_sweep sweep = {.present = 1u << TAUT_ROLE_VENT | 1u << TAUT_ROLE_FAR | 1u << TAUT_ROLE_MANIFOLD};
        taut_bench_step(&s->bench, 0.1);
        s->t_s += 0.1;
        taut_sensor_step(&s->vent, as_read(s, TAUT_PLACE_VENT), 0.1);
        taut_sensor_step(&s->far, as_read(s, TAUT_PLACE_FAR), 0.1);
        taut_sensor_step(&s->manifold, as_read(s, TAUT_PLACE_MANIFOLD), 0.1);
        sweep.sample[TAUT_ROLE_VENT] = taut_sensor_sample(&s->vent);
        sweep.sample[TAUT_ROLE_FAR] = taut_sensor_sample(&s->far);
        sweep.sample[TAUT_ROLE_MANIFOLD] = taut_sensor_sample(&s->manifold);
        if (s->has_ambient) {
            sweep.present |= 1u << TAUT_ROLE_AMBIENT;
            sweep.sample[TAUT_ROLE_AMBIENT] = plain(taut_sensor_step(&s->ambient, s->bench.ambient_pa, 0.1));
        }
        if (s->has_temperature) {
            sweep.present |= 1u << TAUT_ROLE_TEMPERATURE;
            sweep.sample[TAUT_ROLE_TEMPERATURE] = plain(taut_sensor_step(&s->temperature, s->bench.bag[0].temperature_k, 0.1));
        }
        const struct taut_watch_finding *f = taut_watch_push(&s->watch, taut_ns(s->t_s), &sweep);
        s->called_tight |= taut_watch_last_check(&s->watch)->verdict == TAUT_CHECK_TIGHT;
        if (f->cause != TAUT_CAUSE_NONE)
            s->last = *f;
    }
}

static void make_sensors(struct scene *s, uint64_t seed)
{
    double sd = draw(s, 2, 10, 2); /* 0.02 to 0.1 mbar */
    const struct taut_sensor_spec spec = {.sd = sd, .correlation_s = 0.95, .wander_per_sqrt_s = 0.02 * sd, .quantum = 0.1};
    const struct taut_sensor_spec barometer = {.sd = 5, .correlation_s = 1}, thermometer = {.sd = 0.05, .correlation_s = 1};
    taut_sensor_init(&s->vent, &spec, seed, 101);
    taut_sensor_init(&s->far, &spec, seed, 102);
    taut_sensor_init(&s->manifold, &spec, seed, 103);
    taut_sensor_init(&s->ambient, &barometer, seed, 104);
    taut_sensor_init(&s->temperature, &thermometer, seed, 105);
    s->has_ambient = taut_random_uniform(&s->random) < 0.5;
    s->has_temperature = taut_random_uniform(&s->random) < 0.5;
}

/* A bag under the pump, tested tight, the watch having learnt. */
static void prepare(struct scene *s, enum kind kind, uint64_t seed)
{
    double volume = draw(s, 1, 10, 2) * LITRE,
           far = s->wide ? taut_random_between(&s->random, 0.15, 0.75) : taut_random_between(&s->random, 0.3, 0.6);
    struct taut_pump_spec pump = {.manifold_m3 = draw(s, 2, 40, 1.5) * LITRE,
                                  .speed_m3_per_s = draw(s, 5, 25, 1.6) * LITRE,
                                  .ultimate_pa = draw(s, 100, 400, 2),
                                  .backflow_m3_per_s = draw(s, 0.02, 0.2, 1.5) * LITRE};
    s->vent_m3_per_s = draw(s, 0.3, 1, 1.8) * LITRE;
    struct taut_bag_spec bag = {.near_m3 = volume * (1 - far),
                                .far_m3 = volume * far,
                                .link_m3_per_s = draw(s, 0.1, 0.5, 2) * LITRE,
                                .vent_m3_per_s = s->vent_m3_per_s,
                                .release_pa_m3 = draw(s, 0.5, 5, 2),
                                .release_s = draw(s, 40, 90, 1.5),
                                .far_sensor_frac = taut_random_between(&s->random, 0.3, 0.8)};
    if (kind == ENDS_EQUALISE)
        bag.link_m3_per_s = volume * far / draw(s, 20, 80, 1.5);
    if (kind == MOIST_BAG) {
        bag.moisture_pa_m3 = 1e4;
        bag.moisture_m3_per_s = volume / draw(s, 20, 60, 1.5);
    }
    if (taut_bench_init(&s->bench, &pump, TAUT_STANDARD_ATMOSPHERE_PA, 294 + 3 * taut_random_normal(&s->random)) != TAUT_OK ||
        taut_bench_add(&s->bench, &bag, NULL) != TAUT_OK)
        fail_msg("bench refused");
    struct taut_bag *b = &s->bench.bag[0];
    bool blocked = kind == LINE_KINKED || kind == VALVE_STAYS_SHUT;
    s->rest_pa_per_s = (blocked ? draw(s, 0.5, 1.5, 1.3) : draw(s, 0.03, 0.3, 1.5)) * TT_MBAR_PER_MIN;
    b->leak_near_pa_m3_per_s = taut_bag_leak_for_rate(b, s->rest_pa_per_s, TAUT_STANDARD_ATMOSPHERE_PA);
    b->fill_s = draw(s, 500, 2000, 1.5);
    s->bench.pump_runs = true;
    settle(s, 900);
    struct taut_watch_rule rule = tt_rule(1000, 2, 1);
    if (taut_watch_init(&s->watch, &rule) != TAUT_OK)
        fail_msg("rule refused");
    make_sensors(s, seed);
    run(s, 300);
    /* as a drop test would have measured it */
    taut_watch_isolated_rate(&s->watch, s->rest_pa_per_s * (1 + 0.1 * taut_random_normal(&s->random)));
}

static void hold(struct scene *s, enum taut_hold how)
{
    bool shut = how == TAUT_HOLD_ISOLATED || how == TAUT_HOLD_CLAMPED;
    taut_bag_valve(&s->bench.bag[0], !shut);
    taut_watch_hold(&s->watch, how, taut_ns(s->t_s));
}

static void fill_for_a_while(struct scene *s)
{
    s->bench.bag[0].feed_open = taut_random_uniform(&s->random) < 0.5;
    hold(s, TAUT_HOLD_PUMPED);
    run(s, taut_random_between(&s->random, 40, 120));
}

static void leak_at(struct scene *s, bool far_end)
{
    struct taut_bag *b = &s->bench.bag[0];
    double flow = draw(s, 150, 2000, 1.3) * s->vent_m3_per_s; /* 1.5 to 20 mbar at the vent */
    *(far_end ? &b->leak_far_pa_m3_per_s : &b->leak_near_pa_m3_per_s) += flow;
}

static void sensor_fault(struct scene *s, enum kind kind)
{
    static const enum taut_sensor_fault faults[KINDS] = {
        [WIRE_OPEN] = TAUT_SENSOR_OPEN,     [WIRE_SHORT] = TAUT_SENSOR_SHORT,
        [FROZEN] = TAUT_SENSOR_FROZEN,      [STUCK] = TAUT_SENSOR_STUCK,
        [NOISY] = TAUT_SENSOR_NOISY,        [DRIFTING] = TAUT_SENSOR_DRIFTING,
        [SILENT] = TAUT_SENSOR_SILENT,      [WORDS_SWAPPED] = TAUT_SENSOR_WORD_ORDER,
        [EXCEPTION] = TAUT_SENSOR_EXCEPTION};
    double number = kind == STUCK   ? draw(s, 50, 20000, 1)
                    : kind == NOISY ? draw(s, 150, 1500, 1.3)
                                    : draw(s, 0.03, 0.3, 1.3) * TT_MBAR;
    taut_sensor_break(&s->vent, faults[kind], number);
}

/* What happens, and how long it is looked at. */
static void play(struct scene *s, enum kind kind)
{
    struct taut_bag *b = &s->bench.bag[0];
    switch (kind) {
    case LEAK_CLAMPED:
        fill_for_a_while(s);
        b->feed_open = false;
        hold(s, TAUT_HOLD_CLAMPED);
        run(s, 60);
        b->leak_far_pa_m3_per_s +=
            taut_bag_leak_for_rate(b, draw(s, 40, 150, 1.2) * TT_MBAR_PER_MIN, TAUT_STANDARD_ATMOSPHERE_PA);
        run(s, 60);
        return;
    case LEAK_ISOLATED:
        fill_for_a_while(s);
        b->leak_far_pa_m3_per_s += taut_bag_leak_for_rate(b, draw(s, 4, 40, 1.2) * TT_MBAR_PER_MIN, TAUT_STANDARD_ATMOSPHERE_PA);
        run(s, 20);
        hold(s, TAUT_HOLD_ISOLATED);
        run(s, 60);
        return;
    case VALVE_STAYS_SHUT:
        b->valve_open = false;
        b->valve_stuck = true;
        hold(s, TAUT_HOLD_PUMPED);
        run(s, 400);
        return;
    case VALVE_STAYS_OPEN:
    case VALVE_OPEN_QUIET:
        fill_for_a_while(s);
        b->valve_stuck = true;
        hold(s, TAUT_HOLD_ISOLATED);
        run(s, 30);
        if (kind == VALVE_STAYS_OPEN)
            s->bench.manifold_leak_pa_m3_per_s = draw(s, 300, 3000, 1.2) * s->bench.pump.speed_m3_per_s;
        run(s, 60);
        return;
    case MOIST_BAG:
        hold(s, TAUT_HOLD_PUMPED);
        run(s, 30);
        hold(s, TAUT_HOLD_ISOLATED);
        run(s, 300);
        return;
    case ENDS_EQUALISE:
        hold(s, TAUT_HOLD_PUMPED);
        run(s, 30);
        b->far.air_pa += draw(s, 800, 3000, 1.5);
        run(s, 22);
        hold(s, TAUT_HOLD_ISOLATED);
        run(s, 60);
        return;
    case BAG_WARMS:
        hold(s, TAUT_HOLD_PUMPED);
        taut_bag_valve(b, false);
        b->near.air_pa = b->far.air_pa = draw(s, 2000, 15000, 1.5);
        s->has_temperature = true;
        hold(s, TAUT_HOLD_CLAMPED);
        taut_bag_valve(b, false);
        taut_watch_hold(&s->watch, TAUT_HOLD_CURE, taut_ns(s->t_s));
        run(s, 60);
        b->warmer_k = draw(s, 15, 60, 1.2);
        b->warming_s = draw(s, 100, 400, 1.2);
        run(s, 200);
        return;
    default:
        break;
    }
    fill_for_a_while(s);
    double seconds = 150;
    switch (kind) {
    case LEAK_VENT:
    case LEAK_FAR:
        leak_at(s, kind == LEAK_FAR);
        break;
    case PUMP_STOPS:
        s->bench.pump_runs = false;
        seconds = 300;
        break;
    case PUMP_TIRES:
        s->bench.ultimate_rise_pa_per_s = draw(s, 2, 40, 1.3);
        break;
    case MANIFOLD_LEAKS:
        s->bench.manifold_leak_pa_m3_per_s = draw(s, 200, 3000, 1.2) * s->bench.pump.speed_m3_per_s;
        break;
    case LINE_KINKED:
        b->vent_frac = taut_random_uniform(&s->random) < 0.5 ? 0 : draw(s, 0.0001, 0.001, 2);
        seconds = 400;
        break;
    case RESIN_AT_VENT:
        taut_bag_cover_vent(b);
        break;
    case BAROMETER_FALLS: {
        s->gauge = true;
        double per_s = draw(s, 1, 6, 1.5) * TT_MBAR / 3600;
        for (int i = 0; i < 900; i++) {
            s->bench.ambient_pa -= per_s;
            run(s, 1);
        }
        return;
    }
    default:
        if (kind >= WIRE_OPEN)
            sensor_fault(s, kind);
        break;
    }
    run(s, seconds);
}

enum { SETS = 3 };
static const char *const set_names[SETS] = {"tuned on", "fresh seeds", "wider ranges"};
static unsigned count[SETS][KINDS][TAUT_CAUSES], confident_wrong[SETS][KINDS], tight[SETS][KINDS];

static int each(void)
{
    return tt_full() ? 60 : 12;
}

static void play_all(int set)
{
    for (int kind = 0; kind < KINDS; kind++) {
        for (int i = 0; i < each(); i++) {
            uint64_t seed = (uint64_t)(set * 100000 + kind * 1000 + i);
            static struct scene s;
            memset(&s, 0, sizeof s);
            s.wide = set == 2;
            taut_random_init(&s.random, seed, 7);
            prepare(&s, (enum kind)kind, seed);
            play(&s, (enum kind)kind);
            const struct taut_watch_finding *f = &s.last;
            unsigned fits = kinds[kind].right | kinds[kind].fair | IS(UNKNOWN) | IS(NONE);
            bool wrong = f->confidence >= 0.7 && ((1u << f->cause) & fits) == 0;
            count[set][kind][f->cause]++;
            confident_wrong[set][kind] += wrong;
            tight[set][kind] += s.called_tight;
            if (((1u << f->cause) & (kinds[kind].right | kinds[kind].fair)) == 0 && getenv("TAUT_STAT_TALK"))
                print_message("set %d %s seed %d: %s %.2f: %s\n", set, kinds[kind].name, (int)seed, taut_cause_text(f->cause),
                              f->confidence, f->evidence);
        }
    }
}

static unsigned sum_of(int set, int kind, unsigned mask)
{
    unsigned sum = 0;
    for (int c = 0; c < TAUT_CAUSES; c++)
        sum += mask & (1u << c) ? count[set][kind][c] : 0;
    return sum;
}

static void show(int set)
{
    static const char *const heads[TAUT_CAUSES] = {"none", "unkn", "leak", "supp", "line", "valv", "resi",
                                                   "mois", "baro", "temp", "sens", "comm", "equa"};
    char line[200];
    int at = snprintf(line, sizeof line, "%-18s", set_names[set]);
    for (int c = 0; c < TAUT_CAUSES; c++)
        at += snprintf(line + at, sizeof line - (size_t)at, " %4s", heads[c]);
    print_message("%s  right fair wrong!\n", line);
    for (int kind = 0; kind < KINDS; kind++) {
        at = snprintf(line, sizeof line, "%-18s", kinds[kind].name);
        for (int c = 0; c < TAUT_CAUSES; c++)
            at += snprintf(line + at, sizeof line - (size_t)at, count[set][kind][c] ? " %4u" : "    .", count[set][kind][c]);
        print_message("%s  %5u %4u %6u\n", line, sum_of(set, kind, kinds[kind].right),
                      sum_of(set, kind, kinds[kind].fair & ~kinds[kind].right), confident_wrong[set][kind]);
    }
}

static void check(int set, double least_right, double most_wrong)
{
    play_all(set);
    show(set);
    unsigned right = 0, wrong = 0, all = (unsigned)(KINDS * each());
    for (int kind = 0; kind < KINDS; kind++) {
        right += sum_of(set, kind, kinds[kind].right | kinds[kind].fair);
        wrong += confident_wrong[set][kind];
    }
    print_message("%s: %.1f %% right, %.1f %% confidently wrong, of %u\n", set_names[set], 100.0 * right / all,
                  100.0 * wrong / all, all);
    assert_true(right >= least_right * all);
    assert_true(wrong <= most_wrong * all);
    double few = 0.05 * each() + (tt_full() ? 0 : 1); /* a dozen draws can not show 5 % */
    /* what is no leak is hardly ever called one, and nothing that was not shut off, or not read, is called tight */
    assert_true(sum_of(set, ENDS_EQUALISE, IS(LEAK)) <= few);
    assert_true(sum_of(set, MOIST_BAG, IS(LEAK)) <= few);
    assert_true(sum_of(set, BAROMETER_FALLS, IS(LEAK)) <= few);
    assert_int_equal(tight[set][VALVE_STAYS_OPEN] + tight[set][VALVE_OPEN_QUIET], 0);
    for (int kind = WIRE_OPEN; kind < KINDS; kind++)
        assert_int_equal(tight[set][kind], 0);
}

static void the_set_that_was_tuned_on_is_told_apart(void **state)
{
    (void)state;
    check(0, 0.95, 0.01);
}

static void fresh_seeds_are_told_apart(void **state)
{
    (void)state;
    check(1, 0.95, 0.01);
}

static void wider_ranges_are_told_apart(void **state)
{
    (void)state;
    check(2, 0.90, 0.02);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_set_that_was_tuned_on_is_told_apart),
        cmocka_unit_test(fresh_seeds_are_told_apart),
        cmocka_unit_test(wider_ranges_are_told_apart),
    };
    return cmocka_run_group_tests_name("watch causes", tests, NULL, NULL);
}
