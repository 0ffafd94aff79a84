/* How the measuring programs print: one line a figure, as it was seen, with what it is compared with and the goal.
 * Only counts are gates; a ratio of times never fails a run, since other work may share the machine. */
#ifndef FIGURE_H
#define FIGURE_H

#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>

static int figures_missed;

__attribute__((format(printf, 4, 5))) static inline void figure(const char *name, double value, const char *goal,
                                                                const char *format, ...)
{
    char beside[120], number[32];
    va_list args;
    va_start(args, format);
    vsnprintf(beside, sizeof beside, format, args);
    va_end(args);
    snprintf(number, sizeof number, value == (double)(long long)value ? "%.0f" : "%.3f", value);
    printf("%-46s %-10s %-54s goal %s\n", name, number, beside, goal);
    fflush(stdout);
}

/* A figure that decides the exit status. */
static inline void gate(const char *name, double value, bool met, const char *goal, const char *beside)
{
    char number[32];
    snprintf(number, sizeof number, value == (double)(long long)value ? "%.0f" : "%.3f", value);
    printf("%-46s %-10s %-54s goal %s  %s\n", name, number, beside, goal, met ? "ok" : "MISSED");
    fflush(stdout);
    figures_missed += !met;
}

#endif
