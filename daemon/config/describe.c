/* The table of keys as text for people: the commented example and the key reference of the manual. */
#include <string.h>

#include "config/schema.h"
#include "config/value.h"

/* What the example shows where a default would say nothing. `kept` keys are written; others stand behind a '#'. */
struct shown {
    enum tautd_section_id section;
    const char *key, *value;
    bool kept;
};

static const struct shown shown[] = {
    {TAUTD_SECTION_DAEMON,   "on_alarm",           "/usr/local/bin/taut-alarm",                 false},
    {TAUTD_SECTION_DAEMON,   "on_verdict",         "/usr/local/bin/taut-verdict",               false},
    {TAUTD_SECTION_API,      "socket",             "/run/taut/taut.sock",                       false},
    {TAUTD_SECTION_API,      "group",              "taut",                                      false},
    {TAUTD_SECTION_API,      "listen",             "127.0.0.1",                                 true },
    {TAUTD_SECTION_LINES,    "name",               "bench-A",                                   true },
    {TAUTD_SECTION_LINES,    "kind",               "rtu",                                       true },
    {TAUTD_SECTION_LINES,    "device",             "/dev/serial/by-id/usb-rs485-adapter-port0", true },
    {TAUTD_SECTION_LINES,    "host",               "192.0.2.10",                                false},
    {TAUTD_SECTION_CHANNELS, "name",               "A.vent",                                    true },
    {TAUTD_SECTION_CHANNELS, "line",               "bench-A",                                   true },
    {TAUTD_SECTION_CHANNELS, "unit",               "1",                                         true },
    {TAUTD_SECTION_CHANNELS, "table",              "input",                                     true },
    {TAUTD_SECTION_CHANNELS, "register",           "0",                                         true },
    {TAUTD_SECTION_CHANNELS, "type",               "float32",                                   true },
    {TAUTD_SECTION_CHANNELS, "reference",          "absolute",                                  true },
    {TAUTD_SECTION_CHANNELS, "engineering",        "mbar",                                      true },
    {TAUTD_SECTION_CHANNELS, "loop_ma",            "[4, 20]",                                   false},
    {TAUTD_SECTION_CHANNELS, "range",              "[0, 1100]",                                 true },
    {TAUTD_SECTION_CHANNELS, "u_mbar",             "0.5",                                       true },
    {TAUTD_SECTION_CHANNELS, "resolution_mbar",    "0.01",                                      true },
    {TAUTD_SECTION_CHANNELS, "drift_mbar_per_h",   "0.05",                                      true },
    {TAUTD_SECTION_CHANNELS, "ambient",            "barometer",                                 false},
    {TAUTD_SECTION_CHANNELS, "fixed_ambient_mbar", "1008",                                      false},
    {TAUTD_SECTION_CHANNELS, "u_ambient_mbar",     "15",                                        false},
    {TAUTD_SECTION_CHANNELS, "frozen_s",           "60",                                        false},
    {TAUTD_SECTION_CHANNELS, "stale_s",            "3",                                         false},
    {TAUTD_SECTION_CHANNELS, "calibrated",         "2026-03-01",                                true },
    {TAUTD_SECTION_CHANNELS, "serial",             "T-0417",                                    true },
    {TAUTD_SECTION_OUTPUTS,  "name",               "valve-A",                                   true },
    {TAUTD_SECTION_OUTPUTS,  "line",               "bench-A",                                   true },
    {TAUTD_SECTION_OUTPUTS,  "unit",               "10",                                        true },
    {TAUTD_SECTION_OUTPUTS,  "coil",               "0",                                         true },
    {TAUTD_SECTION_STATIONS, "name",               "A",                                         true },
    {TAUTD_SECTION_STATIONS, "vent",               "A.vent",                                    true },
    {TAUTD_SECTION_STATIONS, "far",                "A.far",                                     true },
    {TAUTD_SECTION_STATIONS, "feed",               "A.feed",                                    false},
    {TAUTD_SECTION_STATIONS, "manifold",           "pump",                                      true },
    {TAUTD_SECTION_STATIONS, "ambient",            "barometer",                                 true },
    {TAUTD_SECTION_STATIONS, "temperature",        "room",                                      true },
    {TAUTD_SECTION_STATIONS, "valve",              "valve-A",                                   true },
    {TAUTD_SECTION_STATIONS, "volume_l",           "2.4",                                       true },
    {TAUTD_SECTION_STATIONS, "u_volume_l",         "0.5",                                       true },
    {TAUTD_SECTION_STATIONS, "recipe",             "rudder",                                    true },
    {TAUTD_SECTION_RECIPES,  "name",               "rudder",                                    true },
    {TAUTD_SECTION_RECIPES,  "limit_mbar_per_min", "0.5",                                       true },
    {TAUTD_SECTION_RECIPES,  "rise_limit_mbar",    "5",                                         false},
    {TAUTD_SECTION_RECIPES,  "rise_within_s",      "300",                                       false},
    {TAUTD_SECTION_RECIPES,  "fill_below_mbar",    "60",                                        false},
    {TAUTD_SECTION_RECIPES,  "cure_below_mbar",    "60",                                        false},
};

/* Further entries of the example, in the short form. */
static const char *const more[TAUTD_SECTIONS] = {
    [TAUTD_SECTION_LINES] = "  # the short form of an entry; everything left out has its default\n"
                            "  - {name: gateway, kind: tcp, host: 192.0.2.10, port: 502}\n",
    [TAUTD_SECTION_CHANNELS] =
        "  - {name: A.far, line: bench-A, unit: 2, table: input, register: 0, type: float32, reference: absolute,\n"
        "     range: [0, 1100], u_mbar: 0.5, resolution_mbar: 0.01}\n"
        "  # a gauge transmitter behind a 4-20 mA input module that gives microampere\n"
        "  - {name: pump, line: gateway, unit: 1, table: input, register: 0, type: uint16, scale: 0.001, loop_ma: [4, 20],\n"
        "     reference: gauge, engineering: mbar, range: [-1000, 0], ambient: barometer, u_mbar: 2}\n"
        "  - {name: barometer, line: gateway, unit: 2, table: holding, register: 10, type: uint16, scale: 0.1,\n"
        "     reference: absolute, engineering: hPa, range: [800, 1100], u_mbar: 0.3, period_s: 2}\n"
        "  - {name: room, line: gateway, unit: 2, table: holding, register: 11, type: int16, scale: 0.1,\n"
        "     quantity: temperature, engineering: degC, range: [-20, 80], u_k: 0.5, period_s: 2}\n",
    [TAUTD_SECTION_RECIPES] = "  - {name: hatch, drawdown_below_mbar: 20, rise_limit_mbar: 5, rise_within_s: 300, mode: fixed}\n",
};

static const struct shown *find_shown(enum tautd_section_id id, const struct taut_key *key)
{
    for (size_t i = 0; i < sizeof shown / sizeof shown[0]; i++)
        if (shown[i].section == id && strcmp(shown[i].key, key->name) == 0)
            return &shown[i];
    return NULL;
}

/* "allowed; default" or "required", as one phrase. */
static void describe_rule(const struct tautd_section *section, const struct taut_key *key, struct taut_text *out)
{
    const struct tautd_condition *condition = tautd_schema_condition(section, key);
    tautd_value_allowed(key, out);
    if (!key->fallback)
        taut_text_add(out, "; required");
    else if (key->fallback[0])
        taut_text_addf(out, "; default %s", key->fallback);
    if (condition)
        taut_text_addf(out, "; only with %s: %s", condition->selector, condition->word);
}

/* ---- commented example ------------------------------------------------------------------------------------------ */

/* Comment lines of at most 110 columns, broken at spaces. */
static void print_comment(FILE *out, const char *indent, const char *text)
{
    enum { WIDTH = 106 };
    while (*text) {
        size_t n = strlen(text);
        if (n > WIDTH) {
            n = WIDTH;
            while (n > 1 && text[n] != ' ')
                n--;
        }
        fprintf(out, "%s# %.*s\n", indent, (int)n, text);
        text += n;
        text += *text == ' ';
    }
}

static void print_example_key(FILE *out, enum tautd_section_id id, const struct taut_key *key, bool first)
{
    const struct tautd_section *section = tautd_schema_section(id);
    const struct shown *show = find_shown(id, key);
    const char *indent = section->list ? "    " : "  ";
    const char *value = show ? show->value : key->fallback;
    char storage[512];
    struct taut_text comment;
    taut_text_init(&comment, storage, sizeof storage);
    taut_text_addf(&comment, "%s (", key->help);
    describe_rule(section, key, &comment);
    taut_text_add_char(&comment, ')');
    print_comment(out, first ? "  " : indent, storage);

    const struct tautd_condition *condition = tautd_schema_condition(section, key);
    const struct taut_key *selector = condition ? tautd_schema_key(section, condition->selector) : NULL;
    const struct shown *selected = selector ? find_shown(id, selector) : NULL;
    const char *word = !selector ? "" : selected ? selected->value : selector->fallback;
    bool kept = (show ? show->kept : true) && (!condition || strcmp(word, condition->word) == 0);
    fprintf(out, "%s%s%s: %s\n", first ? "  - " : indent, kept ? "" : "#", key->name, value);
}

void tautd_config_print_example(FILE *out)
{
    fputs("# taut.yaml: the configuration of tautd, with every key.\n"
          "#\n"
          "# Indent with spaces. Leave out what you do not need: a key behind a '#' is not set, every other value that is\n"
          "# not yours is the default. \"tautd --check --config FILE\" names every mistake with line and column, and\n"
          "# \"tautctl probe LINE UNIT REGISTER\" shows what a device really sends. The manual is taut.yaml(5).\n"
          "#\n"
          "# This file is printed from the table that also reads it.\n",
          out);
    for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++) {
        const struct tautd_section *section = tautd_schema_section(id);
        fprintf(out, "\n# %s\n%s:\n", section->help, section->name);
        const struct taut_key *keys = section->keys(NULL);
        for (const struct taut_key *key = keys; key->name; key++)
            print_example_key(out, id, key, section->list && key == keys);
        if (more[id])
            fputs(more[id], out);
    }
}

/* ---- reference for the manual (mdoc) ------------------------------------------------------------------------------ */

void tautd_config_print_reference(FILE *out)
{
    for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++) {
        const struct tautd_section *section = tautd_schema_section(id);
        fprintf(out, ".Ss %s\n", section->name);
        if (section->list)
            fprintf(out, "A list, %s to %d entries: %s.\n", section->required ? "1" : "0", section->most, section->help);
        else
            fprintf(out, "A mapping: %s.\n", section->help);
        fputs(".Bl -tag -width 4n\n", out);
        for (const struct taut_key *key = section->keys(NULL); key->name; key++) {
            char storage[512];
            struct taut_text rule;
            taut_text_init(&rule, storage, sizeof storage);
            describe_rule(section, key, &rule);
            fprintf(out, ".It Ic %s\n%s.\n.br\n(%s)\n", key->name, key->help, storage);
        }
        fputs(".El\n", out);
    }
}
