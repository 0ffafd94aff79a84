/** @file judge.h  Inside of `tautctl judge`: what was asked, and the two reports. */
#ifndef TAUTCTL_JUDGE_H
#define TAUTCTL_JUDGE_H

#include <stdbool.h>

#include "taut/droptest.h"
#include "taut/recipe.h"
#include "tautctl/readings.h"

enum { TAUTCTL_FAIL = 1, TAUTCTL_INCONCLUSIVE = 2 };

/** A recipe with the defaults of the table of keys. */
void tautctl_recipe_defaults(struct taut_recipe *recipe);

struct tautctl_judgement {
    const char *path;
    const struct tautctl_readings *readings;
    struct taut_recipe recipe;      /* as used */
    struct taut_droptest_rule rule; /* as used */
    struct taut_droptest_result result;
    double shut_off_s, ended_s; /* since the file's first reading */
    bool shut_off_known;        /* by option or phase column; else the first reading is taken */
    int test, tests;            /* which of the tests in the file; 0 of 0 when it has no phases */
    double ambient_pa;          /* for the equivalent hole */
    double temperature_k;
};

void tautctl_judgement_print(const struct tautctl_judgement *j);
int tautctl_judgement_print_json(const struct tautctl_judgement *j);

/** `tautctl judge FILE --as fill`, after the file has been read. */
struct tautctl_fill_question {
    const char *path;
    struct taut_recipe recipe;
    double learn_s;
    int hold; /* index into "pumped|isolated|clamped|cure" */
    bool json;
};
int tautctl_judge_fill(const struct tautctl_fill_question *question, const struct tautctl_readings *readings);

#endif
