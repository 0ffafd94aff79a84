/* tautsim: a simulated vacuum bench on Modbus, for demonstration, training and tests. */
#include <errno.h>
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bench.h"
#include "clock.h"
#include "command.h"
#include "print.h"
#include "scenario.h"
#include "server.h"
#include "taut/taut.h"

static const char usage[] =
    "usage: tautsim [options] SCENARIO\n"
    "       tautsim ctl SOCKET 'COMMAND'\n"
    "\n"
    "Serves a simulated vacuum bench as Modbus TCP gateways and as a serial line.\n"
    "\n"
    "  --port N             port of the first gateway, the next ones follow; 0 = any (else as the scenario says)\n"
    "  --listen ADDRESS     IPv4 address of the gateways (127.0.0.1)\n"
    "  --rtu LINK           also a serial line: LINK becomes a name for its pseudo-terminal\n"
    "  --rtu-gateway NAME   gateway whose units are on the serial line (the first)\n"
    "  --control SOCKET     take commands on this Unix socket (and always on standard input)\n"
    "  --speed N            run N times as fast as real time (1)\n"
    "  --seed N             start of the random numbers (as the scenario says)\n"
    "  --check              read the scenario, say what is wrong, do nothing\n"
    "  --print-channels     print lines, channels and outputs of a matching taut.yaml\n"
    "  --table SECONDS      do not serve: write the readings of so much simulated time as CSV\n"
    "  --every SECONDS      time between its rows (1)\n"
    "  --keys               list the keys of a scenario\n"
    "  --commands           list the commands\n"
    "  --help, --version\n";

struct arguments {
    struct tautsim_server_options server;
    const char *scenario, *rtu_gateway;
    double speed, table_s, every_s;
    long long seed; /* -1: as the scenario says */
    bool check, print_channels;
};

/* @return false, having said why, when the text is no number between least and most */
static bool number(const char *option, const char *text, double least, double most, double *out)
{
    char *end;
    errno = 0;
    double value = strtod(text, &end);
    if (end == text || *end || !(value >= least && value <= most)) {
        fprintf(stderr, "tautsim: --%s: \"%s\" must be a number from %g to %g\n", option, text, least, most);
        return false;
    }
    *out = value;
    return true;
}

static void print_commands(void)
{
    char storage[8192];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    tautsim_command_help(&text);
    fputs(storage, stdout);
}

enum {
    PORT = 1000,
    LISTEN,
    RTU,
    RTU_GATEWAY,
    CONTROL,
    SPEED,
    SEED,
    CHECK,
    CHANNELS,
    TABLE,
    EVERY,
    KEYS,
    COMMANDS,
    HELP,
    VERSION
};

static const struct option options[] = {
    {"port",       1, NULL, PORT},
    {"listen",        1, NULL, LISTEN},
    {"rtu",            1, NULL, RTU},
    {"rtu-gateway",    1, NULL, RTU_GATEWAY},
    {"control",      1, NULL, CONTROL},
    {"speed",        1, NULL, SPEED},
    {"seed",        1, NULL, SEED},
    {"check",            0, NULL, CHECK},
    {"print-channels",        0, NULL, CHANNELS},
    {"table", 1, NULL, TABLE},
    {"every",    1, NULL, EVERY},
    {"keys",        0, NULL, KEYS},
    {"commands",            0, NULL, COMMANDS},
    {"help",    0, NULL, HELP},
    {"version",       0, NULL, VERSION},
    {0      }
};

/* One option.  @return -1 to go on, else an exit status */
static int take_option(int option, struct arguments *a)
{
    double value;
    switch (option) {
    case PORT:
        if (!number("port", optarg, 0, 65535, &value))
            return 2;
        a->server.port = (int)value;
        return -1;
    case LISTEN:
        a->server.listen = optarg;
        return -1;
    case RTU:
        a->server.rtu_link = optarg;
        return -1;
    case RTU_GATEWAY:
        a->rtu_gateway = optarg;
        return -1;
    case CONTROL:
        a->server.control = optarg;
        return -1;
    case SPEED:
        return number("speed", optarg, 0.001, 10000, &a->speed) ? -1 : 2;
    case SEED:
        if (!number("seed", optarg, 0, 9007199254740992.0, &value))
            return 2;
        a->seed = (long long)value;
        return -1;
    case CHECK:
        a->check = true;
        return -1;
    case CHANNELS:
        a->print_channels = true;
        return -1;
    case TABLE:
        return number("table", optarg, 0, 1e9, &a->table_s) ? -1 : 2;
    case EVERY:
        return number("every", optarg, 0.001, 1e6, &a->every_s) ? -1 : 2;
    case KEYS:
        tautsim_scenario_print_keys(stdout);
        return 0;
    case COMMANDS:
        print_commands();
        return 0;
    case HELP:
        fputs(usage, stdout);
        return 0;
    case VERSION:
        puts("tautsim " TAUT_VERSION);
        return 0;
    default:
        fputs(usage, stderr);
        return 2;
    }
}

static struct tautsim_scenario *load(const char *path)
{
    static struct tautd_findings findings;
    struct tautsim_scenario *scenario = tautsim_scenario_load(path, &findings);
    int stored = findings.count < TAUTD_FINDINGS_MAX ? findings.count : TAUTD_FINDINGS_MAX;
    for (int i = 0; i < stored; i++) {
        char line[512];
        fprintf(stderr, "%s\n", taut_diag_print(&findings.finding[i], line, sizeof line));
    }
    if (findings.count > stored)
        fprintf(stderr, "and %d more\n", findings.count - stored);
    return scenario;
}

static bool find_rtu_gateway(struct arguments *a, const struct tautsim_scenario *scenario)
{
    if (!a->rtu_gateway)
        return true;
    for (int i = 0; i < scenario->gateways; i++) {
        if (strcmp(scenario->gateway[i].name, a->rtu_gateway) == 0) {
            a->server.rtu_gateway = i;
            return true;
        }
    }
    fprintf(stderr, "tautsim: --rtu-gateway: no gateway \"%s\" in the scenario\n", a->rtu_gateway);
    return false;
}

static int run(struct arguments *a, const struct tautsim_scenario *scenario)
{
    if (!find_rtu_gateway(a, scenario))
        return 2;
    if (a->print_channels) {
        tautsim_print_channels(scenario, a->server.listen, a->server.port, a->server.rtu_link, a->server.rtu_gateway, stdout);
        return 0;
    }
    struct tautsim_bench *bench = tautsim_bench_new(scenario, (uint64_t)(a->seed >= 0 ? a->seed : scenario->seed));
    if (!bench) {
        fputs("tautsim: no memory\n", stderr);
        return 1;
    }
    struct taut_diag diag;
    enum taut_status status = TAUT_OK;
    if (a->table_s >= 0) {
        tautsim_print_table(bench, a->table_s, a->every_s, stdout);
    } else {
        tautd_clock_set_factor(a->speed);
        status = tautsim_server_run(bench, &a->server, &diag);
    }
    tautsim_bench_free(bench);
    if (status != TAUT_OK)
        fprintf(stderr, "tautsim: %s\n", diag.text);
    return status == TAUT_OK ? 0 : 1;
}

static int ctl(int argc, char **argv)
{
    if (argc < 4) {
        fputs(usage, stderr);
        return 2;
    }
    char command[TAUTSIM_COMMAND_MAX] = "";
    struct taut_text text;
    taut_text_init(&text, command, sizeof command);
    for (int i = 3; i < argc; i++) {
        taut_text_add(&text, i > 3 ? " " : "");
        taut_text_add(&text, argv[i]);
    }
    if (text.full) {
        fprintf(stderr, "tautsim: a command has at most %d characters\n", TAUTSIM_COMMAND_MAX - 1);
        return 2;
    }
    return tautsim_server_ctl(argv[2], command);
}

int main(int argc, char **argv)
{
    if (argc > 1 && strcmp(argv[1], "ctl") == 0)
        return ctl(argc, argv);
    struct arguments a = {
        .server = {.listen = "127.0.0.1", .port = -1},
          .speed = 1, .table_s = -1, .every_s = 1, .seed = -1
    };
    int option;
    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
        int status = take_option(option, &a);
        if (status >= 0)
            return status;
    }
    if (optind != argc - 1) {
        fputs(usage, stderr);
        return 2;
    }
    struct tautsim_scenario *scenario = load(argv[optind]);
    if (!scenario)
        return 1;
    int status = a.check ? 0 : run(&a, scenario);
    tautsim_scenario_free(scenario);
    return status;
}
