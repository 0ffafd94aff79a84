/** @file figures.h  Results as figures: one table printed for a person or as JSON. */
#ifndef TAUTCTL_FIGURES_H
#define TAUTCTL_FIGURES_H

#include <stdbool.h>
#include <stddef.h>

struct tautctl_figure {
    const char *key;   /* JSON name, with its unit */
    double value;      /* NaN: not shown, null in JSON */
    const char *label; /* for the screen; NULL: only in JSON */
    const char *unit;
    int digits; /* significant */
};

/** Print figures, then `notes` (NULL-terminated sentences).  @return 0, or TAUTCTL_TROUBLE */
int tautctl_figures_print(const char *format, const struct tautctl_figure *figures, size_t count, const char *const *notes,
                          bool json);

#endif
