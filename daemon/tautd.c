#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "clock.h"
#include "config/config.h"
#include "log.h"
#include "loop.h"
#include "taut/taut.h"

static const char usage[] = "usage: tautd [--config FILE] [--check | --print-config | --print-example]\n"
                            "             [--log-level LEVEL] [--sim-speed N] [--version] [--help]\n"
                            "\n"
                            "Watches the vacuum under the bag: polls the transducers, judges the drop test,\n"
                            "watches fill and cure, keeps a trace and a record for each part.\n"
                            "\n"
                            "  --config FILE    default /etc/taut/taut.yaml\n"
                            "  --check          read the configuration, report every mistake, exit\n"
                            "  --print-config   print the configuration in force, every key, exit\n"
                            "  --print-example  print a commented example with every key, exit\n"
                            "  --log-level L    error, warning, notice (default), info, debug\n"
                            "  --sim-speed N    with a simulated bench only: time runs N times as fast\n"
                            "\n"
                            "Taut is an aid and no safety device. See tautd(8).\n";

enum { EXIT_CONFIG = 78 }; /* EX_CONFIG of sysexits.h */

struct options {
    const char *config;
    bool check, print;
    double speed;
};

static bool set_level(const char *word)
{
    static const char *const words[] = {"", "", "", "error", "warning", "notice", "info", "debug"};
    for (int i = TAUTD_ERROR; i <= TAUTD_DEBUG; i++)
        if (strcmp(word, words[i]) == 0) {
            tautd_log_set_level((enum tautd_level)i);
            return true;
        }
    return false;
}

static int bad_usage(const char *what, const char *value)
{
    fprintf(stderr, "tautd: %s \"%s\"\n%s", what, value, usage);
    return 64;
}

/* @return -1 to go on, else the exit status */
static int parse(int argc, char **argv, struct options *options)
{
    static const struct option longs[] = {
        {"config",        required_argument, NULL, 'c'},
        {"check",         no_argument,       NULL, 'k'},
        {"print-config",  no_argument,       NULL, 'p'},
        {"print-example", no_argument,       NULL, 'e'},
        {"log-level",     required_argument, NULL, 'l'},
        {"sim-speed",     required_argument, NULL, 's'},
        {"version",       no_argument,       NULL, 'v'},
        {"help",          no_argument,       NULL, 'h'},
        {NULL,            0,                 NULL, 0  },
    };
    for (int c; (c = getopt_long(argc, argv, "c:h", longs, NULL)) != -1;) {
        char *end;
        switch (c) {
        case 'c':
            options->config = optarg;
            break;
        case 'k':
            options->check = true;
            break;
        case 'p':
            options->print = true;
            break;
        case 'e':
            tautd_config_print_example(stdout);
            return 0;
        case 'l':
            if (!set_level(optarg))
                return bad_usage("no log level", optarg);
            break;
        case 's':
            options->speed = strtod(optarg, &end);
            if (*end || !(options->speed >= 1 && options->speed <= 1000))
                return bad_usage("--sim-speed is a number from 1 to 1000, not", optarg);
            break;
        case 'v':
            printf("tautd %s\n", TAUT_VERSION);
            return 0;
        case 'h':
            fputs(usage, stdout);
            return 0;
        default:
            fputs(usage, stderr);
            return 64;
        }
    }
    return optind < argc ? bad_usage("what is", argv[optind]) : -1;
}

static struct tautd_config *load(const char *path)
{
    struct tautd_findings *findings = calloc(1, sizeof *findings);
    if (!findings)
        return NULL;
    struct tautd_config *config = tautd_config_load(path, findings);
    char line[512];
    for (int i = 0; i < findings->count && i < TAUTD_FINDINGS_MAX; i++)
        fprintf(stderr, "%s\n", taut_diag_print(&findings->finding[i], line, sizeof line));
    for (int i = 0; i < findings->warnings && i < TAUTD_WARNINGS_MAX; i++)
        fprintf(stderr, "warning: %s\n", taut_diag_print(&findings->warning[i], line, sizeof line));
    if (findings->count > TAUTD_FINDINGS_MAX)
        fprintf(stderr, "and %d more\n", findings->count - TAUTD_FINDINGS_MAX);
    free(findings);
    return config;
}

int main(int argc, char **argv)
{
    struct options options = {.config = "/etc/taut/taut.yaml", .speed = 1};
    int status = parse(argc, argv, &options);
    if (status >= 0)
        return status;
    struct tautd_config *config = load(options.config);
    if (!config)
        return EXIT_CONFIG;
    if (options.print)
        tautd_config_print(config, stdout);
    if (options.check)
        printf("%s: %d lines, %d channels, %d stations, %d recipes: no mistakes found\n", options.config, config->lines,
               config->channels, config->stations, config->recipes);
    if (options.print || options.check) {
        tautd_config_free(config);
        return 0;
    }
    signal(SIGPIPE, SIG_IGN);
    tautd_clock_set_factor(options.speed);
    struct taut_diag diag = {0};
    struct tautd_loop *loop = tautd_loop_new(config, &diag);
    if (!loop) {
        char line[512];
        tautd_log(TAUTD_ERROR, "%s", taut_diag_print(&diag, line, sizeof line));
        return 1;
    }
    if (options.speed != 1)
        tautd_log(TAUTD_WARNING, "time runs %g times as fast: for a simulated bench only", options.speed);
    status = tautd_loop_run(loop);
    tautd_loop_free(loop);
    return status;
}
