/** @file cause_parts.h  What the files of the cause recognition share: questions to the history.  NaN: not known. */
#ifndef TAUT_JUDGE_CAUSE_PARTS_H
#define TAUT_JUDGE_CAUSE_PARTS_H

#include "taut/cause.h"

/** Mean of a role over rows whose time lies in the span. */
double cause_mean(const struct taut_cause_history *history, enum taut_role role, double from_s, double to_s);

/** Its level shortly before a rise began. */
double cause_before(const struct taut_cause_history *history, enum taut_role role, double onset_s);

/** Its newest row. */
double cause_now(const struct taut_cause_history *history, enum taut_role role);

/** Slope of a least-squares line over the span. */
double cause_slope(const struct taut_cause_history *history, enum taut_role role, double from_s, double to_s);

#endif
