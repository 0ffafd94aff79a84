#include "command.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "taut/units.h"

enum { WORDS_MAX = 6 };
static const double per_min = 1.0 / 60.0, litre = 1e-3;

/* What an argument may be: a number between bounds, or one of some words. */
struct argument {
    const char *words; /* "a|b"; NULL for a number */
    double least, most;
};

enum subject { ON_BENCH, ON_BAG, ON_SENSOR, ON_UNIT, ON_GATEWAY };

struct command_row {
    enum subject subject;
    const char *noun, *verb; /* verb "" = none */
    int least, most;         /* arguments */
    struct argument argument[2];
    const char *usage, *help;
    void (*run)(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply);
};

static struct taut_bag *bag_of(struct tautsim_bench *bench, const struct tautsim_action *action)
{
    return &bench->physics.bag[action->index];
}

static bool said(const struct tautsim_action *action, int at, const char *word)
{
    return action->words > at && strcmp(action->word[at], word) == 0;
}

static void bag_leak(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    struct taut_bag *bag = bag_of(bench, action);
    double flow = taut_bag_leak_for_rate(bag, action->number[0] * TAUT_PA_PER_S_PER_MBAR_PER_MIN, bench->physics.ambient_pa);
    if (said(action, 1, "far"))
        bag->leak_far_pa_m3_per_s = flow;
    else
        bag->leak_near_pa_m3_per_s = flow;
    if (flow == 0 && action->words == 1)
        bag->leak_far_pa_m3_per_s = 0;
}

static void bag_kink(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bag_of(bench, action)->vent_frac = 1 - action->number[0];
}

static void bag_valve(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    struct taut_bag *bag = bag_of(bench, action);
    if (said(action, 0, "stuck"))
        bag->valve_stuck = true;
    else if (said(action, 0, "free"))
        bag->valve_stuck = false;
    else
        taut_bag_valve(bag, said(action, 0, "open"));
}

static void bag_seat(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bag_of(bench, action)->spec.seat_m3_per_s = action->number[0] * litre;
}

static void bag_fill(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    struct taut_bag *bag = bag_of(bench, action);
    bag->feed_open = !said(action, 0, "stop");
    if (bag->feed_open)
        bag->fill_s = action->number[0];
}

static void bag_front(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    taut_bag_set_front(bag_of(bench, action), action->number[0]);
}

static void bag_resin(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    (void)action;
    taut_bag_cover_vent(bag_of(bench, action));
}

static void bag_wet(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    struct taut_bag *bag = bag_of(bench, action);
    bag->moisture_left_pa_m3 = action->number[0] * TAUT_PA_PER_MBAR * litre;
    bag->spec.moisture_m3_per_s = action->number[1] * litre;
}

static void bag_warm(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bag_of(bench, action)->warmer_k = action->number[0];
}

static void bag_renew(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    tautsim_bench_renew_bag(bench, action->index);
}

static void pump_state(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->physics.pump_runs = said(action, 0, "on");
}

static void pump_strength(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->physics.pump_frac = action->number[0];
}

static void pump_ultimate(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->physics.pump.ultimate_pa = action->number[0] * TAUT_PA_PER_MBAR;
    bench->physics.ultimate_extra_pa = 0;
}

static void pump_creep(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->physics.ultimate_rise_pa_per_s = action->number[0] * TAUT_PA_PER_MBAR * per_min;
}

static void manifold_leak(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->physics.manifold_leak_pa_m3_per_s = action->number[0] * TAUT_PA_PER_MBAR * litre;
}

static void barometer(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->physics.ambient_pa = action->number[0] * TAUT_PA_PER_MBAR;
}

static void barometer_drift(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->ambient_drift_pa_per_s = action->number[0] * TAUT_PA_PER_MBAR / 3600;
}

static void temperature(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->physics.temperature_k = action->number[0] + TAUT_KELVIN_AT_0_DEGC;
}

static void temperature_drift(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->temperature_drift_k_per_s = action->number[0] / 3600;
}

/* Number of a fault from the unit of the command: mbar (or K) to Pa, the rest as it is. */
static double fault_number(const struct tautsim_sensor_spec *spec, enum taut_sensor_fault fault, double number)
{
    double unit = spec->at == TAUTSIM_AT_TEMPERATURE ? 1 : TAUT_PA_PER_MBAR;
    switch (fault) {
    case TAUT_SENSOR_STUCK:
    case TAUT_SENSOR_NOISY:
        return number * unit;
    case TAUT_SENSOR_DRIFTING:
        return number * unit * per_min;
    default:
        return number;
    }
}

static void sensor_fault(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    enum taut_sensor_fault fault = TAUT_SENSOR_OK;
    if (taut_sensor_fault_parse(action->word[0], &fault) != TAUT_OK)
        return; /* checked when it was parsed */
    const struct tautsim_sensor_spec *spec = &bench->borrowed_scenario->sensor[action->index];
    double number = action->words > 1 ? action->number[1] : fault == TAUT_SENSOR_EXCEPTION ? 4 : 1;
    taut_sensor_break(&bench->sensor[action->index], fault, fault_number(spec, fault, number));
}

static void sensor_noise(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    double unit = bench->borrowed_scenario->sensor[action->index].at == TAUTSIM_AT_TEMPERATURE ? 1 : TAUT_PA_PER_MBAR;
    bench->sensor[action->index].spec.sd = action->number[0] * unit;
}

static void unit_fault(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    enum taut_sensor_fault fault = TAUT_SENSOR_OK;
    if (taut_sensor_fault_parse(action->word[0], &fault) != TAUT_OK)
        return; /* checked when it was parsed */
    for (int gateway = 0; gateway < bench->borrowed_scenario->gateways; gateway++) {
        int at = 0;
        while (at < bench->unit_faults &&
               (bench->unit_fault[at].gateway != gateway || bench->unit_fault[at].unit != action->index))
            at++;
        if (!tautsim_bench_has_unit(bench, gateway, action->index))
            continue;
        if (at == TAUTSIM_UNIT_FAULTS_MAX) {
            taut_text_addf(reply, "no room for more than %d units with a fault\n", TAUTSIM_UNIT_FAULTS_MAX);
            return;
        }
        double number = action->words > 1 ? action->number[1] : fault == TAUT_SENSOR_EXCEPTION ? 4 : 1;
        bench->unit_fault[at] =
            (struct tautsim_unit_fault){.gateway = gateway, .unit = action->index, .fault = fault, .number = number};
        if (at == bench->unit_faults)
            bench->unit_faults++;
    }
}

static void gateway(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->gateway_down[action->index] = said(action, 0, "down");
}

static void serial(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->serial_down = said(action, 0, "down");
}

static void quiet(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)reply;
    bench->quiet = said(action, 0, "on");
    for (int i = 0; i < bench->borrowed_scenario->sensors; i++) {
        const struct tautsim_sensor_spec *spec = &bench->borrowed_scenario->sensor[i];
        bench->sensor[i].spec.sd = bench->quiet ? 0 : spec->noise_pa;
        bench->sensor[i].spec.wander_per_sqrt_s = bench->quiet ? 0 : spec->wander_pa;
    }
}

static void show(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)action;
    const struct taut_bench *physics = &bench->physics;
    taut_text_addf(reply, "time %.2f s, manifold %.3f mbar, pump %s, barometer %.2f mbar, room %.2f degC\n",
                   tautsim_bench_seconds(bench), taut_mbar(taut_bench_pressure_pa(physics, 0, TAUT_PLACE_MANIFOLD)),
                   physics->pump_runs ? "on" : "off", taut_mbar(physics->ambient_pa),
                   physics->temperature_k - TAUT_KELVIN_AT_0_DEGC);
    for (int i = 0; i < physics->bags; i++) {
        const struct taut_bag *bag = &physics->bag[i];
        double volume = bag->spec.near_m3 + bag->spec.far_m3;
        double leak = (bag->leak_near_pa_m3_per_s + bag->leak_far_pa_m3_per_s) / volume;
        taut_text_addf(reply, "bag %s near %.3f mbar, far %.3f mbar, valve %s%s, leak %.3f mbar/min, kink %.2f, front %.2f%s\n",
                       bench->borrowed_scenario->bag[i].name, taut_mbar(taut_bench_pressure_pa(physics, i, TAUT_PLACE_VENT)),
                       taut_mbar(taut_bench_pressure_pa(physics, i, TAUT_PLACE_FAR)), bag->valve_open ? "open" : "closed",
                       bag->valve_stuck ? " (stuck)" : "", taut_mbar_per_min(leak), 1 - bag->vent_frac, bag->front_frac,
                       bag->resin_at_vent ? ", resin at the vent sensor" : "");
    }
}

static void readings(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)action;
    for (int i = 0; i < bench->borrowed_scenario->sensors; i++) {
        const struct tautsim_sensor_spec *spec = &bench->borrowed_scenario->sensor[i];
        taut_text_addf(reply, "%s %.4f %s %s\n", spec->name, tautsim_bench_engineering(bench, i), spec->engineering,
                       taut_sensor_fault_text(bench->sensor[i].fault));
    }
}

static void help(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    (void)bench;
    (void)action;
    tautsim_command_help(reply);
}

#define ANY_FAULT  "ok|frozen|open|short|stuck|noisy|drifting|word-order|silent|exception|slow"
#define UNIT_FAULT "ok|silent|exception|slow"
#define NUMBER(least, most)                                                                                                      \
    {                                                                                                                            \
        NULL, least, most                                                                                                        \
    }
#define WORD(words)                                                                                                              \
    {                                                                                                                            \
        words, 0, 0                                                                                                              \
    }

static const struct command_row table[] = {
    {ON_BAG,
     "bag",                     "leak",
     1,                                        2,
     {NUMBER(0, 10000), WORD("near|far")},
     "bag NAME leak MBAR_PER_MIN [near|far]",                                                        "leak as the rise of the isolated bag; 0 seals both ends",
     bag_leak                                                                                                                                                                    },
    {ON_BAG,
     "bag",                     "kink",
     1,                                        1,
     {NUMBER(0, 1)},
     "bag NAME kink SHARE",                                                                          "how much of the vent line is pinched off, 0 to 1",
     bag_kink                                                                                                                                                                    },
    {ON_BAG,
     "bag",                     "valve",
     1,                                        1,
     {WORD("open|closed|stuck|free")},
     "bag NAME valve open|closed|stuck|free",                                                        "turn the valve by hand; stuck: it stays where it is",
     bag_valve                                                                                                                                                                   },
    {ON_BAG,     "bag",         "seat",     1, 1, {NUMBER(0, 100)},    "bag NAME seat L_PER_S",      "what the closed valve lets through",                      bag_seat         },
    {ON_BAG,
     "bag",                     "fill",
     1,                                        1,
     {{"stop", 1, 1e6}},
     "bag NAME fill SECONDS|stop",                                                                   "open the feed; the resin takes so long to the vent",
     bag_fill                                                                                                                                                                    },
    {ON_BAG,
     "bag",                     "front",
     1,                                        1,
     {NUMBER(0, 0.98)},
     "bag NAME front SHARE",                                                                         "put the front of the resin here, 0 feed to 0.98 vent",
     bag_front                                                                                                                                                                   },
    {ON_BAG,     "bag",         "resin",    0, 0, {{0}},               "bag NAME resin",             "resin covers the vent sensor now",                        bag_resin        },
    {ON_BAG,
     "bag",                     "wet",
     2,                                        2,
     {NUMBER(0, 1e9), NUMBER(0, 100)},
     "bag NAME wet MBAR_L L_PER_S",                                                                  "water in the bag, and how fast it evaporates",
     bag_wet                                                                                                                                                                     },
    {ON_BAG,     "bag",         "warm",     1, 1, {NUMBER(-50, 200)},  "bag NAME warm KELVIN",       "bag goes so far above the room",                          bag_warm         },
    {ON_BAG,     "bag",         "new",      0, 0, {{0}},               "bag NAME new",               "take the part out and lay a new dry bag",                 bag_renew        },
    {ON_BENCH,   "pump",        "strength", 1, 1, {NUMBER(0, 10)},     "pump strength SHARE",        "speed left, 1 = as new",                                  pump_strength    },
    {ON_BENCH,
     "pump",                    "ultimate",
     1,                                        1,
     {NUMBER(0, 1000)},
     "pump ultimate MBAR",                                                                           "pressure at which it draws no more",
     pump_ultimate                                                                                                                                                               },
    {ON_BENCH,
     "pump",                    "creep",
     1,                                        1,
     {NUMBER(0, 1000)},
     "pump creep MBAR_PER_MIN",                                                                      "slow loss: the ultimate pressure rises",
     pump_creep                                                                                                                                                                  },
    {ON_BENCH,   "pump",        "",         1, 1, {WORD("on|off")},    "pump on|off",                "start or stop it",                                        pump_state       },
    {ON_BENCH,   "manifold",    "leak",     1, 1, {NUMBER(0, 1e5)},    "manifold leak MBAR_L_PER_S", "leak on the pump side",                                   manifold_leak    },
    {ON_BENCH,   "barometer",   "drift",    1, 1, {NUMBER(-1e4, 1e4)}, "barometer drift MBAR_PER_H", "its drift",                                               barometer_drift  },
    {ON_BENCH,   "barometer",   "",         1, 1, {NUMBER(500, 1100)}, "barometer MBAR",             "ambient pressure now",                                    barometer        },
    {ON_BENCH,   "temperature", "drift",    1, 1, {NUMBER(-1e4, 1e4)}, "temperature drift K_PER_H",  "its drift",                                               temperature_drift},
    {ON_BENCH,   "temperature", "",         1, 1, {NUMBER(-20, 80)},   "temperature DEGC",           "room temperature now",                                    temperature      },
    {ON_SENSOR,  "sensor",      "noise",    1, 1, {NUMBER(0, 1000)},   "sensor NAME noise MBAR",     "sd of its noise",                                         sensor_noise     },
    {ON_SENSOR,
     "sensor",                  "",
     1,                                        2,
     {WORD(ANY_FAULT), NUMBER(-1e6, 1e6)},
     "sensor NAME " ANY_FAULT " [NUMBER]",
     "break or mend it; NUMBER: mbar, mbar/min, exception code or seconds",                                                                                     sensor_fault     },
    {ON_UNIT,
     "unit",                    "",
     1,                                        2,
     {WORD(UNIT_FAULT), NUMBER(0, 255)},
     "unit NUMBER " UNIT_FAULT " [NUMBER]",
     "break or mend all of a unit",                                                                                                                             unit_fault       },
    {ON_GATEWAY,
     "gateway",                 "",
     1,                                        1,
     {WORD("up|down")},
     "gateway NAME up|down",                                                                         "down: its connections are cut and refused",
     gateway                                                                                                                                                                     },
    {ON_BENCH,   "serial",      "",         1, 1, {WORD("up|down")},   "serial up|down",             "down: the adapter is unplugged",                          serial           },
    {ON_BENCH,   "quiet",       "",         1, 1, {WORD("on|off")},    "quiet on|off",               "sensors without noise",                                   quiet            },
    {ON_BENCH,   "show",        "",         0, 0, {{0}},               "show",                       "the truth of bags and pump",                              show             },
    {ON_BENCH,   "readings",    "",         0, 0, {{0}},               "readings",                   "what the sensors say",                                    readings         },
    {ON_BENCH,   "help",        "",         0, 0, {{0}},               "help",                       "this list",                                               help             },
};
enum { ROWS = sizeof table / sizeof table[0] };

void tautsim_command_help(struct taut_text *out)
{
    for (int i = 0; i < ROWS; i++)
        taut_text_addf(out, "%s\n    %s\n", table[i].usage, table[i].help);
}

static int split(const char *line, char word[WORDS_MAX][TAUT_NAME_MAX])
{
    int count = 0;
    for (;;) {
        line += strspn(line, " \t\r\n");
        if (!*line || count > WORDS_MAX)
            return count;
        size_t length = strcspn(line, " \t\r\n");
        if (count == WORDS_MAX || length >= TAUT_NAME_MAX)
            return WORDS_MAX + 1;
        memcpy(word[count], line, length);
        word[count][length] = '\0';
        count++;
        line += length;
    }
}

static bool among(const char *words, const char *word)
{
    size_t length = strlen(word);
    while (*words) {
        size_t n = strcspn(words, "|");
        if (n == length && strncmp(words, word, n) == 0)
            return true;
        words += n + (words[n] == '|');
    }
    return false;
}

static enum taut_status read_argument(const struct command_row *row, int at, const char *text, struct tautsim_action *action,
                                      struct taut_diag *diag)
{
    const struct argument *argument = &row->argument[at];
    memcpy(action->word[at], text, strlen(text) + 1);
    if (argument->words && among(argument->words, text))
        return TAUT_OK;
    bool numeric = argument->least < argument->most;
    if (!numeric)
        return taut_diag_set(diag, TAUT_E_FORMAT, "\"%s\" must be one of %s; usage: %s", text, argument->words, row->usage);
    char *end;
    double number = strtod(text, &end);
    if (end == text || *end || !(number >= argument->least && number <= argument->most))
        return taut_diag_set(diag, TAUT_E_RANGE, "\"%s\" must be a number from %g to %g; usage: %s", text, argument->least,
                             argument->most, row->usage);
    action->number[at] = number;
    return TAUT_OK;
}

static int index_of(const struct tautsim_scenario *scenario, enum subject subject, const char *name)
{
    if (subject == ON_BAG) {
        for (int i = 0; i < scenario->bags; i++)
            if (strcmp(scenario->bag[i].name, name) == 0)
                return i;
    } else if (subject == ON_SENSOR) {
        for (int i = 0; i < scenario->sensors; i++)
            if (strcmp(scenario->sensor[i].name, name) == 0)
                return i;
    } else if (subject == ON_GATEWAY) {
        for (int i = 0; i < scenario->gateways; i++)
            if (strcmp(scenario->gateway[i].name, name) == 0)
                return i;
    } else {
        char *end;
        long unit = strtol(name, &end, 10);
        for (int i = 0; i < scenario->sensors; i++)
            if (!*end && scenario->sensor[i].unit == unit)
                return (int)unit;
        for (int i = 0; i < scenario->valves; i++)
            if (!*end && scenario->valve[i].unit == unit)
                return (int)unit;
    }
    return -1;
}

static const struct command_row *find_row(const char *noun, const char *verb, bool *noun_known)
{
    *noun_known = false;
    for (int i = 0; i < ROWS; i++) {
        if (strcmp(table[i].noun, noun) != 0)
            continue;
        *noun_known = true;
        if (!*table[i].verb || (verb && strcmp(table[i].verb, verb) == 0))
            return &table[i];
    }
    return NULL;
}

static enum taut_status unknown_command(const char *noun, bool noun_known, struct taut_diag *diag)
{
    char storage[160];
    struct taut_text list;
    taut_text_init(&list, storage, sizeof storage);
    for (int i = 0; i < ROWS; i++) {
        const char *word = noun_known ? table[i].verb : table[i].noun;
        bool first = i == 0 || strcmp(table[i].noun, table[i - 1].noun) != 0;
        if (noun_known ? strcmp(table[i].noun, noun) == 0 : first)
            taut_text_addf(&list, "%s%s", list.length ? ", " : "", word);
    }
    if (noun_known)
        return taut_diag_set(diag, TAUT_E_NOENT, "\"%s\" must be followed by a name and one of %s", noun, storage);
    return taut_diag_set(diag, TAUT_E_NOENT, "unknown command \"%s\"; known are %s", noun, storage);
}

enum taut_status tautsim_command_parse(const struct tautsim_scenario *scenario, const char *line, struct tautsim_action *action,
                                       struct taut_diag *diag)
{
    char word[WORDS_MAX][TAUT_NAME_MAX];
    int count = split(line, word);
    memset(action, 0, sizeof *action);
    action->row = -1;
    if (count == 0)
        return TAUT_OK;
    if (count > WORDS_MAX)
        return taut_diag_set(diag, TAUT_E_FORMAT, "too many or too long words");
    bool noun_known, named = among("bag|sensor|unit|gateway", word[0]);
    int next = named ? 2 : 1;
    const struct command_row *row = find_row(word[0], count > next ? word[next] : NULL, &noun_known);
    if (!row)
        return unknown_command(word[0], noun_known, diag);
    if (named) {
        action->index = count > 1 ? index_of(scenario, row->subject, word[1]) : -1;
        if (action->index < 0)
            return taut_diag_set(diag, TAUT_E_NOENT, "no %s \"%s\" in the scenario", word[0], count > 1 ? word[1] : "");
    }
    next += *row->verb != '\0';
    action->words = count - next;
    if (action->words < row->least || action->words > row->most)
        return taut_diag_set(diag, TAUT_E_FORMAT, "usage: %s", row->usage);
    for (int i = 0; i < action->words; i++) {
        enum taut_status status = read_argument(row, i, word[next + i], action, diag);
        if (status != TAUT_OK)
            return status;
    }
    action->row = (int)(row - table);
    return TAUT_OK;
}

void tautsim_command_run(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply)
{
    if (action->row >= 0)
        table[action->row].run(bench, action, reply);
}
