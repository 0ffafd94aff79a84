#include <cjson/cJSON.h>
#include <getopt.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tautctl/client.h"
#include "tautctl/paper.h"
#include "tautctl/tautctl.h"

static const char help[] = "Usage: tautctl live STATION [--unit UNIT] [--count N] [--json]\n\n"
                           "Prints a line for every reading and event of a station as they come, until Ctrl-C: time\n"
                           "(UTC), event, phase, pressure (absolute), rate with its standard uncertainty, quality.\n\n"
                           "  --unit UNIT  mbar (default), Pa, kPa, inHg, Torr or psi\n"
                           "  --count N    end after N lines\n"
                           "  --json       each event's JSON on a line of its own (always in mbar)\n";

struct live {
    struct tautctl_unit unit;
    bool json;
    long left; /* lines still wanted */
};

static bool print_event(void *ctx, const char *name, const char *data)
{
    struct live *live = ctx;
    if (live->json) {
        puts(data);
    } else {
        char pressure[32], rate[64], quality[PAPER_TEXT_MAX];
        cJSON *station = cJSON_Parse(data);
        const char *reason = tautctl_text(station, "reason");
        tautctl_pressure(&live->unit, tautctl_number(station, "pressure_mbar"), pressure);
        tautctl_rate(&live->unit, tautctl_number(station, "rate_mbar_per_min"), tautctl_number(station, "u_rate_mbar_per_min"),
                     rate);
        snprintf(quality, sizeof quality, "%s%s%s", tautctl_text(station, "quality"), reason[0] ? ":" : "", reason);
        tautctl_cell(stdout, tautctl_text(station, "time_utc"), 24);
        putchar(' ');
        tautctl_cell(stdout, name, 7);
        putchar(' ');
        tautctl_cell(stdout, tautctl_text(station, "phase"), 9);
        putchar(' ');
        tautctl_cell(stdout, pressure, -10);
        printf(" %-4s", live->unit.name);
        tautctl_cell(stdout, rate, -18);
        printf(" %s", quality);
        putchar('\n');
        cJSON_Delete(station);
    }
    return fflush(stdout) == 0 && --live->left > 0;
}

int tautctl_cmd_live(int argc, char **argv)
{
    static const struct option options[] = {
        {"unit",             required_argument, NULL, 'u'},
        {"count",              required_argument, NULL, 'c'},
        {"json",                  no_argument, NULL, 'j'},
        {0}
    };
    struct live live = {.left = LONG_MAX};
    char path[600], target[640];
    if (tautctl_help(argc, argv, help))
        return TAUTCTL_OK;
    tautctl_init();
    tautctl_unit_find("mbar", &live.unit);
    opterr = 0;
    for (int option; (option = getopt_long(argc, argv, "", options, NULL)) != -1;) {
        if (option == 'j')
            live.json = true;
        else if (option == 'u' && tautctl_unit_find(optarg, &live.unit) != 0)
            return tautctl_usage("live", "%s: no such unit; there are mbar, Pa, kPa, inHg, Torr and psi", optarg);
        else if (option == 'c' && (live.left = strtol(optarg, NULL, 10)) <= 0)
            return tautctl_usage("live", "%s: a count is a whole number above 0", optarg);
        else if (option == '?')
            return tautctl_usage("live", "%s: no such option, or its value is missing", argv[optind - 1]);
    }
    if (argc - optind != 1)
        return tautctl_usage("live", "which station?");
    if (!tautctl_station_path(argv[optind], "", path, sizeof path))
        return tautctl_usage("live", "%s: no station can have such a name", argv[optind]);
    snprintf(target, sizeof target, "/v1/live?station=%s", path + strlen("/v1/stations/"));
    return tautctl_follow(target, print_event, &live);
}
