/* tautctl: the command line of Taut. Failure policy: every refusal says what to do next, on stderr, and the exit code
 * (tautctl.h) tells a script which kind it was. */
#include "tautctl/tautctl.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "taut/taut.h"

struct command {
    const char *name;
    int (*run)(int argc, char **argv);
    const char *help;
};

static const struct command commands[] = {
    {"status",   tautctl_cmd_status,   "what every station is doing now, and what to do next"       },
    {"live",     tautctl_cmd_live,     "readings of one station as they come, one line each"        },
    {"start",    tautctl_cmd_start,    "begin a part: drawdown"                                     },
    {"isolate",  tautctl_cmd_isolate,  "shut the bag off from the pump and begin the drop test"     },
    {"test",     tautctl_cmd_test,     "run the drop test again"                                    },
    {"fill",     tautctl_cmd_fill,     "begin to fill with resin"                                   },
    {"clamp",    tautctl_cmd_clamp,    "say that the lines are clamped off"                         },
    {"cure",     tautctl_cmd_cure,     "begin the watch over the cure"                              },
    {"finish",   tautctl_cmd_finish,   "end the part and close its record"                          },
    {"abort",    tautctl_cmd_abort,    "give the part up, with a reason"                            },
    {"note",     tautctl_cmd_note,     "write a note into the part's record"                        },
    {"ack",      tautctl_cmd_ack,      "acknowledge an alarm, or all that call"                     },
    {"reset",    tautctl_cmd_reset,    "reset a latched alarm whose cause is gone"                  },
    {"shelve",   tautctl_cmd_shelve,   "silence an alarm for some minutes"                          },
    {"unshelve", tautctl_cmd_unshelve, "end the silence of an alarm"                                },
    {"parts",    tautctl_cmd_parts,    "list the parts on record"                                   },
    {"show",     tautctl_cmd_show,     "show the record of a part"                                  },
    {"judge",    tautctl_cmd_judge,    "judge a drop test from a CSV file of any logger"            },
    {"replay",   tautctl_cmd_replay,   "compute a part's verdicts again from its folder and compare"},
    {"volume",   tautctl_cmd_volume,   "work out a bag's volume from a few readings"                },
    {"leak",     tautctl_cmd_leak,     "a leak in every unit, and what it costs during a fill"      },
    {"probe",    tautctl_cmd_probe,    "read registers of a transducer in every type and byte order"},
};
enum { COMMANDS = sizeof commands / sizeof commands[0] };

static const char *socket_option;

const char *tautctl_socket(void)
{
    if (socket_option)
        return socket_option;
    const char *environment = getenv("TAUT_SOCKET");
    return environment && environment[0] ? environment : "/run/taut/taut.sock";
}

bool tautctl_help(int argc, char **argv, const char *text)
{
    for (int i = 1; i < argc && strcmp(argv[i], "--") != 0; i++)
        if (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0) {
            fputs(text, stdout);
            return true;
        }
    return false;
}

int tautctl_usage(const char *command, const char *format, ...)
{
    char text[1024];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized): wrong in version 14 */
    va_end(args);
    fprintf(stderr, "tautctl %s: %s\n'tautctl %s --help' shows how it is used.\n", command, text, command);
    return TAUTCTL_USAGE;
}

int tautctl_say(int code, const char *format, ...)
{
    char text[1024];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args); /* NOLINT(clang-analyzer-valist.Uninitialized): wrong in version 14 */
    va_end(args);
    fprintf(stderr, "tautctl: %s\n", text);
    return code;
}

static void print_help(FILE *out)
{
    fputs("Usage: tautctl [--socket PATH] COMMAND [ARGUMENTS]\n\n"
          "Watches and directs the vacuum stations of a running tautd.\n\n",
          out);
    for (int i = 0; i < COMMANDS; i++)
        fprintf(out, "  %-9s %s\n", commands[i].name, commands[i].help);
    fputs("\n  --socket PATH  the daemon's socket (else $TAUT_SOCKET, else /run/taut/taut.sock)\n"
          "  --version      version\n\n"
          "'tautctl COMMAND --help' explains a command. Exit codes: 0 done, 1 refused, 64 wrong\n"
          "usage, 65 or 66 bad or missing file, 69 daemon not reachable, 70 internal trouble.\n",
          out);
}

int main(int argc, char **argv)
{
    int i = 1;
    for (; i < argc && argv[i][0] == '-'; i++) {
        if (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0) {
            print_help(stdout);
            return TAUTCTL_OK;
        }
        if (strcmp(argv[i], "--version") == 0) {
            puts("tautctl " TAUT_VERSION);
            return TAUTCTL_OK;
        }
        if (strcmp(argv[i], "--socket") == 0 && i + 1 < argc)
            socket_option = argv[++i];
        else if (strncmp(argv[i], "--socket=", 9) == 0)
            socket_option = argv[i] + 9;
        else
            return tautctl_say(TAUTCTL_USAGE, "%s: no such option, or its value is missing; see tautctl --help", argv[i]);
    }
    if (i >= argc) {
        print_help(stderr);
        return TAUTCTL_USAGE;
    }
    for (int c = 0; c < COMMANDS; c++)
        if (strcmp(commands[c].name, argv[i]) == 0)
            return commands[c].run(argc - i, argv + i);
    return tautctl_say(TAUTCTL_USAGE, "%s: no such command; tautctl --help lists them all", argv[i]);
}
