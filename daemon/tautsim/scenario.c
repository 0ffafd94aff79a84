/* Failure policy: see scenario.h; a file that can not be read is a finding too. */
#include "scenario.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "command.h"
#include "keys.h"
#include "taut/units.h"

#define LITRE           1e-3
#define MBAR_L          (100.0 * 1e-3) /* mbar L in Pa m3 */
#define AT(type, field) offsetof(struct type, field), sizeof(((struct type *)0)->field)

static const struct taut_key scenario_keys[] = {
    {"seed",                         TAUT_KEY_WHOLE, "", 1, 0, 2e9, "1", "", "start of all random numbers", AT(tautsim_scenario, seed)},
    {"tick_s",                            TAUT_KEY_NUMBER, "s", 1, 0.001, 1, "0.05", "", "simulated time between two states", AT(tautsim_scenario, tick_s)},
    {"ambient",                             TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "barometer and room", 0, 0},
    {"pump",                           TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "pump and manifold", 0, 0},
    {"gateways", TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "Modbus TCP ports", 0, 0},
    {"bags",                         TAUT_KEY_BLOCK, "", 1, 0, 0, NULL, "", "list of bags", 0, 0},
    {"sensors",                       TAUT_KEY_BLOCK, "", 1, 0, 0, NULL, "", "list of sensors", 0, 0},
    {"valves",                           TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "list of driven valves", 0, 0},
    {"events",                         TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "what happens when", 0, 0},
    {0                       }
};

static const struct taut_key ambient_keys[] = {
    {"pressure_mbar", TAUT_KEY_NUMBER, "mbar", 100, 500, 1100, "1013.25", "", "barometer", AT(tautsim_ambient_spec, pressure_pa)},
    {"drift_mbar_per_h",         TAUT_KEY_NUMBER, "mbar/h", 100.0 / 3600, -1000, 1000, "0", "", "its drift",
     AT(tautsim_ambient_spec, drift_pa_per_s)},
    {"wander_mbar",            TAUT_KEY_NUMBER, "mbar", 100, 0, 10, "0", "", "random walk, per root second",
     AT(tautsim_ambient_spec, wander_pa)},
    {"temperature_degc",      TAUT_KEY_NUMBER, "degC", 1, -20, 80, "20", "", "room temperature",
     AT(tautsim_ambient_spec, temperature_k)},
    {"drift_k_per_h",    TAUT_KEY_NUMBER, "K/h", 1.0 / 3600, -1000, 1000, "0", "", "its drift",
     AT(tautsim_ambient_spec, drift_k_per_s)},
    {0  }
};

static const struct taut_key pump_keys[] = {
    {"speed_l_per_s",       TAUT_KEY_NUMBER, "L/s", LITRE, 0, 1000, "2", "", "pump speed", AT(tautsim_scenario, pump.speed_m3_per_s)},
    {"ultimate_mbar",                TAUT_KEY_NUMBER, "mbar", 100, 0, 500, "1", "", "pressure at which it draws no more",
     AT(tautsim_scenario, pump.ultimate_pa)},
    {"manifold_l",                    TAUT_KEY_NUMBER, "L", LITRE, 0.01, 10000, "8", "", "volume of manifold and catch pots",
     AT(tautsim_scenario, pump.manifold_m3)},
    {"backflow_l_per_s",                  TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0.02", "", "air through the pump when it stands",
     AT(tautsim_scenario, pump.backflow_m3_per_s)},
    {"runs",         TAUT_KEY_FLAG, "", 1, 0, 0, "yes", "", "runs at the start", AT(tautsim_scenario, pump_runs)},
    {0}
};

static const struct taut_key gateway_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, "", "name", AT(tautsim_gateway, name)},
    {"port",    TAUT_KEY_WHOLE, "", 1, 0, 65535, "0", "", "TCP port, 0 = any", AT(tautsim_gateway, port)},
    {0    }
};

static const struct taut_key bag_keys[] = {
    {"name",                                TAUT_KEY_NAME, "", 1, 0, 0, NULL, "", "name", AT(tautsim_bag_spec, name)},
    {"volume_l",                                   TAUT_KEY_NUMBER, "L", LITRE, 0.01, 10000, NULL, "", "gas volume of the empty bag",
     AT(tautsim_bag_spec, volume_m3)},
    {"far_share",                                    TAUT_KEY_NUMBER, "", 1, 0, 0.95, "0.4", "", "share of the volume at the far end",
     AT(tautsim_bag_spec, far_frac)},
    {"link_l_per_s",                                 TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0.05", "", "conductance between the ends",
     AT(tautsim_bag_spec, link_m3_per_s)},
    {"vent_l_per_s",                               TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0.5", "", "conductance of the vent line",
     AT(tautsim_bag_spec, vent_m3_per_s)},
    {"seat_l_per_s",                                TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0", "", "conductance of the closed valve",
     AT(tautsim_bag_spec, seat_m3_per_s)},
    {"valve",                            TAUT_KEY_CHOICE, "", 1, 0, 0, "open", "closed|open", "valve at the start", AT(tautsim_bag_spec, valve_open)},
    {"leak_mbar_per_min",                                  TAUT_KEY_NUMBER, "mbar/min", 100.0 / 60, 0, 10000, "0", "", "leak at the vent end",
     AT(tautsim_bag_spec, leak_pa_per_s)},
    {"leak_far_mbar_per_min",                                 TAUT_KEY_NUMBER, "mbar/min", 100.0 / 60, 0, 10000, "0", "", "leak at the far end",
     AT(tautsim_bag_spec, leak_far_pa_per_s)},
    {"leak_law",                                 TAUT_KEY_CHOICE, "", 1, 0, 0, "orifice", "orifice|laminar", "how the leak falls towards ambient",
     AT(tautsim_bag_spec, law)},
    {"release_mbar_l",        TAUT_KEY_NUMBER, "mbar L", MBAR_L, 0, 1e6, "0", "", "gas the materials give off in all",
     AT(tautsim_bag_spec, release_pa_m3)},
    {"release_s",                           TAUT_KEY_NUMBER, "s", 1, 0.1, 1e6, "300", "", "time constant of that", AT(tautsim_bag_spec, release_s)},
    {"moisture_mbar_l",                           TAUT_KEY_NUMBER, "mbar L", MBAR_L, 0, 1e9, "0", "", "water, as vapour",
     AT(tautsim_bag_spec, moisture_pa_m3)},
    {"moisture_l_per_s",                                   TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0", "", "how fast it evaporates",
     AT(tautsim_bag_spec, moisture_m3_per_s)},
    {"far_sensor_at",                                    TAUT_KEY_NUMBER, "", 1, 0, 1, "0.15", "", "place of the far sensor, 0 feed to 1 vent",
     AT(tautsim_bag_spec, far_sensor_frac)},
    {"fill_s",                                TAUT_KEY_NUMBER, "s", 1, 1, 1e6, "1200", "", "time the resin takes to the vent", AT(tautsim_bag_spec, fill_s)},
    {0}
};

static const struct taut_key sensor_keys[] = {
    {"name",                             TAUT_KEY_NAME, "", 1, 0, 0, NULL, "", "name", AT(tautsim_sensor_spec, name)},
    {"bag",                                TAUT_KEY_REFER, "", 1, 0, 0, "", "bags", "bag it sits on", AT(tautsim_sensor_spec, bag)},
    {"at",                                 TAUT_KEY_CHOICE, "", 1, 0, 0, "vent", "vent|far|feed|manifold|ambient|temperature", "what it reads",
     AT(tautsim_sensor_spec, at)},
    {"gateway",                              TAUT_KEY_REFER, "", 1, 0, 0, "", "gateways", "gateway; the first if not given", AT(tautsim_sensor_spec, gateway)},
    {"unit",                            TAUT_KEY_WHOLE, "", 1, 0, 247, NULL, "", "Modbus unit", AT(tautsim_sensor_spec, unit)},
    {"table",                             TAUT_KEY_CHOICE, "", 1, 0, 0, "input", "input|holding", "register table", AT(tautsim_sensor_spec, table)},
    {"register",                              TAUT_KEY_WHOLE, "", 1, 0, 65534, NULL, "", "first register, from 0", AT(tautsim_sensor_spec, reg)},
    {"type",                                TAUT_KEY_CHOICE, "", 1, 0, 0, "float32", "uint16|int16|uint32|int32|float32", "how the number is coded",
     AT(tautsim_sensor_spec, type)},
    {"order",                                 TAUT_KEY_CHOICE, "", 1, 0, 0, "ABCD", "ABCD|CDAB|BADC|DCBA", "order of the bytes", AT(tautsim_sensor_spec, order)},
    {"reference",                                TAUT_KEY_CHOICE, "", 1, 0, 0, "absolute", "absolute|gauge|vacuum", "what it reads against",
     AT(tautsim_sensor_spec, reference)},
    {"engineering",                  TAUT_KEY_TEXT, "", 1, 0, 0, "", "", "unit of its range; mbar or degC if not given",
     AT(tautsim_sensor_spec, engineering)},
    {"scale",                              TAUT_KEY_NUMBER, "", 1, 0, 0, "1", "", "engineering value (or mA) per count", AT(tautsim_sensor_spec, scale)},
    {"offset",                               TAUT_KEY_NUMBER, "", 1, 0, 0, "0", "", "engineering value (or mA) at zero", AT(tautsim_sensor_spec, offset)},
    {"loop",                                TAUT_KEY_FLAG, "", 1, 0, 0, "no", "", "register holds a 4-20 mA current over the range",
     AT(tautsim_sensor_spec, loop)},
    {"range",                                 TAUT_KEY_PAIR, "", 1, 0, 0, "", "", "least and greatest value", AT(tautsim_sensor_spec, range)},
    {"noise_mbar",                            TAUT_KEY_NUMBER, "mbar", 100, 0, 1000, "0", "", "sd of its noise", AT(tautsim_sensor_spec, noise_pa)},
    {"noise_k",                   TAUT_KEY_NUMBER, "K", 1, 0, 100, "0", "", "the same for a temperature", AT(tautsim_sensor_spec, noise_pa)},
    {"step_k",                               TAUT_KEY_NUMBER, "K", 1, 0, 100, "0", "", "smallest step of a temperature", AT(tautsim_sensor_spec, quantum_pa)},
    {"correlation_s",                          TAUT_KEY_NUMBER, "s", 1, 0, 1e6, "0.95", "", "correlation time of the noise",
     AT(tautsim_sensor_spec, correlation_s)},
    {"wander_mbar",                                TAUT_KEY_NUMBER, "mbar", 100, 0, 100, "0", "", "random walk, per root second",
     AT(tautsim_sensor_spec, wander_pa)},
    {"lag_s",                                 TAUT_KEY_NUMBER, "s", 1, 0, 1000, "0", "", "time constant of its answer", AT(tautsim_sensor_spec, lag_s)},
    {"step_mbar",                                TAUT_KEY_NUMBER, "mbar", 100, 0, 100, "0", "", "smallest step of the reading",
     AT(tautsim_sensor_spec, quantum_pa)},
    {"drift_mbar_per_h", TAUT_KEY_NUMBER, "mbar/h", 100.0 / 3600, -1e5, 1e5, "0", "", "drift",
     AT(tautsim_sensor_spec, drift_pa_per_s)},
    {"offset_mbar",                          TAUT_KEY_NUMBER, "mbar", 100, -1000, 1000, "0", "", "error at zero", AT(tautsim_sensor_spec, offset_pa)},
    {0                            }
};

static const struct taut_key valve_keys[] = {
    {"name",  TAUT_KEY_NAME, "", 1, 0, 0, NULL, "", "name", AT(tautsim_valve_spec, name)},
    {"bag",     TAUT_KEY_REFER, "", 1, 0, 0, NULL, "bags", "bag it shuts off", AT(tautsim_valve_spec, bag)},
    {"gateway",      TAUT_KEY_REFER, "", 1, 0, 0, "", "gateways", "gateway; the first if not given", AT(tautsim_valve_spec, gateway)},
    {"unit",   TAUT_KEY_WHOLE, "", 1, 0, 247, NULL, "", "Modbus unit", AT(tautsim_valve_spec, unit)},
    {"coil", TAUT_KEY_WHOLE, "", 1, 0, 65535, NULL, "", "coil, from 0", AT(tautsim_valve_spec, coil)},
    {"active",  TAUT_KEY_CHOICE, "", 1, 0, 0, "high", "low|high", "high: coil on = open", AT(tautsim_valve_spec, active_high)},
    {0  }
};

static const struct taut_key event_keys[] = {
    {"at_s", TAUT_KEY_NUMBER, "s", 1, 0, 1e8, NULL, "", "time since the start", AT(tautsim_event, at_s)},
    {"do",   TAUT_KEY_TEXT, "", 1, 0, 0, NULL, "", "command", AT(tautsim_event, command)},
    {0    }
};

/* A finding at a node. */
#define find(report, node, ...) tautd_report_error(report, (node)->line, (node)->column, __VA_ARGS__)

/* A list of mappings into an array; the node of each entry is kept in `at`. */
static int read_list(const struct tautd_report *report, const struct tautd_node *root, const char *name,
                     const struct taut_key *keys, void *out, size_t size, int most, const struct tautd_node **at)
{
    const struct tautd_node *node = tautsim_keys_child(root, name);
    char found[100];
    if (!node)
        return 0;
    if (node->kind != TAUTD_NODE_LIST) {
        tautd_report_error(report, node->line, node->column, "%s: found %s; allowed: a list, each entry begun with \"- \"", name,
                           tautd_node_describe(node, found, sizeof found));
        return 0;
    }
    int count = 0;
    for (const struct tautd_node *entry = node->first; entry; entry = entry->next) {
        if (count == most) {
            find(report, entry, "%s: more than %d entries", name, most);
            break;
        }
        char where[64];
        snprintf(where, sizeof where, "%s[%d]", name, count);
        at[count] = entry;
        tautsim_keys_read(report, entry, where, keys, (char *)out + (size_t)count * size);
        count++;
    }
    return count;
}

struct names {
    const char *first;
    size_t stride;
    int count;
};

static int find_name(struct names names, const char *name)
{
    for (int i = 0; i < names.count; i++)
        if (strcmp(names.first + (size_t)i * names.stride, name) == 0)
            return i;
    return -1;
}

static void check_names(const struct tautd_report *report, const char *section, struct names names, const struct tautd_node **at)
{
    for (int i = 0; i < names.count; i++) {
        const char *name = names.first + (size_t)i * names.stride;
        int first = find_name(names, name);
        if (*name && first != i)
            find(report, at[i], "%s[%d]: name \"%s\" is that of %s[%d] already", section, i, name, section, first);
    }
}

/* Index of the entry referred to; `fallback` when nothing is named. */
static int refer(const struct tautd_report *report, const struct tautd_node *at, const char *where, int index, const char *kind,
                 const char *name, struct names names, int fallback)
{
    if (!*name)
        return fallback;
    int found = find_name(names, name);
    if (found < 0)
        find(report, at, "%s[%d].%s: no %s \"%s\" in the scenario", where, index, kind, kind, name);
    return found;
}

static struct names bag_names(const struct tautsim_scenario *s)
{
    return (struct names){s->bag[0].name, sizeof s->bag[0], s->bags};
}

static struct names gateway_names(const struct tautsim_scenario *s)
{
    return (struct names){s->gateway[0].name, sizeof s->gateway[0], s->gateways};
}

static void finish_unit(const struct tautd_report *report, struct tautsim_sensor_spec *sensor, int index,
                        const struct tautd_node *at)
{
    bool warm = sensor->at == TAUTSIM_AT_TEMPERATURE;
    if (!*sensor->engineering)
        snprintf(sensor->engineering, sizeof sensor->engineering, "%s", warm ? "degC" : "mbar");
    sensor->unit_pa = 1;
    if (warm && strcmp(sensor->engineering, "degC") != 0 && strcmp(sensor->engineering, "K") != 0)
        find(report, at, "sensors[%d].engineering: \"%s\" must be degC or K", index, sensor->engineering);
    if (!warm && taut_units_pressure(sensor->engineering, &sensor->unit_pa) != TAUT_OK)
        find(report, at, "sensors[%d].engineering: \"%s\" must be one of %s", index, sensor->engineering,
             taut_units_pressure_names());
    bool ranged = !isnan(sensor->range[0]);
    if (!ranged && sensor->loop)
        find(report, at, "sensors[%d]: a loop needs a range", index);
    if (sensor->scale == 0)
        find(report, at, "sensors[%d].scale: must not be 0", index);
}

static void finish_sensors(const struct tautd_report *report, struct tautsim_scenario *s, const struct tautd_node **at)
{
    for (int i = 0; i < s->sensors; i++) {
        struct tautsim_sensor_spec *sensor = &s->sensor[i];
        sensor->bag_index = refer(report, at[i], "sensors", i, "bag", sensor->bag, bag_names(s), -1);
        sensor->gateway_index = refer(report, at[i], "sensors", i, "gateway", sensor->gateway, gateway_names(s), 0);
        bool common =
            sensor->at == TAUTSIM_AT_MANIFOLD || sensor->at == TAUTSIM_AT_AMBIENT || sensor->at == TAUTSIM_AT_TEMPERATURE;
        if (!*sensor->bag && !common)
            find(report, at[i], "sensors[%d]: a sensor at vent, far or feed needs a bag", i);
        finish_unit(report, sensor, i, at[i]);
        int registers = taut_decode_register_count((enum taut_reg_type)sensor->type);
        for (int j = 0; j < i; j++) {
            const struct tautsim_sensor_spec *other = &s->sensor[j];
            bool same =
                other->gateway_index == sensor->gateway_index && other->unit == sensor->unit && other->table == sensor->table;
            int theirs = taut_decode_register_count((enum taut_reg_type)other->type);
            if (same && sensor->reg < other->reg + theirs && other->reg < sensor->reg + registers)
                find(report, at[i], "sensors[%d]: register %d of unit %d is taken by \"%s\"", i, sensor->reg, sensor->unit,
                     other->name);
        }
    }
}

static void finish_valves(const struct tautd_report *report, struct tautsim_scenario *s, const struct tautd_node **at)
{
    for (int i = 0; i < s->valves; i++) {
        struct tautsim_valve_spec *valve = &s->valve[i];
        valve->bag_index = refer(report, at[i], "valves", i, "bag", valve->bag, bag_names(s), 0);
        valve->gateway_index = refer(report, at[i], "valves", i, "gateway", valve->gateway, gateway_names(s), 0);
        for (int j = 0; j < i; j++)
            if (s->valve[j].gateway_index == valve->gateway_index && s->valve[j].unit == valve->unit &&
                s->valve[j].coil == valve->coil)
                find(report, at[i], "valves[%d]: coil %d of unit %d is taken by \"%s\"", i, valve->coil, valve->unit,
                     s->valve[j].name);
    }
}

static int by_time(const void *a, const void *b)
{
    const struct tautsim_event *first = a, *second = b;
    if (first->at_s != second->at_s)
        return first->at_s < second->at_s ? -1 : 1;
    return first->line - second->line; /* in order of the file */
}

static void finish_events(const struct tautd_report *report, struct tautsim_scenario *s, const struct tautd_node **at)
{
    for (int i = 0; i < s->events; i++) {
        struct tautsim_event *event = &s->event[i];
        event->line = at[i]->line;
        struct tautsim_action action;
        struct taut_diag diag;
        if (*event->command && tautsim_command_parse(s, event->command, &action, &diag) != TAUT_OK)
            find(report, at[i], "events[%d].do: %s", i, diag.text);
    }
    qsort(s->event, (size_t)s->events, sizeof s->event[0], by_time);
}

static void read_scenario(const struct tautd_report *report, const struct tautd_node *root, struct tautsim_scenario *s,
                          const struct tautd_node **at)
{
    tautsim_keys_read(report, root, "", scenario_keys, s);
    tautsim_keys_read(report, tautsim_keys_child(root, "ambient"), "ambient", ambient_keys, &s->ambient);
    s->ambient.temperature_k += TAUT_KELVIN_AT_0_DEGC;
    tautsim_keys_read(report, tautsim_keys_child(root, "pump"), "pump", pump_keys, s);
    s->gateways = read_list(report, root, "gateways", gateway_keys, s->gateway, sizeof s->gateway[0], TAUTSIM_GATEWAYS_MAX, at);
    check_names(report, "gateways", gateway_names(s), at);
    if (s->gateways == 0) {
        snprintf(s->gateway[0].name, sizeof s->gateway[0].name, "benches");
        s->gateways = 1;
    }
    s->bags = read_list(report, root, "bags", bag_keys, s->bag, sizeof s->bag[0], TAUT_BENCH_BAGS_MAX, at);
    check_names(report, "bags", bag_names(s), at);
    s->sensors = read_list(report, root, "sensors", sensor_keys, s->sensor, sizeof s->sensor[0], TAUTSIM_SENSORS_MAX, at);
    check_names(report, "sensors", (struct names){s->sensor[0].name, sizeof s->sensor[0], s->sensors}, at);
    finish_sensors(report, s, at);
    s->valves = read_list(report, root, "valves", valve_keys, s->valve, sizeof s->valve[0], TAUTSIM_VALVES_MAX, at);
    check_names(report, "valves", (struct names){s->valve[0].name, sizeof s->valve[0], s->valves}, at);
    finish_valves(report, s, at);
    s->events = read_list(report, root, "events", event_keys, s->event, sizeof s->event[0], TAUTSIM_EVENTS_MAX, at);
    finish_events(report, s, at);
}

/* @return the whole file (free it), or NULL with a finding */
static char *read_file(const char *path, const struct tautd_report *report, size_t *size)
{
    FILE *file = fopen(path, "rb");
    char *text = malloc(TAUTD_DOCUMENT_BYTES_MAX + 1);
    if (!file || !text) {
        tautd_report_error(report, 0, 0, "can not be opened: %s", strerror(errno));
        free(text);
        text = NULL;
    } else {
        *size = fread(text, 1, TAUTD_DOCUMENT_BYTES_MAX + 1, file);
        if (ferror(file)) {
            tautd_report_error(report, 0, 0, "can not be read: %s", strerror(errno));
            free(text);
            text = NULL;
        }
    }
    if (file)
        fclose(file);
    return text;
}

struct tautsim_scenario *tautsim_scenario_load(const char *path, struct tautd_findings *findings)
{
    static const struct tautd_node *at[TAUTSIM_SENSORS_MAX]; /* the longest list */
    const struct tautd_report report = {.file = path, .findings = findings, .needed = "bags and sensors", .example = "bags"};
    struct tautsim_scenario *scenario = calloc(1, sizeof *scenario);
    memset(findings, 0, sizeof *findings);
    size_t size;
    char *text = read_file(path, &report, &size);
    struct tautd_node *root = text ? tautd_document_parse(text, size, &report) : NULL;
    if (root && scenario)
        read_scenario(&report, root, scenario, at);
    tautd_node_free(root);
    free(text);
    tautd_report_sort(findings);
    if (scenario && findings->count == 0)
        return scenario;
    free(scenario);
    return NULL;
}

void tautsim_scenario_free(struct tautsim_scenario *scenario)
{
    free(scenario);
}

static void print_keys(FILE *out, const char *section, const struct taut_key *keys)
{
    fprintf(out, "%s\n", section);
    for (const struct taut_key *key = keys; key->name; key++) {
        fprintf(out, "  %s: %s", key->name, key->help);
        if (key->kind == TAUT_KEY_CHOICE)
            fprintf(out, ", %s", key->choices);
        if (key->least != 0 || key->most != 0)
            fprintf(out, ", %g to %g%s%s", key->least, key->most, *key->unit ? " " : "", key->unit);
        if (!key->fallback)
            fputs(", required", out);
        else if (*key->fallback)
            fprintf(out, ", %s if not given", key->fallback);
        fputs("\n", out);
    }
}

void tautsim_scenario_print_keys(FILE *out)
{
    print_keys(out, "top level", scenario_keys);
    print_keys(out, "ambient", ambient_keys);
    print_keys(out, "pump", pump_keys);
    print_keys(out, "gateways, each", gateway_keys);
    print_keys(out, "bags, each", bag_keys);
    print_keys(out, "sensors, each", sensor_keys);
    print_keys(out, "valves, each", valve_keys);
    print_keys(out, "events, each", event_keys);
}
