/* tautctl judge: a drop test, or a fill, judged from any logger's file. Nothing is written and no daemon is asked. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "taut/keys.h"
#include "taut/units.h"
#include "tautctl/judge.h"
#include "tautctl/options.h"
#include "tautctl/tautctl.h"

static const char help[] = "Usage: tautctl judge FILE --limit-mbar-per-min X                 [OPTIONS]\n"
                           "       tautctl judge FILE --rise-limit-mbar X --rise-within-s T  [OPTIONS]\n"
                           "       tautctl judge FILE --as fill                              [OPTIONS]\n\n"
                           "Judges a recorded drop test, or watches a recorded fill. FILE is a table with a\n"
                           "column of times and one of pressures from any logger, a trace.csv of Taut, or\n"
                           "- for standard input.\n\n"
                           "What is asked:\n"
                           "  --limit-mbar-per-min X   limit of the leak rate\n"
                           "  --rise-limit-mbar X      limit of the total rise ...\n"
                           "  --rise-within-s T        ... within this time (both limits may be given)\n"
                           "  --mode fixed|early       use the whole record (default), or stop when sure\n"
                           "  --risk P                 greatest chance of a wrong pass or fail (0.01)\n"
                           "  --volume-l V [--u-volume-l U]  free volume of the bag: leak also as mbar.L/s\n"
                           "How the bag was held:\n"
                           "  --shut-off-s S           when it was shut off, after the first reading; what\n"
                           "                           was read before is used as evidence (default: the\n"
                           "                           phase column of a trace, else the first reading)\n"
                           "  --settle-s S             do not judge the first S seconds after that\n"
                           "                           (default 30 with a phase column, else 0)\n"
                           "  --test-s S, --test-min-s S   length of the test (the whole record);\n"
                           "                           least length in early mode (30, or 25 readings)\n"
                           "  --test N                 which test of a trace (default: the last)\n"
                           "  --drift-mbar-per-min X   bound of the sensor's own drift (0)\n"
                           "  --temperature-drift-k-per-h X  bound, when there is no temperature column (0)\n"
                           "  --resolution-mbar X      smallest step of the readings (found from the data)\n"
                           "How the file is read (columns by heading or by number from 1):\n"
                           "  --time-column C  --pressure-column C  --temperature-column C\n"
                           "  --ambient-column C  --manifold-column C  --phase-column C\n"
                           "  --unit U                 of the pressure, when its heading does not say\n"
                           "  --time-unit ms|s|min|h|hh:mm|mm:ss   when the heading does not say\n"
                           "  --reference absolute|gauge|vacuum    gauge: negative under vacuum; vacuum:\n"
                           "                           below ambient, positive\n"
                           "  --ambient-mbar A         ambient pressure, for gauge and vacuum\n"
                           "  --ambient-drift-mbar-per-h X   its drift, without an ambient column (3.2)\n"
                           "  --separator comma|semicolon|tab|blank  --skip-lines N  --missing WORD\n"
                           "Fill watch (defaults as in a recipe):\n"
                           "  --learn-s S              tight, before resin (60)   --hold pumped|isolated|\n"
                           "                           clamped|cure (when the file has no phases)\n"
                           "  --fill-false-alarm-h H --fill-leak-mbar-per-min X --fill-step-mbar X\n"
                           "  --fill-below-mbar X --clamp-limit-mbar-per-min X\n"
                           "Output:\n"
                           "  --json                   every number\n\n"
                           "Exit code: 0 pass, 1 fail, 2 inconclusive, 64 wrong usage, 65 a file that can\n"
                           "not be understood, 66 a file that can not be read.\n";

/* The barometer's greatest change in an hour over a winter of hourly readings (New York JFK, 2013). */
#define AMBIENT_DRIFT_MBAR_PER_H 3.2
#define MBAR_PER_MIN             TAUT_PA_PER_S_PER_MBAR_PER_MIN

enum as { AS_DROP_TEST, AS_FILL };

struct asked {
    int as;
    struct tautctl_layout layout;
    double limit, rise_limit, rise_within_s, risk, volume_l, u_volume_l, shut_off_s, settle_s, test_s, test_min_s, test;
    double drift, temperature_drift_k_per_h, resolution_mbar, ambient_mbar, ambient_drift_mbar_per_h;
    int mode;
    double learn_s, false_alarm_h, leak, step_mbar, below_mbar, clamp;
    int hold, separator;
    bool json;
    const char *path;
};

#define AT(member) offsetof(struct asked, member)
static const struct tautctl_option options[] = {
    {"--as",                 TAUTCTL_OPTION_CHOICE, AT(as), 0, 0, "drop-test|fill"},
    {"--limit-mbar-per-min",                TAUTCTL_OPTION_NUMBER, AT(limit), 1e-6, 1e4, NULL},
    {"--rise-limit-mbar",                     TAUTCTL_OPTION_NUMBER, AT(rise_limit), 1e-6, 1e5, NULL},
    {"--rise-within-s",                      TAUTCTL_OPTION_NUMBER, AT(rise_within_s), 1, 1e6, NULL},
    {"--within-s",TAUTCTL_OPTION_NUMBER, AT(rise_within_s), 1, 1e6, NULL},
    {"--mode",                  TAUTCTL_OPTION_CHOICE, AT(mode), 0, 0, "fixed|early"},
    {"--risk",                  TAUTCTL_OPTION_NUMBER, AT(risk), 1e-6, 0.2, NULL},
    {"--volume-l",    TAUTCTL_OPTION_NUMBER, AT(volume_l), 1e-6, 1e6, NULL},
    {"--u-volume-l",        TAUTCTL_OPTION_NUMBER, AT(u_volume_l), 1e-9, 1e6, NULL},
    {"--shut-off-s",                   TAUTCTL_OPTION_NUMBER, AT(shut_off_s), 0, 1e9, NULL},
    {"--settle-s",                      TAUTCTL_OPTION_NUMBER, AT(settle_s), 0, 1e6, NULL},
    {"--test-s",TAUTCTL_OPTION_NUMBER, AT(test_s), 1, 1e6, NULL},
    {"--test-min-s",                     TAUTCTL_OPTION_NUMBER, AT(test_min_s), 1, 1e6, NULL},
    {"--test",                  TAUTCTL_OPTION_NUMBER, AT(test), 1, 1e6, NULL},
    {"--drift-mbar-per-min",           TAUTCTL_OPTION_NUMBER, AT(drift), 0, 1e4, NULL},
    {"--temperature-drift-k-per-h",     TAUTCTL_OPTION_NUMBER, AT(temperature_drift_k_per_h), 0, 1e3, NULL},
    {"--resolution-mbar",                   TAUTCTL_OPTION_NUMBER, AT(resolution_mbar), 0, 1e3, NULL},
    {"--time-column",                      TAUTCTL_OPTION_TEXT, AT(layout.time), 0, 0, NULL},
    {"--pressure-column",TAUTCTL_OPTION_TEXT, AT(layout.pressure), 0, 0, NULL},
    {"--temperature-column",                     TAUTCTL_OPTION_TEXT, AT(layout.temperature), 0, 0, NULL},
    {"--ambient-column",         TAUTCTL_OPTION_TEXT, AT(layout.ambient), 0, 0, NULL},
    {"--manifold-column",               TAUTCTL_OPTION_TEXT, AT(layout.manifold), 0, 0, NULL},
    {"--phase-column",              TAUTCTL_OPTION_TEXT, AT(layout.phase), 0, 0, NULL},
    {"--unit",                   TAUTCTL_OPTION_TEXT, AT(layout.unit), 0, 0, NULL},
    {"--time-unit",                      TAUTCTL_OPTION_CHOICE, AT(layout.time_unit), 0, 0, TAUTCTL_TIME_UNITS},
    {"--reference",TAUTCTL_OPTION_CHOICE, AT(layout.reference), 0, 0, TAUTCTL_REFERENCES},
    {"--ambient-mbar",                  TAUTCTL_OPTION_NUMBER, AT(ambient_mbar), 300, 1200, NULL},
    {"--ambient-drift-mbar-per-h",                  TAUTCTL_OPTION_NUMBER, AT(ambient_drift_mbar_per_h), 0, 1e3, NULL},
    {"--separator",         TAUTCTL_OPTION_CHOICE, AT(separator), 0, 0, "comma|semicolon|tab|blank"},
    {"--skip-lines",        TAUTCTL_OPTION_NUMBER, AT(layout.skip_lines), 0, 1000, NULL},
    {"--missing",                   TAUTCTL_OPTION_TEXT, AT(layout.missing), 0, 0, NULL},
    {"--learn-s",                      TAUTCTL_OPTION_NUMBER, AT(learn_s), 10, 1e6, NULL},
    {"--hold",TAUTCTL_OPTION_CHOICE, AT(hold), 0, 0, "pumped|isolated|clamped|cure"},
    {"--fill-false-alarm-h",                     TAUTCTL_OPTION_NUMBER, AT(false_alarm_h), 1, 1e6, NULL},
    {"--fill-leak-mbar-per-min",                  TAUTCTL_OPTION_NUMBER, AT(leak), 1e-3, 1e3, NULL},
    {"--fill-step-mbar",           TAUTCTL_OPTION_NUMBER, AT(step_mbar), 1e-3, 1100, NULL},
    {"--fill-below-mbar",          TAUTCTL_OPTION_NUMBER, AT(below_mbar), 0.01, 1100, NULL},
    {"--clamp-limit-mbar-per-min",                   TAUTCTL_OPTION_NUMBER, AT(clamp), 1e-3, 1e3, NULL},
    {"--json",                      TAUTCTL_OPTION_FLAG, AT(json), 0, 0, NULL},
    {.name = NULL                     },
};

static int take_options(int argc, char **argv, struct asked *a)
{
    const double nan = (double)NAN;
    *a = (struct asked){
        .layout = {.time_unit = -1, .reference = -1, .ambient_pa = nan},
        .limit = nan,
        .rise_limit = nan,
        .rise_within_s = nan,
        .risk = 0.01,
        .volume_l = nan,
        .u_volume_l = nan,
        .shut_off_s = nan,
        .settle_s = nan,
        .test_s = nan,
        .test_min_s = nan,
        .test = nan,
        .ambient_mbar = nan,
        .ambient_drift_mbar_per_h = AMBIENT_DRIFT_MBAR_PER_H,
        .learn_s = 60,
        .false_alarm_h = nan,
        .leak = nan,
        .step_mbar = nan,
        .below_mbar = nan,
        .clamp = nan,
        .separator = -1
    };
    int words;
    int trouble = tautctl_options(argc, argv, options, a, &a->path, 1, &words);
    if (trouble)
        return trouble;
    if (words == 0)
        return tautctl_usage(argv[0], "which file?");
    static const char separators[] = ",;\t ";
    a->layout.separator = a->separator < 0 ? 0 : separators[a->separator];
    a->layout.ambient_pa = a->ambient_mbar * TAUT_PA_PER_MBAR;
    return 0;
}

void tautctl_recipe_defaults(struct taut_recipe *recipe)
{
    memset(recipe, 0, sizeof *recipe);
    for (const struct taut_key *k = taut_recipe_keys(NULL); k->name; k++) {
        char *field = (char *)recipe + k->offset;
        const char *text = k->fallback ? k->fallback : "";
        double number = text[0] ? strtod(text, NULL) * k->to_si : (double)NAN;
        int choice = k->kind == TAUT_KEY_CHOICE ? tautctl_choice(k->choices, text) : 0;
        if (k->kind == TAUT_KEY_NUMBER)
            memcpy(field, &number, sizeof number);
        else if (k->kind == TAUT_KEY_CHOICE)
            memcpy(field, &choice, sizeof choice);
    }
}

static int check_limits(const char *command, const struct asked *a)
{
    if (a->as == AS_FILL)
        return 0;
    if (isnan(a->limit) && isnan(a->rise_limit))
        return tautctl_usage(command, "a limit is wanted: --limit-mbar-per-min X, or --rise-limit-mbar X with --rise-within-s T");
    if (isnan(a->rise_limit) != isnan(a->rise_within_s))
        return tautctl_usage(command, "--rise-limit-mbar and --rise-within-s belong together");
    return 0;
}

/* ---- which readings ------------------------------------------------------------------------------------------ */

struct span {
    size_t before;     /* first reading that tells of the bag as it was before shut-off */
    size_t first, end; /* readings of the test: from shut-off, up to `end` */
};

static bool in_test(const struct tautctl_reading *r)
{
    return r->phase == TAUT_PHASE_SETTLE || r->phase == TAUT_PHASE_DROP_TEST;
}

/* Does a test begin with this reading? */
static bool begins(const struct tautctl_readings *readings, size_t i)
{
    const struct tautctl_reading *now = &readings->at[i];
    if (!in_test(now))
        return false;
    return i == 0 || !in_test(now - 1) || (now->phase == TAUT_PHASE_SETTLE && (now - 1)->phase == TAUT_PHASE_DROP_TEST);
}

/* The `wanted`-th test of the trace (0: the last).  @return how many there are */
static int find_test(const struct tautctl_readings *readings, int wanted, struct span *span)
{
    int tests = 0;
    for (size_t i = 0; i < readings->count; i++) {
        if (!begins(readings, i))
            continue;
        tests++;
        if (wanted != 0 && wanted != tests)
            continue;
        span->first = i;
        for (span->end = i + 1; span->end < readings->count && in_test(&readings->at[span->end]); span->end++)
            if (begins(readings, span->end))
                break;
        /* the reading that decided is written with the phase that came of it, and the word of it with the next one */
        if (span->end + 1 < readings->count && readings->at[span->end + 1].verdict)
            span->end++;
    }
    return tests;
}

static int find_span(const struct asked *a, const struct tautctl_readings *readings, struct tautctl_judgement *j,
                     struct span *span)
{
    *span = (struct span){0, 0, readings->count};
    if (!isnan(a->shut_off_s)) {
        while (span->first < readings->count && readings->at[span->first].t_ns < taut_ns(a->shut_off_s))
            span->first++;
        if (span->first == readings->count)
            return tautctl_say(TAUTCTL_BAD_INPUT, "%s: the record ends before --shut-off-s %g", a->path, a->shut_off_s);
        j->shut_off_known = true;
        return 0;
    }
    if (!readings->phases)
        return 0;
    int wanted = isnan(a->test) ? 0 : (int)a->test;
    j->tests = find_test(readings, wanted, span);
    if (j->tests == 0)
        return tautctl_say(TAUTCTL_BAD_INPUT, "%s: its phase column shows no drop test (no row in phase settle or drop-test)",
                           a->path);
    if (wanted > j->tests)
        return tautctl_say(TAUTCTL_BAD_INPUT, "%s: --test %d: it has %d", a->path, wanted, j->tests);
    j->test = wanted ? wanted : j->tests;
    j->shut_off_known = true;
    for (span->before = span->first; span->before > 0 && !in_test(&readings->at[span->before - 1]);)
        span->before--;
    return 0;
}

/* ---- the test ------------------------------------------------------------------------------------------------ */

static struct taut_sample good_or_none(double value)
{
    return (struct taut_sample){.value = value, .quality = isnan(value) ? TAUT_QUALITY_BAD : TAUT_QUALITY_GOOD};
}

static struct taut_sweep sweep_of(const struct tautctl_reading *r)
{
    struct taut_sweep sweep = {0};
    const struct {
        bool present;
        enum taut_role role;
        struct taut_sample sample;
    } parts[] = {
        {r->present,               TAUT_ROLE_VENT,        r->p                          },
        {!isnan(r->manifold_pa),   TAUT_ROLE_MANIFOLD,    good_or_none(r->manifold_pa)  },
        {!isnan(r->ambient_pa),    TAUT_ROLE_AMBIENT,     good_or_none(r->ambient_pa)   },
        {!isnan(r->temperature_k), TAUT_ROLE_TEMPERATURE, good_or_none(r->temperature_k)}
    };
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        if (!parts[i].present)
            continue;
        sweep.present |= 1u << parts[i].role;
        sweep.sample[parts[i].role] = parts[i].sample;
    }
    return sweep;
}

/* First and last good reading from `settle_s` after shut-off on, and how many. */
struct judged {
    double first_s, last_s;
    size_t count;
};

static struct judged judged_of(const struct tautctl_readings *readings, const struct span *span, double settle_s)
{
    int64_t from_ns = readings->at[span->first].t_ns + taut_ns(settle_s);
    struct judged out = {0};
    for (size_t i = span->first; i < span->end; i++) {
        const struct tautctl_reading *r = &readings->at[i];
        if (r->t_ns < from_ns || !r->present || r->p.quality != TAUT_QUALITY_GOOD)
            continue;
        out.last_s = taut_seconds(r->t_ns);
        if (out.count++ == 0)
            out.first_s = out.last_s;
    }
    return out;
}

/* With a handful of readings a bend can not be told from a leak: an early decision waits for this many. */
#define EARLY_READINGS 25

/* Length of the test: the whole record unless asked otherwise. */
static void set_length(const struct asked *a, const struct judged *judged, struct taut_recipe *recipe)
{
    double length_s = judged->last_s - judged->first_s;
    double spacing_s = judged->count > 1 ? length_s / (double)(judged->count - 1) : 0;
    recipe->test_s = isnan(a->test_s) ? fmax(length_s, 1) : a->test_s;
    recipe->test_min_s = isnan(a->test_min_s) ? fmax(recipe->test_min_s, EARLY_READINGS * spacing_s) : a->test_min_s;
    recipe->test_min_s = fmin(recipe->test_min_s, recipe->test_s);
}

static void make_rule(const struct asked *a, const struct tautctl_readings *readings, const struct span *span,
                      struct tautctl_judgement *j)
{
    struct taut_recipe *recipe = &j->recipe;
    tautctl_recipe_defaults(recipe);
    recipe->limit_pa_per_s = a->limit * MBAR_PER_MIN;
    recipe->rise_limit_pa = a->rise_limit * TAUT_PA_PER_MBAR;
    recipe->rise_within_s = a->rise_within_s;
    recipe->mode = a->mode;
    recipe->risk = a->risk;
    recipe->settle_min_s = !isnan(a->settle_s) ? a->settle_s : j->tests > 0 ? recipe->settle_min_s : 0;
    recipe->settle_max_s = fmax(recipe->settle_max_s, recipe->settle_min_s);
    struct judged judged = judged_of(readings, span, recipe->settle_min_s);
    set_length(a, &judged, recipe);
    j->rule = taut_droptest_rule_from_recipe(recipe);
    j->rule.resolution_pa = a->resolution_mbar * TAUT_PA_PER_MBAR;
    j->rule.drift_pa_per_s = a->drift * MBAR_PER_MIN;
    if (readings->reference != TAUT_REFERENCE_ABSOLUTE && !readings->ambient_column)
        j->rule.drift_pa_per_s += a->ambient_drift_mbar_per_h * TAUT_PA_PER_MBAR / 3600;
    if (!readings->temperature_column)
        j->rule.temperature_drift_k_per_s = a->temperature_drift_k_per_h / 3600;
    j->rule.volume_m3 = a->volume_l / 1000;
    j->rule.u_volume_m3 = a->u_volume_l / 1000;
}

static enum taut_status run(const struct tautctl_readings *readings, const struct span *span, struct tautctl_judgement *j)
{
    static struct taut_droptest test; /* large for a stack, once per process */
    enum taut_status status = taut_droptest_init(&test, &j->rule);
    if (status != TAUT_OK)
        return status;
    enum taut_droptest_stage stage = TAUT_STAGE_BEFORE;
    size_t i = span->before;
    int64_t t_ns = 0;
    double temperatures = 0, kelvins = 0;
    for (; i < span->end && stage != TAUT_STAGE_DECIDED; i++) {
        const struct tautctl_reading *r = &readings->at[i];
        t_ns = r->t_ns;
        if (i == span->first)
            taut_droptest_isolate(&test, t_ns);
        struct taut_sweep sweep = sweep_of(r);
        stage = taut_droptest_push(&test, t_ns, &sweep);
        if (!isnan(r->temperature_k)) {
            temperatures++;
            kelvins += r->temperature_k;
        }
    }
    /* the last evaluation may need a turn of its own */
    const struct taut_sweep nothing = {0};
    for (int turn = 0; turn < 4 && stage != TAUT_STAGE_DECIDED; turn++)
        stage = taut_droptest_push(&test, t_ns, &nothing);
    taut_droptest_stop(&test, TAUT_WHY_STOPPED);
    j->result = *taut_droptest_result(&test);
    j->shut_off_s = taut_seconds(readings->at[span->first].t_ns);
    j->ended_s = taut_seconds(t_ns);
    j->temperature_k = temperatures > 0 ? kelvins / temperatures : 293.15;
    return TAUT_OK;
}

static int judge_drop_test(const char *command, const struct asked *a, const struct tautctl_readings *readings)
{
    struct tautctl_judgement j = {.path = a->path, .readings = readings};
    struct span span;
    int trouble = find_span(a, readings, &j, &span);
    if (trouble)
        return trouble;
    make_rule(a, readings, &span, &j);
    j.ambient_pa = isnan(a->layout.ambient_pa) ? TAUT_STANDARD_ATMOSPHERE_PA : a->layout.ambient_pa;
    if (run(readings, &span, &j) != TAUT_OK)
        return tautctl_usage(command, "these limits and times do not go together");
    if (a->json)
        trouble = tautctl_judgement_print_json(&j);
    else
        tautctl_judgement_print(&j);
    if (trouble)
        return trouble;
    return j.result.verdict == TAUT_VERDICT_PASS   ? TAUTCTL_OK
           : j.result.verdict == TAUT_VERDICT_FAIL ? TAUTCTL_FAIL
                                                   : TAUTCTL_INCONCLUSIVE;
}

static void replace(double *field, double value, double factor)
{
    if (!isnan(value))
        *field = value * factor;
}

static int judge_fill(const struct asked *a, const struct tautctl_readings *readings)
{
    struct tautctl_fill_question q = {.path = a->path, .learn_s = a->learn_s, .hold = a->hold, .json = a->json};
    tautctl_recipe_defaults(&q.recipe);
    replace(&q.recipe.fill_false_alarm_h, a->false_alarm_h, 1);
    replace(&q.recipe.fill_leak_pa_per_s, a->leak, MBAR_PER_MIN);
    replace(&q.recipe.fill_step_pa, a->step_mbar, TAUT_PA_PER_MBAR);
    replace(&q.recipe.fill_below_pa, a->below_mbar, TAUT_PA_PER_MBAR);
    replace(&q.recipe.clamp_limit_pa_per_s, a->clamp, MBAR_PER_MIN);
    return tautctl_judge_fill(&q, readings);
}

int tautctl_cmd_judge(int argc, char **argv)
{
    struct asked asked;
    if (tautctl_help(argc, argv, help))
        return TAUTCTL_OK;
    int trouble = take_options(argc, argv, &asked);
    if (!trouble)
        trouble = check_limits(argv[0], &asked);
    if (trouble)
        return trouble;
    struct tautctl_readings readings;
    struct taut_diag diag;
    enum taut_status status = tautctl_readings_load(asked.path, &asked.layout, &readings, &diag);
    if (status != TAUT_OK) {
        char text[512];
        return tautctl_say(tautctl_readings_exit(status), "%s", taut_diag_print(&diag, text, sizeof text));
    }
    trouble = asked.as == AS_FILL ? judge_fill(&asked, &readings) : judge_drop_test(argv[0], &asked, &readings);
    tautctl_readings_free(&readings);
    return trouble;
}
