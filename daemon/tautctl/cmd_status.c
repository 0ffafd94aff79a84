#include <cjson/cJSON.h>
#include <getopt.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "tautctl/client.h"
#include "tautctl/paper.h"
#include "tautctl/tautctl.h"

static const char help[] = "Usage: tautctl status [STATION] [--unit UNIT] [--watch | --json]\n\n"
                           "Shows every station: part, phase, time in the phase, pressure (absolute), rate with its\n"
                           "standard uncertainty, what to do next, alarms. With STATION its channels, too.\n\n"
                           "  --unit UNIT  mbar (default), Pa, kPa, inHg, Torr or psi\n"
                           "  --watch      draw again each second until Ctrl-C (on a terminal)\n"
                           "  --json       the daemon's answer as it is, for programs (always in mbar)\n";

enum { INDENT = 10, AGE_WORTH_TELLING_S = 3 };

struct wanted {
    const char *station;
    struct tautctl_unit unit;
    bool json, watch;
};

/* ---- one station ---- */

static void print_reading_trouble(const cJSON *object, const char *what)
{
    char line[PAPER_TEXT_MAX];
    const char *quality = tautctl_text(object, "quality"), *reason = tautctl_text(object, "reason");
    double age_s = tautctl_number(object, "age_s");
    const bool old = age_s > AGE_WORTH_TELLING_S;
    if (strcmp(quality, "good") == 0 && !old)
        return;
    int n = snprintf(line, sizeof line, "%s %s%s%s", what, quality, reason[0] ? ": " : "", reason);
    if (old && n > 0 && (size_t)n < sizeof line)
        snprintf(line + n, sizeof line - (size_t)n, ", %.0f s old", age_s);
    strncat(line, ".", sizeof line - strlen(line) - 1);
    tautctl_wrap(stdout, INDENT, line);
}

static void print_alarm(const cJSON *alarm)
{
    char line[PAPER_TEXT_MAX * 2];
    const double confidence = tautctl_number(alarm, "confidence"), shelved_s = tautctl_number(alarm, "shelved_for_s");
    int n = snprintf(line, sizeof line, "%s %s (%s, %s)", tautctl_flag(alarm, "calls") ? "ALARM" : "Alarm",
                     tautctl_text(alarm, "alarm"), tautctl_text(alarm, "priority"), tautctl_text(alarm, "state"));
    if (isfinite(shelved_s))
        n += snprintf(line + n, sizeof line - (size_t)n, " for %.0f min", shelved_s / 60);
    if (tautctl_text(alarm, "cause")[0])
        n += snprintf(line + n, sizeof line - (size_t)n, ", cause: %s (%.0f %% sure)", tautctl_text(alarm, "cause"),
                      100 * confidence);
    snprintf(line + n, sizeof line - (size_t)n, "%s%s.", tautctl_text(alarm, "evidence")[0] ? ": " : "",
             tautctl_text(alarm, "evidence"));
    tautctl_wrap(stdout, INDENT, line);
    if (tautctl_text(alarm, "advice")[0])
        tautctl_wrap(stdout, INDENT, tautctl_text(alarm, "advice"));
}

static void print_test(const cJSON *station, const struct tautctl_unit *unit)
{
    char rate[64], line[PAPER_TEXT_MAX];
    const double limit = tautctl_number(station, "limit_mbar_per_min") * unit->per_mbar;
    const char *phase = tautctl_text(station, "phase"), *from = tautctl_text(station, "rate_from");
    tautctl_rate(unit, tautctl_number(station, "rate_mbar_per_min"), tautctl_number(station, "u_rate_mbar_per_min"), rate);
    if (strcmp(from, "last-test") == 0) {
        int n = snprintf(line, sizeof line, "Last drop test: %s, %s %s/min", tautctl_text(station, "verdict"), rate, unit->name);
        if (isfinite(limit))
            n += snprintf(line + n, sizeof line - (size_t)n, ", limit %.*f", unit->rate_decimals, limit);
        snprintf(line + n, sizeof line - (size_t)n, ".");
        tautctl_wrap(stdout, INDENT, line);
    } else if (isfinite(limit) && (strcmp(phase, "settle") == 0 || strcmp(phase, "drop-test") == 0)) {
        snprintf(line, sizeof line, "Limit %.*f %s/min.", unit->rate_decimals, limit, unit->name);
        tautctl_wrap(stdout, INDENT, line);
    }
}

static void print_row(const cJSON *station, const struct tautctl_unit *unit)
{
    char part[PAPER_TEXT_MAX], duration[32], pressure[32], rate[64];
    const int run = (int)tautctl_number(station, "run_number");
    const bool last = strcmp(tautctl_text(station, "rate_from"), "last-test") == 0;
    snprintf(part, sizeof part, "%s", tautctl_text(station, "part")[0] ? tautctl_text(station, "part") : "-");
    if (tautctl_text(station, "part")[0] && run > 1)
        snprintf(part, sizeof part, "%s (%d)", tautctl_text(station, "part"), run);
    tautctl_duration(tautctl_number(station, "in_phase_s"), duration);
    tautctl_pressure(unit, tautctl_number(station, "pressure_mbar"), pressure);
    if (strcmp(tautctl_text(station, "quality"), "uncertain") == 0)
        strncat(pressure, "?", sizeof pressure - strlen(pressure) - 1);
    tautctl_rate(unit, tautctl_number(station, "rate_mbar_per_min"), tautctl_number(station, "u_rate_mbar_per_min"), rate);
    tautctl_cell(stdout, tautctl_text(station, "name"), INDENT - 1);
    putchar(' ');
    tautctl_cell(stdout, part, 17);
    putchar(' ');
    tautctl_cell(stdout, tautctl_text(station, "phase"), 9);
    tautctl_cell(stdout, duration, -10);
    putchar(' ');
    tautctl_cell(stdout, pressure, -12);
    if (rate[0] && !last) {
        putchar(' ');
        tautctl_cell(stdout, rate, -19);
    }
    putchar('\n');
}

static void print_channels(const cJSON *channels, const struct tautctl_unit *unit)
{
    const cJSON *channel;
    cJSON_ArrayForEach(channel, channels)
    {
        char value[32], line[PAPER_TEXT_MAX];
        const double degc = tautctl_number(channel, "temperature_degc"), mbar = tautctl_number(channel, "pressure_mbar");
        if (cJSON_HasObjectItem(channel, "temperature_degc") && isfinite(degc))
            snprintf(value, sizeof value, "%.2f degC", degc);
        else
            tautctl_pressure(unit, mbar, value);
        snprintf(line, sizeof line, "%s (%s): %s%s%s", channel->string, tautctl_text(channel, "name"), value,
                 isfinite(mbar) ? " " : "", isfinite(mbar) ? unit->name : "");
        tautctl_wrap(stdout, INDENT, line);
        print_reading_trouble(channel, "  reading");
    }
}

static void print_station(const cJSON *station, const struct tautctl_unit *unit)
{
    const cJSON *alarm, *channels = cJSON_GetObjectItemCaseSensitive(station, "channels");
    print_row(station, unit);
    if (!channels)
        print_reading_trouble(station, "Reading");
    print_channels(channels, unit);
    print_test(station, unit);
    if (tautctl_text(station, "advice")[0])
        tautctl_wrap(stdout, INDENT, tautctl_text(station, "advice"));
    cJSON_ArrayForEach(alarm, cJSON_GetObjectItemCaseSensitive(station, "alarms"))
    {
        print_alarm(alarm);
    }
}

/* ---- the bench ---- */

static int calling(const cJSON *stations)
{
    const cJSON *station, *alarm;
    int n = 0;
    cJSON_ArrayForEach(station, stations)
    {
        cJSON_ArrayForEach(alarm, cJSON_GetObjectItemCaseSensitive(station, "alarms"))
        {
            n += tautctl_flag(alarm, "calls");
        }
    }
    return n;
}

static void print_head(const cJSON *status, const cJSON *stations)
{
    char line[PAPER_TEXT_MAX], duration[32];
    const int alarms = calling(stations), count = cJSON_GetArraySize(stations);
    const double factor = tautctl_number(status, "clock_factor");
    const cJSON *bus;
    tautctl_duration(tautctl_number(status, "uptime_s"), duration);
    int n = snprintf(line, sizeof line, "tautd %s, running for %s. %d station%s.", tautctl_text(status, "version"), duration,
                     count, count == 1 ? "" : "s");
    if (alarms > 0)
        n += snprintf(line + n, sizeof line - (size_t)n, " %d ALARM%s.", alarms, alarms == 1 ? " CALLS" : "S CALL");
    if (isfinite(factor) && factor != 1)
        snprintf(line + n, sizeof line - (size_t)n, " SIMULATED TIME, %g times as fast.", factor);
    tautctl_wrap(stdout, 0, line);
    cJSON_ArrayForEach(bus, cJSON_GetObjectItemCaseSensitive(status, "lines"))
    {
        if (tautctl_flag(bus, "up"))
            continue;
        snprintf(line, sizeof line, "Line %s is down (%s): see 'tautctl probe --help'.", tautctl_text(bus, "name"),
                 tautctl_text(bus, "at"));
        tautctl_wrap(stdout, 0, line);
    }
}

static void print_titles(const struct tautctl_unit *unit)
{
    char pressure[32], rate[32];
    snprintf(pressure, sizeof pressure, "abs. %s", unit->name);
    snprintf(rate, sizeof rate, "rate %s/min", unit->name);
    printf("\n%-9s %-17s %-9s%10s %12s %19s\n", "station", "part", "phase", "time", pressure, rate);
}

static int show_once(const struct wanted *wanted)
{
    char path[600] = "/v1/status", *raw = NULL;
    cJSON *answer = NULL;
    if (wanted->station && !tautctl_station_path(wanted->station, "", path, sizeof path))
        return tautctl_usage("status", "%s: no station can have such a name", wanted->station);
    int code = tautctl_get(path, wanted->json ? &raw : NULL, wanted->json ? NULL : &answer);
    if (code != TAUTCTL_OK)
        return code;
    if (wanted->json) {
        puts(raw);
        free(raw);
        return TAUTCTL_OK;
    }
    if (wanted->watch)
        fputs("\033[H\033[J", stdout);
    if (wanted->station) {
        print_titles(&wanted->unit);
        print_station(answer, &wanted->unit);
    } else {
        const cJSON *station, *stations = cJSON_GetObjectItemCaseSensitive(answer, "stations");
        print_head(answer, stations);
        print_titles(&wanted->unit);
        cJSON_ArrayForEach(station, stations)
        {
            print_station(station, &wanted->unit);
        }
    }
    cJSON_Delete(answer);
    return fflush(stdout) == 0 ? TAUTCTL_OK : TAUTCTL_TROUBLE;
}

/* ---- watch ---- */

static volatile sig_atomic_t stopped;

static void on_stop(int number)
{
    (void)number;
    stopped = 1;
}

/* An old picture is never left standing as if it were new: when the daemon is away, only that is shown. */
static int watch(const struct wanted *wanted)
{
    const struct sigaction action = {.sa_handler = on_stop};
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    while (!stopped) {
        const struct timespec second = {.tv_sec = 1};
        int code = show_once(wanted);
        if (code == TAUTCTL_UNREACHABLE && !stopped) {
            fputs("\033[H\033[J", stdout);
            fflush(stdout);
            show_once(wanted); /* says so on the cleared screen */
        } else if (code != TAUTCTL_OK) {
            return stopped ? TAUTCTL_OK : code;
        }
        nanosleep(&second, NULL);
    }
    return TAUTCTL_OK;
}

int tautctl_cmd_status(int argc, char **argv)
{
    static const struct option options[] = {
        {"unit",       required_argument, NULL, 'u'},
        {"watch",        no_argument, NULL, 'w'},
        {"json",            no_argument, NULL, 'j'},
        {0}
    };
    struct wanted wanted = {0};
    if (tautctl_help(argc, argv, help))
        return TAUTCTL_OK;
    tautctl_init();
    tautctl_unit_find("mbar", &wanted.unit);
    opterr = 0;
    for (int option; (option = getopt_long(argc, argv, "", options, NULL)) != -1;) {
        if (option == 'w')
            wanted.watch = true;
        else if (option == 'j')
            wanted.json = true;
        else if (option != 'u')
            return tautctl_usage("status", "%s: no such option, or its value is missing", argv[optind - 1]);
        else if (tautctl_unit_find(optarg, &wanted.unit) != 0)
            return tautctl_usage("status", "%s: no such unit; there are mbar, Pa, kPa, inHg, Torr and psi", optarg);
    }
    if (argc - optind > 1)
        return tautctl_usage("status", "one station at a time");
    wanted.station = argv[optind];
    if (wanted.watch && (wanted.json || !isatty(STDOUT_FILENO)))
        return tautctl_usage("status", "--watch needs a terminal; programs use --json or 'tautctl live'");
    return wanted.watch ? watch(&wanted) : show_once(&wanted);
}
