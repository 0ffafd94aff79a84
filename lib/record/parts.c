#include "parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "taut/droptest.h"
#include "taut/recipe.h"
#include "taut/record.h"
#include "taut/units.h"

/* The shortest decimal in the file's unit that gives the same bits back; false when there is none. */
static bool shortest_in_unit(double si, double to_si, char *out, size_t size)
{
    for (int digits = 1; digits <= 17; digits++) {
        snprintf(out, size, "%.*g", digits, si / to_si);
        if (strtod(out, NULL) * to_si == si)
            return true;
    }
    return false;
}

static void print_number(struct taut_json *json, const char *key, double si, double to_si)
{
    char shortest[40];
    if (!isfinite(si) || to_si == 1.0) {
        taut_json_double(json, key, si);
    } else if (shortest_in_unit(si, to_si, shortest, sizeof shortest)) {
        taut_json_double(json, key, strtod(shortest, NULL));
    } else {
        taut_json_begin(json, key, '{');
        taut_json_double(json, "si", si);
        taut_json_end(json, '}');
    }
}

static void print_choice(struct taut_json *json, const struct taut_key *key, int index)
{
    const char *word = key->choices;
    for (int i = 0; i < index && word; i++) {
        word = strchr(word, '|');
        word = word ? word + 1 : NULL;
    }
    if (!word) {
        taut_json_whole(json, key->name, index);
        return;
    }
    char copy[64];
    snprintf(copy, sizeof copy, "%.*s", (int)strcspn(word, "|"), word);
    taut_json_string(json, key->name, copy);
}

static void print_key(struct taut_json *json, const struct taut_key *key, const char *at)
{
    switch (key->kind) {
    case TAUT_KEY_NUMBER:
        print_number(json, key->name, *(const double *)(const void *)at, key->to_si);
        break;
    case TAUT_KEY_WHOLE:
        taut_json_whole(json, key->name, *(const int *)(const void *)at);
        break;
    case TAUT_KEY_CHOICE:
        print_choice(json, key, *(const int *)(const void *)at);
        break;
    case TAUT_KEY_FLAG:
        taut_json_bool(json, key->name, *(const bool *)(const void *)at);
        break;
    case TAUT_KEY_PAIR:
        taut_json_begin(json, key->name, '[');
        print_number(json, NULL, ((const double *)(const void *)at)[0], key->to_si);
        print_number(json, NULL, ((const double *)(const void *)at)[1], key->to_si);
        taut_json_end(json, ']');
        break;
    case TAUT_KEY_TEXT:
    case TAUT_KEY_NAME:
    case TAUT_KEY_REFER:
        taut_json_string(json, key->name, at);
        break;
    case TAUT_KEY_BLOCK: /* a recipe has none */
        break;
    }
}

void taut_print_recipe(struct taut_json *json, const char *key, const struct taut_recipe *recipe)
{
    size_t count;
    const struct taut_key *keys = taut_recipe_keys(&count);
    taut_json_begin(json, key, '{');
    for (size_t i = 0; i < count; i++)
        print_key(json, &keys[i], (const char *)recipe + keys[i].offset);
    taut_json_end(json, '}');
}

#define FIELD(member)                                                                                                            \
    {                                                                                                                            \
#member, offsetof(struct taut_droptest_result, member)                                                                   \
    }
static const struct taut_record_field fields[] = {
    FIELD(rate_pa_per_s),
    FIELD(u_rate_pa_per_s),
    FIELD(rate_low_pa_per_s),
    FIELD(rate_high_pa_per_s),
    FIELD(rise_pa),
    FIELD(rise_low_pa),
    FIELD(rise_high_pa),
    FIELD(rise_raw_pa),
    FIELD(amplitude_pa),
    FIELD(tau_s),
    FIELD(p0_pa),
    FIELD(noise_pa),
    FIELD(phi),
    FIELD(resolution_pa),
    FIELD(settle_s),
    FIELD(span_s),
    FIELD(needed_s),
    FIELD(smallest_pa_per_s),
    FIELD(leak_pa_m3_per_s),
    FIELD(u_leak_pa_m3_per_s),
    FIELD(start_pa),
    FIELD(end_pa),
};

const struct taut_record_field *taut_record_fields(size_t *count)
{
    *count = sizeof fields / sizeof fields[0];
    return fields;
}

/* The same numbers for the eye: mbar, mbar/min, mbar.L/s. */
static void print_display(struct taut_json *json, const struct taut_droptest_result *result)
{
    const double mbar_l_per_s = 10.0; /* one Pa.m3/s is ten mbar.L/s */
    taut_json_begin(json, "display", '{');
    taut_json_rounded(json, "rate_mbar_per_min", taut_mbar_per_min(result->rate_pa_per_s), 4);
    taut_json_rounded(json, "u_rate_mbar_per_min", taut_mbar_per_min(result->u_rate_pa_per_s), 4);
    taut_json_rounded(json, "rate_low_mbar_per_min", taut_mbar_per_min(result->rate_low_pa_per_s), 4);
    taut_json_rounded(json, "rate_high_mbar_per_min", taut_mbar_per_min(result->rate_high_pa_per_s), 4);
    taut_json_rounded(json, "smallest_mbar_per_min", taut_mbar_per_min(result->smallest_pa_per_s), 4);
    taut_json_rounded(json, "rise_mbar", taut_mbar(result->rise_pa), 3);
    taut_json_rounded(json, "rise_low_mbar", taut_mbar(result->rise_low_pa), 3);
    taut_json_rounded(json, "rise_high_mbar", taut_mbar(result->rise_high_pa), 3);
    taut_json_rounded(json, "rise_raw_mbar", taut_mbar(result->rise_raw_pa), 3);
    taut_json_rounded(json, "start_mbar", taut_mbar(result->start_pa), 3);
    taut_json_rounded(json, "end_mbar", taut_mbar(result->end_pa), 3);
    taut_json_rounded(json, "noise_mbar", taut_mbar(result->noise_pa), 4);
    taut_json_rounded(json, "settle_s", result->settle_s, 1);
    taut_json_rounded(json, "span_s", result->span_s, 1);
    if (isfinite(result->leak_pa_m3_per_s)) {
        taut_json_rounded(json, "leak_mbar_l_per_s", result->leak_pa_m3_per_s * mbar_l_per_s, 6);
        taut_json_rounded(json, "u_leak_mbar_l_per_s", result->u_leak_pa_m3_per_s * mbar_l_per_s, 6);
        taut_json_rounded(json, "leak_pa_m3_per_s", result->leak_pa_m3_per_s, 7);
        taut_json_string(json, "leak_note", "the volume is taken as constant");
    }
    taut_json_end(json, '}');
}

void taut_print_test(struct taut_json *json, const char *key, int number, const struct taut_test_record *test)
{
    static const char *const stages[] = {"before", "settling", "measuring", "decided"};
    static const char *const models[] = {"line", "transient-line", "saturating"};
    const struct taut_droptest_result *result = &test->result;
    taut_json_begin(json, key, '{');
    taut_json_whole(json, "number", number);
    taut_json_string(json, "verdict", taut_verdict_text(result->verdict));
    taut_json_string(json, "why", taut_droptest_why_word(result->why));
    taut_json_string(json, "because", taut_droptest_why_text(result->why));
    taut_json_time(json, "ended_utc", test->ended_wall_ns);
    taut_json_seconds(json, "ended_s", test->ended_ns);
    print_display(json, result);
    taut_json_string(json, "stage", stages[result->stage]);
    taut_json_string(json, "model", models[result->model]);
    taut_json_seconds(json, "isolated_s", result->isolated_ns);
    taut_json_seconds(json, "from_s", result->from_ns);
    taut_json_seconds(json, "to_s", result->to_ns);
    taut_json_whole(json, "n_used", result->n_used);
    taut_json_whole(json, "n_not_good", result->n_not_good);
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++)
        taut_json_double(json, fields[i].name, *(const double *)(const void *)((const char *)result + fields[i].offset));
    taut_json_end(json, '}');
}

const char *taut_print_reference(int reference)
{
    static const char *const words[] = {"absolute", "gauge", "vacuum"};
    return reference >= 0 && reference < 3 ? words[reference] : "absolute";
}
