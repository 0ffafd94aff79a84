/* Checks of channels, stations, recipes and the daemon's own keys, and the values that follow from others. */
#include <arpa/inet.h>
#include <grp.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "config/read.h"
#include "config/value.h"
#include "taut/time.h"
#include "taut/units.h"

#define CHANNELS TAUTD_SECTION_CHANNELS
#define STATIONS TAUTD_SECTION_STATIONS
#define RECIPES  TAUTD_SECTION_RECIPES

/* ---- channels -------------------------------------------------------------------------------------------------- */

/* Values that no key holds; for entries with mistakes too, so that the struct is always whole. */
static void complete_channel(struct tautd_reader *reader, int index)
{
    struct tautd_channel_config *channel = &reader->config->channel[index];
    struct taut_channel_spec *spec = &channel->spec;
    bool pressure = spec->quantity == TAUT_QUANTITY_PRESSURE;
    spec->loop = !isnan(spec->loop_low_ma);
    if (!pressure)
        spec->fixed_ambient_pa = NAN;
    if (isnan(spec->stale_s))
        spec->stale_s = fmax(3, 5 * channel->period_s);
    if (!channel->engineering[0])
        snprintf(channel->engineering, sizeof channel->engineering, "%s", pressure ? "mbar" : "degC");
}

static bool own_role(int role)
{
    return role == TAUT_ROLE_VENT || role == TAUT_ROLE_FAR || role == TAUT_ROLE_FEED;
}

/* Roles that a channel has in any station, one bit each. */
static unsigned roles_of(const struct tautd_config *config, int channel)
{
    unsigned roles = 0;
    for (int s = 0; s < config->stations; s++)
        for (int role = 0; role < TAUT_ROLES; role++)
            if (config->station[s].channel_index[role] == channel)
                roles |= 1u << role;
    return roles;
}

static bool is_barometer(const struct tautd_config *config, int channel)
{
    for (int c = 0; c < config->channels; c++)
        if (config->channel[c].ambient_index == channel)
            return true;
    return false;
}

/* A frozen sensor at a bag looks like a tight bag, so it is watched for unless the file says otherwise. A barometer
 * or thermometer with coarse steps rightly stands still for a long time. */
static void complete_frozen(struct tautd_reader *reader, int index)
{
    struct tautd_channel_config *channel = &reader->config->channel[index];
    bool bag = false;
    for (int role = 0; role < TAUT_ROLES; role++)
        bag = bag || (own_role(role) && (roles_of(reader->config, index) & (1u << role)));
    if (isnan(channel->spec.frozen_s))
        channel->spec.frozen_s = bag ? fmax(60, 20 * channel->period_s) : 0;
    else if (channel->spec.frozen_s > 0 && channel->spec.frozen_s < 5 * channel->period_s)
        tautd_reader_error(reader, CHANNELS, index, "frozen_s", "found %.10g; at least five periods (%.10g s) are needed, or 0",
                           channel->spec.frozen_s, 5 * channel->period_s);
}

static void check_engineering(struct tautd_reader *reader, int index)
{
    struct tautd_channel_config *channel = &reader->config->channel[index];
    struct taut_channel_spec *spec = &channel->spec;
    bool celsius = strcmp(channel->engineering, "degC") == 0, kelvin = strcmp(channel->engineering, "K") == 0;
    if (spec->quantity == TAUT_QUANTITY_TEMPERATURE) {
        spec->temperature_zero_k = celsius ? TAUT_KELVIN_AT_0_DEGC : 0;
        if (!celsius && !kelvin)
            tautd_reader_error(reader, CHANNELS, index, "engineering", "found \"%s\"; allowed for a temperature: degC, K",
                               channel->engineering);
    } else if (celsius || kelvin) {
        tautd_reader_error(reader, CHANNELS, index, "engineering",
                           "found \"%s\" for a pressure; for a temperature write quantity: temperature", channel->engineering);
    } else if (taut_units_pressure(channel->engineering, &spec->unit_pa) != TAUT_OK) {
        tautd_reader_error(reader, CHANNELS, index, "engineering", "found \"%s\"; allowed: %s", channel->engineering,
                           taut_units_pressure_names());
    }
}

static void check_address(struct tautd_reader *reader, int index)
{
    const struct tautd_channel_config *channel = &reader->config->channel[index];
    char hint[100];
    if (reader->config->line[channel->line_index].kind == TAUTD_LINE_RTU && (channel->unit < 1 || channel->unit > 247))
        tautd_reader_error(reader, CHANNELS, index, "unit", "found %d; allowed on a serial line: 1 to 247", channel->unit);
    if (channel->reg + taut_decode_register_count((enum taut_reg_type)channel->type) > 65536)
        tautd_reader_error(reader, CHANNELS, index, "register", "found 65535 for a type of two registers; allowed: 0 to 65534");
    if (*tautd_value_register_hint(channel->reg, hint, sizeof hint))
        tautd_reader_warning(reader, CHANNELS, index, "register", "%d is taken as the address on the wire; %s", channel->reg,
                             hint);
}

/* A wrong reference shows in the range: it must hold at least some vacuum. */
static void check_range(struct tautd_reader *reader, int index)
{
    const struct taut_channel_spec *spec = &reader->config->channel[index].spec;
    double low = spec->range_low, high = spec->range_high, span = high - low;
    if (spec->quantity == TAUT_QUANTITY_TEMPERATURE)
        return;
    if (spec->reference == TAUT_REFERENCE_ABSOLUTE && low < -0.1 * span)
        tautd_reader_error(reader, CHANNELS, index, "range",
                           "found [%.10g, %.10g]; an absolute pressure is not below 0: is it reference: gauge?", low, high);
    if (spec->reference == TAUT_REFERENCE_GAUGE && low >= 0)
        tautd_reader_error(reader, CHANNELS, index, "range",
                           "found [%.10g, %.10g]; gauge pressure is negative under vacuum: is it reference: absolute or vacuum?",
                           low, high);
    if (spec->reference == TAUT_REFERENCE_VACUUM && high <= 0)
        tautd_reader_error(reader, CHANNELS, index, "range",
                           "found [%.10g, %.10g]; vacuum counts upwards from ambient: is it reference: gauge?", low, high);
}

static void check_ambient(struct tautd_reader *reader, int index)
{
    const struct tautd_channel_config *channel = &reader->config->channel[index];
    const struct taut_channel_spec *spec = &channel->spec;
    bool wired = channel->ambient[0] != '\0', fixed = !isnan(spec->fixed_ambient_pa);
    if (spec->quantity == TAUT_QUANTITY_TEMPERATURE)
        return;
    if (spec->reference == TAUT_REFERENCE_ABSOLUTE) {
        if (wired || fixed)
            tautd_reader_error(reader, CHANNELS, index, wired ? "ambient" : "fixed_ambient_mbar",
                               "an absolute channel needs no ambient pressure; leave it out");
        return;
    }
    if (!wired && !fixed)
        tautd_reader_error(reader, CHANNELS, index, "reference",
                           "a %s channel needs the ambient pressure; add ambient: with the name of a barometer channel, or "
                           "fixed_ambient_mbar:",
                           spec->reference == TAUT_REFERENCE_GAUGE ? "gauge" : "vacuum");
    if (wired && fixed)
        tautd_reader_error(reader, CHANNELS, index, "fixed_ambient_mbar",
                           "both ambient and fixed_ambient_mbar are given; keep ambient, or this");
    if (!wired || channel->ambient_index < 0 || !reader->entry[CHANNELS][channel->ambient_index].clean)
        return;
    const struct taut_channel_spec *barometer = &reader->config->channel[channel->ambient_index].spec;
    if (barometer->quantity != TAUT_QUANTITY_PRESSURE || barometer->reference != TAUT_REFERENCE_ABSOLUTE)
        tautd_reader_error(reader, CHANNELS, index, "ambient",
                           "channel \"%s\" is not an absolute pressure; a barometer is needed", barometer->name);
}

static void check_date(struct tautd_reader *reader, int index)
{
    const char *date = reader->config->channel[index].calibrated;
    char moment[40];
    int64_t ignored;
    snprintf(moment, sizeof moment, "%sT00:00:00Z", date);
    if (date[0] && (strlen(date) != 10 || taut_time_parse(moment, &ignored) != TAUT_OK))
        tautd_reader_error(reader, CHANNELS, index, "calibrated", "found \"%s\"; allowed: a date, YYYY-MM-DD", date);
}

void tautd_check_channels(struct tautd_reader *reader)
{
    for (int i = 0; i < reader->config->channels; i++) {
        const struct tautd_channel_config *channel = &reader->config->channel[i];
        complete_channel(reader, i);
        complete_frozen(reader, i);
        if (!reader->entry[CHANNELS][i].clean)
            continue;
        check_engineering(reader, i);
        check_address(reader, i);
        check_range(reader, i);
        check_date(reader, i);
        if (channel->spec.scale == 0)
            tautd_reader_error(reader, CHANNELS, i, "scale", "found 0; every reading would be the same");
        if (channel->spec.stale_s < 2 * channel->period_s)
            tautd_reader_error(reader, CHANNELS, i, "stale_s", "found %.10g; at least two periods (%.10g s) are needed",
                               channel->spec.stale_s, 2 * channel->period_s);
    }
    for (int i = 0; i < reader->config->channels; i++)
        if (reader->entry[CHANNELS][i].node->kind == TAUTD_NODE_MAP && reader->entry[CHANNELS][i].clean)
            check_ambient(reader, i);
}

void tautd_check_unused(struct tautd_reader *reader)
{
    const struct tautd_config *config = reader->config;
    for (int c = 0; c < config->channels; c++)
        if (!roles_of(config, c) && !is_barometer(config, c))
            tautd_reader_warning(reader, CHANNELS, c, "name", "\"%s\" is read, but no station uses it",
                                 config->channel[c].spec.name);
    for (int o = 0; o < config->outputs; o++) {
        bool driven = false;
        for (int s = 0; s < config->stations; s++)
            driven = driven || config->station[s].valve_index == o;
        if (!driven)
            tautd_reader_warning(reader, TAUTD_SECTION_OUTPUTS, o, "name",
                                 "\"%s\" is never driven; no station has it as its valve", config->output[o].name);
    }
}

/* ---- stations -------------------------------------------------------------------------------------------------- */

static void check_quantity(struct tautd_reader *reader, int index, int role)
{
    const struct tautd_station_config *station = &reader->config->station[index];
    int c = station->channel_index[role];
    if (c < 0 || !reader->entry[CHANNELS][c].clean)
        return;
    const struct taut_channel_spec *spec = &reader->config->channel[c].spec;
    bool temperature = spec->quantity == TAUT_QUANTITY_TEMPERATURE;
    if (temperature != (role == TAUT_ROLE_TEMPERATURE))
        tautd_reader_error(reader, STATIONS, index, taut_role_text((enum taut_role)role),
                           "channel \"%s\" is a %s; a %s is needed", spec->name, temperature ? "temperature" : "pressure",
                           temperature ? "pressure" : "temperature");
    else if (role == TAUT_ROLE_AMBIENT && spec->reference != TAUT_REFERENCE_ABSOLUTE)
        tautd_reader_error(reader, STATIONS, index, "ambient",
                           "channel \"%s\" is not an absolute pressure; a barometer is needed", spec->name);
}

/* A channel that shows one bag's pressure can not mean anything else anywhere. */
static void check_own(struct tautd_reader *reader, int index, int role)
{
    const struct tautd_station_config *station = reader->config->station;
    int c = station[index].channel_index[role];
    const char *key = taut_role_text((enum taut_role)role);
    if (c < 0)
        return;
    for (int j = 0; j <= index; j++)
        for (int r = 0; r < (j == index ? role : TAUT_ROLES); r++) {
            if (station[j].channel_index[r] != c || (!own_role(role) && !own_role(r)))
                continue;
            tautd_reader_error(reader, STATIONS, index, key, "channel \"%s\" is the %s of station \"%s\" (line %d) already",
                               station[index].channel[role], taut_role_text((enum taut_role)r), station[j].name,
                               tautd_reader_place(reader, STATIONS, j, taut_role_text((enum taut_role)r))->line);
            return;
        }
}

static void check_valve(struct tautd_reader *reader, int index)
{
    const struct tautd_station_config *station = reader->config->station;
    for (int j = 0; j < index && station[index].valve_index >= 0; j++)
        if (station[j].valve_index == station[index].valve_index) {
            tautd_reader_error(reader, STATIONS, index, "valve", "output \"%s\" is the valve of station \"%s\" (line %d) already",
                               station[index].valve, station[j].name, tautd_reader_place(reader, STATIONS, j, "valve")->line);
            return;
        }
}

void tautd_check_stations(struct tautd_reader *reader)
{
    for (int i = 0; i < reader->config->stations; i++) {
        struct tautd_station_config *station = &reader->config->station[i];
        if (!reader->entry[STATIONS][i].clean)
            continue;
        if (isnan(station->volume_m3) && !isnan(station->u_volume_m3))
            tautd_reader_error(reader, STATIONS, i, "u_volume_l", "given without volume_l; add volume_l or leave this out");
        if (!isnan(station->volume_m3) && isnan(station->u_volume_m3))
            station->u_volume_m3 = station->volume_m3 / 5;
        for (int role = 0; role < TAUT_ROLES; role++) {
            check_quantity(reader, i, role);
            check_own(reader, i, role);
        }
        check_valve(reader, i);
    }
}

/* ---- recipes --------------------------------------------------------------------------------------------------- */

void tautd_check_recipes(struct tautd_reader *reader)
{
    for (int i = 0; i < reader->config->recipes; i++) {
        const struct taut_recipe *r = &reader->config->recipe[i];
        if (!reader->entry[RECIPES][i].clean)
            continue;
        bool rise = !isnan(r->rise_limit_pa), within = !isnan(r->rise_within_s);
        if (rise && !within)
            tautd_reader_error(reader, RECIPES, i, "rise_limit_mbar", "given without rise_within_s; add the time it belongs to");
        if (within && !rise)
            tautd_reader_error(reader, RECIPES, i, "rise_within_s", "given without rise_limit_mbar; add the rise it belongs to");
        if (!rise && !within && isnan(r->limit_pa_per_s))
            tautd_reader_error(reader, RECIPES, i, NULL,
                               "no limit; add limit_mbar_per_min, or rise_limit_mbar with rise_within_s");
        if (r->settle_min_s > r->settle_max_s)
            tautd_reader_error(reader, RECIPES, i, "settle_min_s", "%.10g s is longer than settle_max_s (%.10g s)",
                               r->settle_min_s, r->settle_max_s);
        if (r->test_min_s > r->test_s)
            tautd_reader_error(reader, RECIPES, i, "test_min_s", "%.10g s is longer than test_s (%.10g s)", r->test_min_s,
                               r->test_s);
        if (rise && within && r->rise_within_s > r->test_s)
            tautd_reader_warning(reader, RECIPES, i, "rise_within_s",
                                 "%.10g s is longer than test_s (%.10g s); the rise would be extrapolated", r->rise_within_s,
                                 r->test_s);
    }
}

/* ---- daemon and api -------------------------------------------------------------------------------------------- */

static bool check_path(struct tautd_reader *reader, enum tautd_section_id id, const char *key, const char *path)
{
    if (path[0] == '\0' || path[0] == '/')
        return path[0] == '/';
    tautd_reader_error(reader, id, 0, key, "found \"%.60s\"; a full path is needed, beginning with /", path);
    return false;
}

static void check_program(struct tautd_reader *reader, const char *key, const char *path)
{
    struct stat status;
    if (!check_path(reader, TAUTD_SECTION_DAEMON, key, path))
        return;
    if (stat(path, &status) != 0)
        tautd_reader_error(reader, TAUTD_SECTION_DAEMON, 0, key, "there is no \"%.100s\"; the full path of a program is needed",
                           path);
    else if (!S_ISREG(status.st_mode) || access(path, X_OK) != 0)
        tautd_reader_error(reader, TAUTD_SECTION_DAEMON, 0, key, "\"%.100s\" can not be executed; make it so with chmod +x",
                           path);
}

static bool is_loopback(const char *address)
{
    struct in_addr v4;
    struct in6_addr v6;
    if (inet_pton(AF_INET, address, &v4) == 1)
        return (ntohl(v4.s_addr) >> 24) == 127;
    return inet_pton(AF_INET6, address, &v6) == 1 && IN6_IS_ADDR_LOOPBACK(&v6);
}

static void check_group(struct tautd_reader *reader)
{
    const char *name = reader->config->api.group;
    struct group entry, *found = NULL;
    char buffer[16384];
    if (name[0] && (getgrnam_r(name, &entry, buffer, sizeof buffer, &found) != 0 || !found))
        tautd_reader_error(reader, TAUTD_SECTION_API, 0, "group",
                           "there is no group \"%s\" on this machine; add it with addgroup", name);
}

void tautd_check_daemon(struct tautd_reader *reader)
{
    const struct tautd_config *config = reader->config;
    check_path(reader, TAUTD_SECTION_DAEMON, "state_dir", config->state_dir);
    check_path(reader, TAUTD_SECTION_DAEMON, "run_dir", config->run_dir);
    check_program(reader, "on_alarm", config->on_alarm);
    check_program(reader, "on_verdict", config->on_verdict);
    check_path(reader, TAUTD_SECTION_API, "socket", config->api.socket);
    check_group(reader);
    if (config->api.listen[0] && !is_loopback(config->api.listen))
        tautd_reader_error(reader, TAUTD_SECTION_API, 0, "listen",
                           "found \"%s\"; allowed: 127.0.0.1 or ::1, since whoever reaches the page can give commands",
                           config->api.listen);
    if (tautd_reader_given(reader, TAUTD_SECTION_API, 0, "port") && !config->api.listen[0])
        tautd_reader_warning(reader, TAUTD_SECTION_API, 0, "port", "has no effect without listen");
}
