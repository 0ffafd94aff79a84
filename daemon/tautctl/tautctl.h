/** @file tautctl.h  What the commands of the command line share.
 *
 *  A command is one function in one file: `int tautctl_cmd_NAME(int argc, char **argv)`; argv[0] is the command's
 *  own word, the options of the program before it are gone. It returns an exit code of the list below. main.c holds
 *  the one table of commands. */
#ifndef TAUTCTL_H
#define TAUTCTL_H

#include <stdbool.h>

#include "taut/status.h"

/** Exit codes; 64 to 74 as in sysexits.h. */
enum tautctl_exit {
    TAUTCTL_OK = 0,
    TAUTCTL_REFUSED = 1,      /* asked and answered: no (or: a verdict that is not a pass). The reason is on stderr */
    TAUTCTL_USAGE = 64,       /* wrong words on the command line */
    TAUTCTL_BAD_INPUT = 65,   /* a file that can not be understood */
    TAUTCTL_NO_INPUT = 66,    /* a file that can not be read */
    TAUTCTL_UNREACHABLE = 69, /* the daemon does not answer */
    TAUTCTL_TROUBLE = 70      /* the program's own trouble: no memory, an answer that makes no sense */
};

/* With the daemon's help. */
int tautctl_cmd_status(int argc, char **argv);
int tautctl_cmd_live(int argc, char **argv);
int tautctl_cmd_start(int argc, char **argv);
int tautctl_cmd_isolate(int argc, char **argv);
int tautctl_cmd_test(int argc, char **argv);
int tautctl_cmd_fill(int argc, char **argv);
int tautctl_cmd_clamp(int argc, char **argv);
int tautctl_cmd_cure(int argc, char **argv);
int tautctl_cmd_finish(int argc, char **argv);
int tautctl_cmd_abort(int argc, char **argv);
int tautctl_cmd_note(int argc, char **argv);
int tautctl_cmd_ack(int argc, char **argv);
int tautctl_cmd_reset(int argc, char **argv);
int tautctl_cmd_shelve(int argc, char **argv);
int tautctl_cmd_unshelve(int argc, char **argv);

/* Without it. */
int tautctl_cmd_judge(int argc, char **argv);
int tautctl_cmd_volume(int argc, char **argv);
int tautctl_cmd_leak(int argc, char **argv);
int tautctl_cmd_probe(int argc, char **argv);
int tautctl_cmd_replay(int argc, char **argv);
int tautctl_cmd_parts(int argc, char **argv);
int tautctl_cmd_show(int argc, char **argv);

/** Is --help or -h among the arguments?  Then `text` (usage, several lines) is printed to stdout and the command
 *  should return TAUTCTL_OK. */
bool tautctl_help(int argc, char **argv, const char *text);

/** Say on stderr "tautctl COMMAND: <text>" and where help is.  @return TAUTCTL_USAGE */
int tautctl_usage(const char *command, const char *format, ...) TAUT_PRINTF(2, 3);

/** Say on stderr "tautctl: <text>".  @return code */
int tautctl_say(int code, const char *format, ...) TAUT_PRINTF(2, 3);

/** Path of the daemon's socket: --socket, else $TAUT_SOCKET, else /run/taut/taut.sock.  Borrowed. */
const char *tautctl_socket(void);

#endif
