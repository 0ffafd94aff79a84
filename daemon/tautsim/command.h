/** @file command.h  What can be done to the bench by hand or by a scenario's events, one line of words each. */
#ifndef TAUTSIM_COMMAND_H
#define TAUTSIM_COMMAND_H

#include "bench.h"
#include "scenario.h"
#include "taut/diag.h"
#include "taut/text.h"

/** A command that was understood. */
struct tautsim_action {
    int row;   /* in the table of commands; -1 for an empty line */
    int index; /* of the bag or sensor named */
    int words; /* that follow */
    double number[2];
    char word[2][TAUT_NAME_MAX];
};

/** Understand a line such as "bag A leak 2.0".
 *  @return TAUT_OK; else *diag says what was found and what is allowed */
TAUT_NODISCARD enum taut_status tautsim_command_parse(const struct tautsim_scenario *scenario, const char *line,
                                                      struct tautsim_action *action, struct taut_diag *diag);

/** Do it. What there is to say goes to `reply` (whole lines). */
void tautsim_command_run(struct tautsim_bench *bench, const struct tautsim_action *action, struct taut_text *reply);

/** The table of commands as help text. */
void tautsim_command_help(struct taut_text *out);

#endif
