/* The two reports of a judged drop test: for a person, and every number as JSON. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>

#include "taut/leak.h"
#include "taut/record.h"
#include "taut/taut.h"
#include "tautctl/judge.h"
#include "tautctl/tautctl.h"

enum { WIDTH = 78, INDENT = 10 };

/* Screen columns of n bytes of UTF-8. */
static int columns_of(const char *text, int n)
{
    int columns = 0;
    for (int i = 0; i < n; i++)
        columns += ((unsigned char)text[i] & 0xC0) != 0x80;
    return columns;
}

/* Print `text` after a label, broken between words to fit the screen. */
static void line(const char *label, const char *text)
{
    int at = printf("%-*s", INDENT - 1, label);
    while (*text) {
        int n = (int)strcspn(text, " ");
        if (at + 1 + columns_of(text, n) > WIDTH && at >= INDENT) {
            printf("\n%*s", INDENT - 1, "");
            at = INDENT - 1;
        }
        printf(" %.*s", n, text);
        at += 1 + columns_of(text, n);
        text += n;
        while (*text == ' ')
            text++;
    }
    printf("\n");
}

/* A number to as many places as its uncertainty deserves: two digits of it. */
static const char *rounded(double value, double uncertainty, char out[32])
{
    int places = isfinite(uncertainty) && uncertainty > 0 ? 1 - (int)floor(log10(uncertainty)) : 3;
    places = places < 0 ? 0 : places > 6 ? 6 : places;
    snprintf(out, 32, "%.*f", places, value);
    if (strspn(out, "-0.") == strlen(out) && out[0] == '-')
        memmove(out, out + 1, strlen(out));
    return out;
}

/* What the rule compares with a limit. */
struct quantity {
    const char *name, *unit;
    double value, low, high, limit;
};

/* Distance to the bound that stands between the value and the limit. */
static double reach(const struct quantity *q)
{
    return q->value < q->limit ? q->high - q->value : q->value - q->low;
}

static int quantities(const struct tautctl_judgement *j, struct quantity out[2])
{
    const struct taut_droptest_result *r = &j->result;
    int n = 0;
    if (isfinite(j->rule.limit_pa_per_s))
        out[n++] = (struct quantity){"leak",
                                     "mbar/min",
                                     taut_mbar_per_min(r->rate_pa_per_s),
                                     taut_mbar_per_min(r->rate_low_pa_per_s),
                                     taut_mbar_per_min(r->rate_high_pa_per_s),
                                     taut_mbar_per_min(j->rule.limit_pa_per_s)};
    if (isfinite(j->rule.rise_limit_pa))
        out[n++] = (struct quantity){"rise",
                                     "mbar",
                                     taut_mbar(r->rise_pa),
                                     taut_mbar(r->rise_low_pa),
                                     taut_mbar(r->rise_high_pa),
                                     taut_mbar(j->rule.rise_limit_pa)};
    return n;
}

static void print_headline(const struct tautctl_judgement *j)
{
    static const char *const words[] = {"NO VERDICT", "PASS", "FAIL", "INCONCLUSIVE"};
    struct quantity q[2];
    int n = quantities(j, q);
    printf("%s", words[j->result.verdict]);
    for (int i = 0; i < n; i++) {
        char value[32], plus_minus[32], within[48] = "";
        double half = reach(&q[i]);
        if (strcmp(q[i].name, "rise") == 0)
            snprintf(within, sizeof within, " in %g s", j->rule.rise_within_s);
        printf("%s %s%s ", i ? ";" : ":", q[i].name, within);
        if (isfinite(q[i].value) && isfinite(half))
            printf("%s \xC2\xB1 %s %s", rounded(q[i].value, half, value), rounded(half, half, plus_minus), q[i].unit);
        else
            printf("not known");
        printf(", limit %g", q[i].limit);
    }
    printf("\n\n");
}

static void print_rule(const struct tautctl_judgement *j)
{
    char text[640], more[700];
    taut_record_rule(&j->recipe, text, sizeof text);
    snprintf(more, sizeof more, "%s. The \xC2\xB1 above reaches to the bound on the limit's side.", text);
    line("Rule", more);
    line("Why", taut_droptest_why_text(j->result.why));
}

static const char *minutes(double s, char out[32])
{
    if (s < 120)
        snprintf(out, 32, "%.0f s", s);
    else if (s < 7200)
        snprintf(out, 32, "%.1f min", s / 60);
    else
        snprintf(out, 32, "%.1f h", s / 3600);
    return out;
}

/* What the operator can do about it. */
static void print_help(const struct tautctl_judgement *j)
{
    const struct taut_droptest_result *r = &j->result;
    char text[400] = "", a[32], b[32];
    bool timed = isfinite(r->needed_s) && r->needed_s > 0;
    switch (r->why) {
    case TAUT_WHY_TOO_SHORT:
        if (timed)
            snprintf(text, sizeof text, "hold the bag about %s longer (%s in all).", minutes(r->needed_s, a),
                     minutes(r->span_s + r->needed_s, b));
        else
            snprintf(text, sizeof text, "hold the bag longer.");
        break;
    case TAUT_WHY_TOO_NOISY:
        snprintf(text, sizeof text,
                 "a quieter or finer sensor, less drift (an absolute sensor, or a barometer column), or a wider limit.");
        break;
    case TAUT_WHY_TRANSIENT:
        snprintf(text, sizeof text,
                 "hold the bag until the rise has evened out%s%s; a bag with slow lines or moisture needs at least "
                 "three of its own time constants%s%s.",
                 timed ? ", about another " : "", timed ? minutes(r->needed_s, a) : "", isfinite(r->tau_s) ? ", here " : "",
                 isfinite(r->tau_s) ? minutes(3 * r->tau_s, b) : "");
        break;
    case TAUT_WHY_STILL_PUMPED:
        snprintf(text, sizeof text, "%s",
                 j->shut_off_known
                     ? "make sure that the valve shuts, and keep some readings from before it was shut."
                     : "if the record holds the pumping too, say when the bag was shut off: --shut-off-s. If it begins after "
                       "that, only a rise "
                       "can show that the bag was on its own: hold longer, or record from before the valve is shut.");
        break;
    case TAUT_WHY_BAD_READINGS:
        snprintf(text, sizeof text,
                 "%lu of %zu readings are missing or not good, or there are gaps: see to the sensor and its cable.",
                 (unsigned long)r->n_not_good, (size_t)r->n_used + r->n_not_good);
        break;
    case TAUT_WHY_NO_CHANGE:
        snprintf(text, sizeof text, "a sensor with a finer step, more decimals in the record, or a longer hold.");
        break;
    case TAUT_WHY_BOUND_ABOVE_LIMIT:
        snprintf(text, sizeof text, "find the leak: seal, pleats, line entries, quick connectors; then test again.");
        break;
    case TAUT_WHY_NONE:
    case TAUT_WHY_BOUND_BELOW_LIMIT:
    case TAUT_WHY_INTERRUPTED:
    case TAUT_WHY_STOPPED:
    case TAUT_WHYS:
        break;
    }
    if (text[0])
        line("To do", text);
}

static void print_model(const struct tautctl_judgement *j)
{
    const struct taut_droptest_result *r = &j->result;
    char text[300], value[32];
    static const char *const models[] = {"a straight rise", "a rise that evens out, over a steady leak",
                                         "a rise that levels off: moisture or a slow line"};
    int n = snprintf(text, sizeof text, "%s", models[r->model]);
    if (r->model != TAUT_RISE_LINE && isfinite(r->tau_s))
        n += snprintf(text + n, sizeof text - (size_t)n, " (%.2f mbar, time constant %.0f s)", taut_mbar(r->amplitude_pa),
                      r->tau_s);
    if (isfinite(r->smallest_pa_per_s) && n > 0)
        snprintf(text + n, sizeof text - (size_t)n, "; no leak below %s mbar/min could be told from none here",
                 rounded(taut_mbar_per_min(r->smallest_pa_per_s), taut_mbar_per_min(r->smallest_pa_per_s), value));
    line("Model", text);
}

static void print_size(const struct tautctl_judgement *j)
{
    const struct taut_droptest_result *r = &j->result;
    struct taut_leak_sizes sizes;
    char text[400], value[32], u[32];
    if (!isfinite(r->leak_pa_m3_per_s) || taut_leak_describe(r->leak_pa_m3_per_s, j->temperature_k, j->ambient_pa,
                                                             fmin(fmax(r->end_pa, 0), 0.99 * j->ambient_pa), &sizes) != TAUT_OK)
        return;
    double u_mbar_l = r->u_leak_pa_m3_per_s * 10;
    int n = snprintf(text, sizeof text,
                     "%s \xC2\xB1 %s mbar.L/s (one standard uncertainty), with the volume taken as constant: %.3g cm3/min at 0 "
                     "degC, 1013 mbar",
                     rounded(sizes.mbar_l_per_s, u_mbar_l, value), rounded(u_mbar_l, u_mbar_l, u), sizes.normal_cm3_per_min);
    if (isfinite(sizes.hole_m) && n > 0)
        snprintf(text + n, sizeof text - (size_t)n, "; as much as through a thin round hole of %.2g mm (%s flow)",
                 sizes.hole_m * 1000, taut_leak_regime_text(sizes.regime));
    line("Size", text);
}

static void print_basis(const struct tautctl_judgement *j)
{
    const struct taut_droptest_result *r = &j->result;
    const struct tautctl_readings *in = j->readings;
    static const char *const references[] = {"absolute", "gauge", "vacuum"};
    char text[500];
    int n =
        snprintf(text, sizeof text, "%s: %zu readings%s%s in %s, %s%s%s", j->path, in->count,
                 in->pressure_column[0] ? ", column " : "", in->pressure_column, in->unit, references[in->reference],
                 in->reference_stated ? "" : " (taken as, not stated)", in->temperature_column ? ", temperature corrected" : "");
    if (j->tests > 1 && n > 0 && (size_t)n < sizeof text)
        n += snprintf(text + n, sizeof text - (size_t)n, "; test %d of %d", j->test, j->tests);
    if (in->reference != TAUT_REFERENCE_ABSOLUTE && !in->ambient_column && n > 0 && (size_t)n < sizeof text)
        snprintf(text + n, sizeof text - (size_t)n, "; without a barometer its drift counts as uncertainty: %.2g mbar/min",
                 taut_mbar_per_min(j->rule.drift_pa_per_s));
    line("Read", text);
    snprintf(
        text, sizeof text,
        "from %.1f s to %.1f s after the bag was shut off (%s %.1f s after the first reading); %lu readings from %.2f to %.2f "
        "mbar absolute, noise %.3g mbar, step %.2g mbar",
        taut_seconds(r->from_ns - r->isolated_ns), taut_seconds(r->to_ns - r->isolated_ns), j->shut_off_known ? "at" : "taken as",
        j->shut_off_s, (unsigned long)r->n_used, taut_mbar(r->start_pa), taut_mbar(r->end_pa), taut_mbar(r->noise_pa),
        taut_mbar(r->resolution_pa));
    if (isfinite(r->span_s) && r->span_s > 0)
        line("Judged", text);
    if (isfinite(j->rule.rise_limit_pa) && isfinite(r->rise_raw_pa)) {
        snprintf(text, sizeof text, "by the plain readings %.2f mbar in %g s", taut_mbar(r->rise_raw_pa), j->rule.rise_within_s);
        line("Rise", text);
    }
    if (j->rule.mode == TAUT_TEST_EARLY && r->verdict != TAUT_VERDICT_INCONCLUSIVE) {
        snprintf(text, sizeof text, "decided %.1f s after the bag was shut off", j->ended_s - j->shut_off_s);
        line("Early", text);
    }
}

/* What looks wrong about the readings themselves; NULL when nothing does. */
static const char *doubt(const struct tautctl_judgement *j)
{
    if (j->result.start_pa > 0.5 * j->ambient_pa)
        return "the pressures lie nearer to room pressure than to vacuum; are the unit and the reference right?";
    return NULL;
}

void tautctl_judgement_print(const struct tautctl_judgement *j)
{
    print_headline(j);
    print_rule(j);
    print_help(j);
    print_model(j);
    print_size(j);
    print_basis(j);
    if (doubt(j))
        line("Look", doubt(j));
}

/* ---- JSON ---------------------------------------------------------------------------------------------------- */

struct number {
    const char *name;
    double value;
};

static void add_numbers(cJSON *to, const struct number *numbers, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (isfinite(numbers[i].value))
            cJSON_AddNumberToObject(to, numbers[i].name, numbers[i].value);
        else
            cJSON_AddNullToObject(to, numbers[i].name);
    }
}

static void add_result(cJSON *to, const struct taut_droptest_result *r)
{
    const struct number numbers[] = {
        {"rate_mbar_per_min",      taut_mbar_per_min(r->rate_pa_per_s)     },
        {"u_rate_mbar_per_min",    taut_mbar_per_min(r->u_rate_pa_per_s)   },
        {"rate_low_mbar_per_min",  taut_mbar_per_min(r->rate_low_pa_per_s) },
        {"rate_high_mbar_per_min", taut_mbar_per_min(r->rate_high_pa_per_s)},
        {"rise_mbar",              taut_mbar(r->rise_pa)                   },
        {"rise_low_mbar",          taut_mbar(r->rise_low_pa)               },
        {"rise_high_mbar",         taut_mbar(r->rise_high_pa)              },
        {"rise_raw_mbar",          taut_mbar(r->rise_raw_pa)               },
        {"amplitude_mbar",         taut_mbar(r->amplitude_pa)              },
        {"tau_s",                  r->tau_s                                },
        {"p0_mbar",                taut_mbar(r->p0_pa)                     },
        {"noise_mbar",             taut_mbar(r->noise_pa)                  },
        {"phi",                    r->phi                                  },
        {"resolution_mbar",        taut_mbar(r->resolution_pa)             },
        {"settle_s",               r->settle_s                             },
        {"span_s",                 r->span_s                               },
        {"needed_s",               r->needed_s                             },
        {"smallest_mbar_per_min",  taut_mbar_per_min(r->smallest_pa_per_s) },
        {"start_mbar",             taut_mbar(r->start_pa)                  },
        {"end_mbar",               taut_mbar(r->end_pa)                    },
        {"readings_used",          r->n_used                               },
        {"readings_not_good",      r->n_not_good                           },
    };
    static const char *const models[] = {"line", "transient-line", "saturating"};
    cJSON_AddStringToObject(to, "model", models[r->model]);
    add_numbers(to, numbers, sizeof numbers / sizeof numbers[0]);
}

static void add_size(cJSON *to, const struct tautctl_judgement *j)
{
    struct taut_leak_sizes s;
    const struct taut_droptest_result *r = &j->result;
    if (!isfinite(r->leak_pa_m3_per_s) || taut_leak_describe(r->leak_pa_m3_per_s, j->temperature_k, j->ambient_pa,
                                                             fmin(fmax(r->end_pa, 0), 0.99 * j->ambient_pa), &s) != TAUT_OK)
        return;
    const struct number numbers[] = {
        {"volume_l",                         j->rule.volume_m3 * 1000  },
        {"leak_pa_m3_per_s",                 s.pa_m3_per_s             },
        {"u_leak_pa_m3_per_s",               r->u_leak_pa_m3_per_s     },
        {"leak_mbar_l_per_s",                s.mbar_l_per_s            },
        {"u_leak_mbar_l_per_s",              r->u_leak_pa_m3_per_s * 10},
        {"leak_mol_per_s",                   s.mol_per_s               },
        {"leak_cm3_per_min_0degC_1013mbar",  s.normal_cm3_per_min      },
        {"leak_cm3_per_min_20degC_1013mbar", s.standard_cm3_per_min    },
        {"equivalent_hole_mm",               s.hole_m * 1000           },
        {"knudsen",                          s.knudsen                 },
    };
    cJSON *size = cJSON_AddObjectToObject(to, "size");
    add_numbers(size, numbers, sizeof numbers / sizeof numbers[0]);
    cJSON_AddStringToObject(size, "equivalent_hole_flow", taut_leak_regime_text(s.regime));
    cJSON_AddStringToObject(size, "note", "the volume is taken as constant; the hole is an ideal thin round one");
}

static void add_input(cJSON *to, const struct tautctl_judgement *j)
{
    static const char *const references[] = {"absolute", "gauge", "vacuum"};
    const struct tautctl_readings *in = j->readings;
    cJSON *input = cJSON_AddObjectToObject(to, "input");
    cJSON_AddStringToObject(input, "file", j->path);
    cJSON_AddNumberToObject(input, "readings", (double)in->count);
    cJSON_AddNumberToObject(input, "not_good", (double)in->not_good);
    cJSON_AddStringToObject(input, "time_column", in->time_column);
    cJSON_AddStringToObject(input, "pressure_column", in->pressure_column);
    cJSON_AddStringToObject(input, "unit", in->unit);
    cJSON_AddStringToObject(input, "reference", references[in->reference]);
    cJSON_AddBoolToObject(input, "reference_stated", in->reference_stated);
    cJSON_AddNumberToObject(input, "test", j->test);
    cJSON_AddNumberToObject(input, "tests", j->tests);
    cJSON_AddNumberToObject(input, "shut_off_s", j->shut_off_s);
    cJSON_AddBoolToObject(input, "shut_off_known", j->shut_off_known);
    cJSON_AddNumberToObject(input, "ended_s", j->ended_s);
}

static void add_rule(cJSON *to, const struct tautctl_judgement *j)
{
    char text[640];
    taut_record_rule(&j->recipe, text, sizeof text);
    cJSON *rule = cJSON_AddObjectToObject(to, "rule");
    cJSON_AddStringToObject(rule, "text", text);
    cJSON_AddStringToObject(rule, "mode", j->rule.mode == TAUT_TEST_FIXED ? "fixed" : "early");
    const struct number numbers[] = {
        {"limit_mbar_per_min",        taut_mbar_per_min(j->rule.limit_pa_per_s)},
        {"rise_limit_mbar",           taut_mbar(j->rule.rise_limit_pa)         },
        {"rise_within_s",             j->rule.rise_within_s                    },
        {"risk",                      j->rule.risk                             },
        {"settle_min_s",              j->rule.settle_min_s                     },
        {"test_min_s",                j->rule.test_min_s                       },
        {"test_s",                    j->rule.test_s                           },
        {"drift_mbar_per_min",        taut_mbar_per_min(j->rule.drift_pa_per_s)},
        {"temperature_drift_k_per_h", j->rule.temperature_drift_k_per_s * 3600 },
    };
    add_numbers(rule, numbers, sizeof numbers / sizeof numbers[0]);
}

int tautctl_judgement_print_json(const struct tautctl_judgement *j)
{
    cJSON *root = cJSON_CreateObject();
    cJSON_AddStringToObject(root, "format", "taut-judgement 1");
    cJSON_AddStringToObject(root, "verdict", taut_verdict_text(j->result.verdict));
    cJSON_AddStringToObject(root, "why", taut_droptest_why_word(j->result.why));
    cJSON_AddStringToObject(root, "because", taut_droptest_why_text(j->result.why));
    add_rule(root, j);
    add_result(cJSON_AddObjectToObject(root, "result"), &j->result);
    add_size(root, j);
    add_input(root, j);
    if (doubt(j))
        cJSON_AddStringToObject(root, "doubt", doubt(j));
    cJSON_AddStringToObject(root, "software", "taut " TAUT_VERSION);
    char *text = cJSON_Print(root);
    cJSON_Delete(root);
    if (!text)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    puts(text);
    free(text);
    return 0;
}
