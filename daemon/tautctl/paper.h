/** @file paper.h  Text for people on a terminal of 80 columns: widths, wrapping, units. Never colour, never a control
 *  character that came from outside. */
#ifndef TAUTCTL_PAPER_H
#define TAUTCTL_PAPER_H

#include <stddef.h>
#include <stdio.h>

enum { PAPER_COLUMNS = 80, PAPER_TEXT_MAX = 512 };

/** Take the locale from the environment; call once. */
void tautctl_init(void);

/** Print `text` in exactly `columns` columns: padded on the right, or on the left when `columns` is negative; what is
 *  too long is cut and ends in '~'. Without a UTF-8 terminal every other character becomes '?'. */
void tautctl_cell(FILE *out, const char *text, int columns);

/** Print `text` wrapped at words to PAPER_COLUMNS, every line after `indent` blanks. */
void tautctl_wrap(FILE *out, int indent, const char *text);

/** "0:04:12"; "-" when not known. */
void tautctl_duration(double s, char out[32]);

/** A pressure unit for display. */
struct tautctl_unit {
    const char *name;
    int decimals, rate_decimals;
    double per_mbar; /* units in a mbar; filled by tautctl_unit_find */
};

/** "mbar", "Pa", "kPa", "inHg", "Torr" or "psi".  @return 0, or -1 when there is no such unit */
int tautctl_unit_find(const char *name, struct tautctl_unit *out);

/** "8.31"; "no value" for NaN. */
void tautctl_pressure(const struct tautctl_unit *unit, double mbar, char out[32]);

/** "+0.213 ± 0.031"; "" for NaN. */
void tautctl_rate(const struct tautctl_unit *unit, double mbar_per_min, double u_mbar_per_min, char out[64]);

#endif
