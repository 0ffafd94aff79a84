/** @file limits.h  Array bounds shared by library and programs. */
#ifndef TAUT_LIMITS_H
#define TAUT_LIMITS_H

enum {
    TAUT_NAME_MAX = 40,     /* name of a channel, station, recipe, line; bytes with the final NUL */
    TAUT_PART_ID_MAX = 128, /* part id as typed; bytes with the final NUL */
    TAUT_WHO_MAX = 40,      /* who gave a command */
    TAUT_TEXT_MAX = 256,    /* a note, a reason, a sentence of advice */
    TAUT_TESTS_MAX = 32     /* drop tests kept in the history of one run */
};

#endif
