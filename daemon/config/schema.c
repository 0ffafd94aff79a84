#include "config/schema.h"

#include <assert.h>
#include <string.h>

#include "taut/units.h"

#define FIELD(type, member) offsetof(struct type, member), sizeof(((struct type *)0)->member)
#define DAEMON(member)      FIELD(tautd_config, member)
#define API(member)         FIELD(tautd_api_config, member)
#define LINE(member)        FIELD(tautd_line_config, member)
#define CHANNEL(member)     FIELD(tautd_channel_config, member)
#define OUTPUT(member)      FIELD(tautd_output_config, member)
#define STATION(member)     FIELD(tautd_station_config, member)
#define MBAR                TAUT_PA_PER_MBAR
#define LITRE               1e-3

/* clang-format 14 falls over these tables: they are laid out by hand. */
/* clang-format off */
static const struct taut_key daemon_keys[] = {
    {"state_dir", TAUT_KEY_TEXT, "", 1, 0, 0, "/var/lib/taut", NULL, "folder that holds the parts' folders", DAEMON(state_dir)},
    {"run_dir", TAUT_KEY_TEXT, "", 1, 0, 0, "/run/taut", NULL, "folder of the socket", DAEMON(run_dir)},
    {"on_alarm", TAUT_KEY_TEXT, "", 1, 0, 0, "", NULL,
     "program to run when an alarm changes, with the facts in its environment; no shell is used", DAEMON(on_alarm)},
    {"on_verdict", TAUT_KEY_TEXT, "", 1, 0, 0, "", NULL, "program to run when a drop test ends; no shell is used",
     DAEMON(on_verdict)},
    {"hook_s", TAUT_KEY_NUMBER, "s", 1, 0.1, 600, "10", NULL, "end such a program after this time", DAEMON(hook_s)},
    {"sync_s", TAUT_KEY_NUMBER, "s", 1, 0.05, 60, "1", NULL, "bring the trace onto the disk at least this often", DAEMON(sync_s)},
    {.name = NULL},
};

static const struct taut_key api_keys[] = {
    {"socket", TAUT_KEY_TEXT, "", 1, 0, 0, "", NULL, "path of the socket that tautctl uses; taut.sock in run_dir when left out",
     API(socket)},
    {"group", TAUT_KEY_NAME, "", 1, 0, 0, "", NULL, "group whose members may use the socket; the daemon's own when left out",
     API(group)},
    {"listen", TAUT_KEY_TEXT, "", 1, 0, 0, "", NULL,
     "loopback address of the page, 127.0.0.1 or ::1; no page when left out; other machines can not reach it", API(listen)},
    {"port", TAUT_KEY_WHOLE, "", 1, 1, 65535, "8470", NULL, "TCP port of the page", API(port)},
    {.name = NULL},
};

static const struct taut_key line_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, NULL, "name of the line", LINE(name)},
    {"kind", TAUT_KEY_CHOICE, "", 1, 0, 0, NULL, "rtu|tcp", "rtu: a serial line (RS-485); tcp: a Modbus TCP device or gateway",
     LINE(kind)},
    {"device", TAUT_KEY_TEXT, "", 1, 0, 0, NULL, NULL,
     "serial device; a path under /dev/serial/by-id stays the same when the adapter is plugged in elsewhere", LINE(device)},
    {"baud", TAUT_KEY_WHOLE, "Bd", 1, 1200, 921600, "19200", NULL, "speed, as set in every device on the line", LINE(baud)},
    {"parity", TAUT_KEY_CHOICE, "", 1, 0, 0, "even", "none|even|odd", "parity, as set in every device on the line",
     LINE(parity)},
    {"stop_bits", TAUT_KEY_WHOLE, "", 1, 0, 2, "0", NULL,
     "stop bits; 0: one with parity and two without, as the standard says", LINE(stop_bits)},
    {"gap_s", TAUT_KEY_NUMBER, "s", 1, 0, 1, "0", NULL,
     "silence between frames; 0: 3.5 characters, 1.75 ms above 19200 Bd, as the standard says", LINE(gap_s)},
    {"host", TAUT_KEY_TEXT, "", 1, 0, 0, NULL, NULL, "name or address of the device or gateway", LINE(host)},
    {"port", TAUT_KEY_WHOLE, "", 1, 1, 65535, "502", NULL, "TCP port of the device or gateway", LINE(port)},
    {"timeout_s", TAUT_KEY_NUMBER, "s", 1, 0.01, 30, "1", NULL, "wait so long for an answer", LINE(timeout_s)},
    {"settle_s", TAUT_KEY_NUMBER, "s", 1, 0, 30, "1", NULL,
     "after a failed exchange wait so long for a late answer, so that it is not taken for the next one", LINE(settle_s)},
    {"gap_registers", TAUT_KEY_WHOLE, "", 1, 0, 100, "8", NULL,
     "read neighbouring registers in one request when no more than so many unused ones lie between; 0 for a device that "
     "refuses that",
     LINE(gap_registers)},
    {"retry_most_s", TAUT_KEY_NUMBER, "s", 1, 0.1, 600, "5", NULL,
     "ask a unit that does not answer less and less often, but at least this often", LINE(retry_most_s)},
    {"real_time_priority", TAUT_KEY_WHOLE, "", 1, 0, 50, "0", NULL,
     "SCHED_FIFO priority of the thread that polls the line; 0: ordinary", LINE(real_time_priority)},
    {.name = NULL},
};

static const struct tautd_condition line_conditions[] = {
    {"device", "kind", "rtu"}, {"baud", "kind", "rtu"}, {"parity", "kind", "rtu"},   {"stop_bits", "kind", "rtu"},
    {"gap_s", "kind", "rtu"},  {"host", "kind", "tcp"}, {"port", "kind", "tcp"},     {.key = NULL},
};

static const struct taut_key channel_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, NULL, "name of the channel; heads its columns in the trace", CHANNEL(spec.name)},
    {"line", TAUT_KEY_REFER, "", 1, 0, 0, NULL, "lines", "line that the device is on", CHANNEL(line)},
    {"unit", TAUT_KEY_WHOLE, "", 1, 0, 255, NULL, NULL, "unit address: 1 to 247 on a serial line, 0 to 255 over TCP",
     CHANNEL(unit)},
    {"table", TAUT_KEY_CHOICE, "", 1, 0, 0, NULL, "input|holding",
     "input registers (function 4, often written 3xxxx) or holding registers (function 3, often written 4xxxx)", CHANNEL(table)},
    {"register", TAUT_KEY_WHOLE, "", 1, 0, 65535, NULL, NULL,
     "address as it goes over the wire, from 0; a manual that says 30001 or 40001 means 0 here", CHANNEL(reg)},
    {"type", TAUT_KEY_CHOICE, "", 1, 0, 0, NULL, "uint16|int16|uint32|int32|float32",
     "what the register, or two of them, hold; tautctl probe shows all types side by side", CHANNEL(type)},
    {"order", TAUT_KEY_CHOICE, "", 1, 0, 0, "ABCD", "ABCD|CDAB|BADC|DCBA",
     "order of the bytes, A the most significant; CDAB is the common swap of words", CHANNEL(order)},
    {"quantity", TAUT_KEY_CHOICE, "", 1, 0, 0, "pressure", "pressure|temperature", "what is measured", CHANNEL(spec.quantity)},
    {"reference", TAUT_KEY_CHOICE, "", 1, 0, 0, NULL, "absolute|gauge|vacuum",
     "absolute: 0 is empty space; gauge: 0 is ambient, negative under vacuum; vacuum: below ambient, positive",
     CHANNEL(spec.reference)},
    {"engineering", TAUT_KEY_TEXT, "", 1, 0, 0, "", NULL,
     "unit of the number after scale and offset; mbar when left out, degC for a temperature", CHANNEL(engineering)},
    {"scale", TAUT_KEY_NUMBER, "", 1, -1e9, 1e9, "1", NULL,
     "number in the register * scale + offset = engineering value (or mA with loop_ma)", CHANNEL(spec.scale)},
    {"offset", TAUT_KEY_NUMBER, "", 1, -1e9, 1e9, "0", NULL, "see scale", CHANNEL(spec.offset)},
    {"loop_ma", TAUT_KEY_PAIR, "mA", 1, 4, 20, "", NULL,
     "the number is a loop current in mA, judged by NAMUR NE 43; these two currents stand for the two ends of range",
     offsetof(struct tautd_channel_config, spec.loop_low_ma), 2 * sizeof(double)},
    {"range", TAUT_KEY_PAIR, "", 1, -1e9, 1e9, NULL, NULL,
     "least and greatest value the sensor can show, in its engineering unit; beyond them a reading is bad",
     offsetof(struct tautd_channel_config, spec.range_low), 2 * sizeof(double)},
    {"period_s", TAUT_KEY_NUMBER, "s", 1, 0.005, 3600, "0.5", NULL, "read it so often", CHANNEL(period_s)},
    {"timeout_s", TAUT_KEY_NUMBER, "s", 1, 0, 30, "0", NULL, "wait so long for this unit's answer; 0: as the line says",
     CHANNEL(timeout_s)},
    {"u_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 0, 1000, NULL, NULL,
     "standard uncertainty of the calibration; a bare accuracy of plus or minus a counts as a / 1.73", CHANNEL(spec.u_pa)},
    {"u_k", TAUT_KEY_NUMBER, "K", 1, 0, 100, "0.5", NULL, "standard uncertainty of a temperature", CHANNEL(spec.u_pa)},
    {"resolution_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 0, 1000, "0", NULL, "smallest step of the reading; 0: not known",
     CHANNEL(spec.resolution_pa)},
    {"drift_mbar_per_h", TAUT_KEY_NUMBER, "mbar/h", MBAR / 3600.0, 0, 1000, "0", NULL,
     "bound of the sensor's own drift while a test runs", CHANNEL(spec.drift_pa_per_s)},
    {"ambient", TAUT_KEY_REFER, "", 1, 0, 0, "", "channels",
     "barometer channel that turns a gauge or vacuum reading into an absolute one", CHANNEL(ambient)},
    {"fixed_ambient_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 300, 1200, "", NULL,
     "ambient pressure at the bench when there is no barometer: at this height, not reduced to sea level",
     CHANNEL(spec.fixed_ambient_pa)},
    {"u_ambient_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 0, 200, "15", NULL,
     "standard uncertainty of fixed_ambient_mbar; the weather alone makes it 10 to 20", CHANNEL(spec.u_ambient_pa)},
    {"frozen_s", TAUT_KEY_NUMBER, "s", 1, 0, 86400, "", NULL,
     "a reading of which not one bit changes for so long is bad; 0: never; when left out 60 s (at least 20 periods) for a "
     "channel that shows a bag, else never",
     CHANNEL(spec.frozen_s)},
    {"stale_s", TAUT_KEY_NUMBER, "s", 1, 0.01, 86400, "", NULL,
     "a reading older than this is bad; 5 periods but at least 3 s when left out", CHANNEL(spec.stale_s)},
    {"calibrated", TAUT_KEY_TEXT, "", 1, 0, 0, "", NULL, "date of the last calibration, YYYY-MM-DD; kept in the record",
     CHANNEL(calibrated)},
    {"serial", TAUT_KEY_TEXT, "", 1, 0, 0, "", NULL, "serial number of the instrument; kept in the record", CHANNEL(serial)},
    {.name = NULL},
};

static const struct tautd_condition channel_conditions[] = {
    {"reference", "quantity", "pressure"},          {"u_mbar", "quantity", "pressure"},
    {"u_k", "quantity", "temperature"},             {"resolution_mbar", "quantity", "pressure"},
    {"drift_mbar_per_h", "quantity", "pressure"},   {"ambient", "quantity", "pressure"},
    {"fixed_ambient_mbar", "quantity", "pressure"}, {"u_ambient_mbar", "quantity", "pressure"},
    {.key = NULL},
};

static const struct tautd_link channel_links[] = {
    {"line", offsetof(struct tautd_channel_config, line_index)},
    {"ambient", offsetof(struct tautd_channel_config, ambient_index)},
    {.key = NULL},
};

static const struct taut_key output_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, NULL, "name of the output", OUTPUT(name)},
    {"line", TAUT_KEY_REFER, "", 1, 0, 0, NULL, "lines", "line that the device is on", OUTPUT(line)},
    {"unit", TAUT_KEY_WHOLE, "", 1, 0, 255, NULL, NULL, "unit address: 1 to 247 on a serial line, 0 to 255 over TCP",
     OUTPUT(unit)},
    {"coil", TAUT_KEY_WHOLE, "", 1, 0, 65535, NULL, NULL,
     "address of the coil as it goes over the wire, from 0; written with function 5", OUTPUT(coil)},
    {"active_high", TAUT_KEY_FLAG, "", 1, 0, 0, "yes", NULL,
     "yes: coil on opens the valve; no: coil on closes it", OUTPUT(active_high)},
    {.name = NULL},
};

static const struct tautd_link output_links[] = {
    {"line", offsetof(struct tautd_output_config, line_index)},
    {.key = NULL},
};

static const struct taut_key station_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, NULL, "name of the station", STATION(name)},
    {"vent", TAUT_KEY_REFER, "", 1, 0, 0, NULL, "channels", "bag pressure at the vent side; the one that is judged",
     STATION(channel[TAUT_ROLE_VENT])},
    {"far", TAUT_KEY_REFER, "", 1, 0, 0, "", "channels", "bag pressure at the far end", STATION(channel[TAUT_ROLE_FAR])},
    {"feed", TAUT_KEY_REFER, "", 1, 0, 0, "", "channels", "pressure at the resin side", STATION(channel[TAUT_ROLE_FEED])},
    {"manifold", TAUT_KEY_REFER, "", 1, 0, 0, "", "channels", "pressure on the pump's side of the valve; stations may share it",
     STATION(channel[TAUT_ROLE_MANIFOLD])},
    {"ambient", TAUT_KEY_REFER, "", 1, 0, 0, "", "channels", "barometer; stations may share it",
     STATION(channel[TAUT_ROLE_AMBIENT])},
    {"temperature", TAUT_KEY_REFER, "", 1, 0, 0, "", "channels", "temperature of bag or room; stations may share it",
     STATION(channel[TAUT_ROLE_TEMPERATURE])},
    {"valve", TAUT_KEY_REFER, "", 1, 0, 0, "", "outputs", "output that shuts the bag off from the pump; a hand valve when left out",
     STATION(valve)},
    {"volume_l", TAUT_KEY_NUMBER, "L", LITRE, 1e-6, 1e6, "", NULL,
     "volume of bag and hoses up to the valve; then a leak is also given in mbar.L/s", STATION(volume_m3)},
    {"u_volume_l", TAUT_KEY_NUMBER, "L", LITRE, 0, 1e6, "", NULL, "standard uncertainty of volume_l; a fifth of it when left out",
     STATION(u_volume_m3)},
    {"recipe", TAUT_KEY_REFER, "", 1, 0, 0, "", "recipes", "recipe for parts that are started without one", STATION(recipe)},
    {.name = NULL},
};

static const struct tautd_link station_links[] = {
    {"vent", offsetof(struct tautd_station_config, channel_index[TAUT_ROLE_VENT])},
    {"far", offsetof(struct tautd_station_config, channel_index[TAUT_ROLE_FAR])},
    {"feed", offsetof(struct tautd_station_config, channel_index[TAUT_ROLE_FEED])},
    {"manifold", offsetof(struct tautd_station_config, channel_index[TAUT_ROLE_MANIFOLD])},
    {"ambient", offsetof(struct tautd_station_config, channel_index[TAUT_ROLE_AMBIENT])},
    {"temperature", offsetof(struct tautd_station_config, channel_index[TAUT_ROLE_TEMPERATURE])},
    {"valve", offsetof(struct tautd_station_config, valve_index)},
    {"recipe", offsetof(struct tautd_station_config, recipe_index)},
    {.key = NULL},
};

/* clang-format on */

static const struct taut_key *counted(const struct taut_key *keys, size_t rows, size_t *count)
{
    if (count)
        *count = rows - 1;
    return keys;
}

#define KEYS_OF(table)                                                                                                           \
    static const struct taut_key *keys_of_##table(size_t *count)                                                                 \
    {                                                                                                                            \
        return counted(table, sizeof table / sizeof table[0], count);                                                            \
    }
KEYS_OF(daemon_keys)
KEYS_OF(api_keys)
KEYS_OF(line_keys)
KEYS_OF(channel_keys)
KEYS_OF(output_keys)
KEYS_OF(station_keys)

static const struct tautd_condition no_conditions[] = {{.key = NULL}};
static const struct tautd_link no_links[] = {{.key = NULL}};

/* clang-format off */
#define LIST_OF(array, number, type)                                                                                       \
    .list = true, .entry_size = sizeof(struct type), .entries = offsetof(struct tautd_config, array),                      \
    .count = offsetof(struct tautd_config, number)

static const struct tautd_section sections[TAUTD_SECTIONS] = {
    [TAUTD_SECTION_DAEMON] = {.name = "daemon", .one = "daemon", .help = "where the daemon keeps things and what it runs",
                              .most = 1, .keys = keys_of_daemon_keys, .conditions = no_conditions, .links = no_links},
    [TAUTD_SECTION_API] = {.name = "api", .one = "api", .help = "how tautctl and the page reach the daemon", .most = 1,
                           .base = offsetof(struct tautd_config, api), .keys = keys_of_api_keys, .conditions = no_conditions,
                           .links = no_links},
    [TAUTD_SECTION_LINES] = {.name = "lines", .one = "line", .help = "serial lines and TCP connections", .required = true,
                             .most = TAUTD_LINES_MAX, LIST_OF(line, lines, tautd_line_config), .keys = keys_of_line_keys,
                             .conditions = line_conditions, .links = no_links},
    [TAUTD_SECTION_CHANNELS] = {.name = "channels", .one = "channel", .help = "measured quantities", .required = true,
                                .most = TAUTD_CHANNELS_MAX, LIST_OF(channel, channels, tautd_channel_config),
                                .keys = keys_of_channel_keys, .conditions = channel_conditions, .links = channel_links},
    [TAUTD_SECTION_OUTPUTS] = {.name = "outputs", .one = "output",
                               .help = "coils that drive valves; nothing else is ever written to a device",
                               .most = TAUTD_OUTPUTS_MAX, LIST_OF(output, outputs, tautd_output_config),
                               .keys = keys_of_output_keys, .conditions = no_conditions, .links = output_links},
    [TAUTD_SECTION_STATIONS] = {.name = "stations", .one = "station", .help = "places where a bag is connected",
                                .required = true, .most = TAUTD_STATIONS_MAX, LIST_OF(station, stations, tautd_station_config),
                                .keys = keys_of_station_keys, .conditions = no_conditions, .links = station_links},
    [TAUTD_SECTION_RECIPES] = {.name = "recipes", .one = "recipe", .help = "limits and times for a kind of part",
                               .required = true, .most = TAUTD_RECIPES_MAX, LIST_OF(recipe, recipes, taut_recipe),
                               .keys = taut_recipe_keys, .conditions = no_conditions, .links = no_links},
};

/* clang-format on */

const struct tautd_section *tautd_schema_section(enum tautd_section_id id)
{
    return &sections[id];
}

const struct tautd_condition *tautd_schema_condition(const struct tautd_section *section, const struct taut_key *key)
{
    for (const struct tautd_condition *c = section->conditions; c->key; c++)
        if (strcmp(c->key, key->name) == 0)
            return c;
    return NULL;
}

bool tautd_schema_applies(const struct tautd_section *section, const struct taut_key *key, const void *entry)
{
    const struct tautd_condition *condition = tautd_schema_condition(section, key);
    if (!condition)
        return true;
    const struct taut_key *selector = tautd_schema_key(section, condition->selector);
    assert(selector && selector->kind == TAUT_KEY_CHOICE);
    int chosen;
    char word[32];
    memcpy(&chosen, (const char *)entry + selector->offset, sizeof chosen);
    return strcmp(tautd_schema_word(selector->choices, chosen, word, sizeof word), condition->word) == 0;
}

const struct taut_key *tautd_schema_key(const struct tautd_section *section, const char *name)
{
    for (const struct taut_key *key = section->keys(NULL); key->name; key++)
        if (strcmp(key->name, name) == 0)
            return key;
    return NULL;
}

int tautd_schema_count(const struct tautd_section *section, const struct tautd_config *config)
{
    if (!section->list)
        return 1;
    int count;
    memcpy(&count, (const char *)config + section->count, sizeof count);
    return count;
}

void *tautd_schema_entry(const struct tautd_section *section, const struct tautd_config *config, int index)
{
    if (!section->list)
        return (char *)config + section->base;
    char *entries;
    memcpy(&entries, (const char *)config + section->entries, sizeof entries);
    return entries + (size_t)index * section->entry_size;
}

const char *tautd_schema_word(const char *choices, int index, char *out, size_t size)
{
    for (; index > 0 && choices; index--) {
        choices = strchr(choices, '|');
        choices = choices ? choices + 1 : NULL;
    }
    size_t n = choices ? strcspn(choices, "|") : 0;
    if (n >= size)
        n = size - 1;
    if (n)
        memcpy(out, choices, n);
    out[n] = '\0';
    return out;
}
