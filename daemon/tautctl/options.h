/** @file options.h  Command-line options from a table, for the commands that have many. */
#ifndef TAUTCTL_OPTIONS_H
#define TAUTCTL_OPTIONS_H

#include <stddef.h>

enum tautctl_option_kind {
    TAUTCTL_OPTION_FLAG,   /* bool; set when given */
    TAUTCTL_OPTION_NUMBER, /* double; in [least, most] */
    TAUTCTL_OPTION_TEXT,   /* const char *; borrowed from argv */
    TAUTCTL_OPTION_CHOICE  /* int; the index of the word in `choices`, separated by '|' */
};

struct tautctl_option {
    const char *name; /* with its dashes */
    enum tautctl_option_kind kind;
    size_t to;          /* offset in the struct that is filled */
    double least, most; /* both 0: any finite number */
    const char *choices;
};

/** Take options ("--name value" or "--name=value") and plain words from argv[1] on; "--" ends the options.
 *  @param options  ends with a row whose name is NULL
 *  @param into     the struct; what is not given stays as it was
 *  @param words    receives the plain words, at most `most`; *count how many
 *  @return         0; else TAUTCTL_USAGE, and stderr says what is wrong and what is allowed */
int tautctl_options(int argc, char **argv, const struct tautctl_option *options, void *into, const char **words, int most,
                    int *count);

/** Index of `word` in words separated by '|', or -1. */
int tautctl_choice(const char *choices, const char *word);

#endif
