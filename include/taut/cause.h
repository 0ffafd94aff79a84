/** @file cause.h  Why is the vacuum being lost?  What the readings of one station say, each cause with a confidence
 *  and the numbers it rests on.  "Unknown" is an answer; a confident wrong one is not. */
#ifndef TAUT_CAUSE_H
#define TAUT_CAUSE_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/limits.h"
#include "taut/sample.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Causes that are told apart. Texts: taut_cause_text (word), taut_cause_advice (sentence). */
enum taut_cause {
    TAUT_CAUSE_NONE,
    TAUT_CAUSE_UNKNOWN,
    TAUT_CAUSE_LEAK,
    TAUT_CAUSE_SUPPLY,       /* pump or manifold lost */
    TAUT_CAUSE_LINE_BLOCKED, /* kinked or blocked vent line */
    TAUT_CAUSE_VALVE,        /* valve not where it was commanded */
    TAUT_CAUSE_RESIN,        /* resin at the sensor */
    TAUT_CAUSE_MOISTURE,     /* plateau at the water vapour pressure */
    TAUT_CAUSE_BAROMETER,
    TAUT_CAUSE_TEMPERATURE,
    TAUT_CAUSE_SENSOR, /* open, shorted, frozen, noisy, word order: the reason says which */
    TAUT_CAUSE_COMMUNICATION,
    TAUT_CAUSE_EQUALISING, /* the ends of a shut bag come together: no loss */
    TAUT_CAUSES
};

/** How the bag is being held now: the watch judges each differently. */
enum taut_hold {
    TAUT_HOLD_LEARN,    /* tested and tight, pump on or isolated, no resin yet: learn noise, wander, baseline */
    TAUT_HOLD_PUMPED,   /* filling, vent open to the pump */
    TAUT_HOLD_ISOLATED, /* valve closed for a moment: rises are the leak */
    TAUT_HOLD_CLAMPED,  /* vent clamped: the dry rest is squeezed by the resin */
    TAUT_HOLD_CURE
};

const char *taut_cause_text(enum taut_cause cause);
const char *taut_cause_advice(enum taut_cause cause);

/** True for the reasons that speak of the way to the sensor and not of the sensor. */
bool taut_cause_is_communication(enum taut_reason reason);

enum { TAUT_CAUSE_MOMENTS = 64 };

/** The station's readings of the last while: means over some seconds, one row each; the spacing doubles when the
 *  rows are full, so that memory stays fixed. */
struct taut_cause_history {
    float mean[TAUT_CAUSE_MOMENTS][TAUT_ROLES]; /* NaN: none */
    double at_s[TAUT_CAUSE_MOMENTS];
    int rows;
    double spacing_s;
    double sum[TAUT_ROLES]; /* of the row under way */
    uint32_t n[TAUT_ROLES];
    double from_s;
};

/** What is asked. */
struct taut_cause_question {
    enum taut_hold hold;
    double now_s, onset_s, hold_s; /* now; the rise began; the way of holding began */
    double baseline_pa;            /* vent before the rise */
    double above_pa;               /* vent above that now */
    double rate_pa_per_s;          /* now */
    double u_pa;                   /* standard uncertainty of a difference of two five-second means */
    double isolated_pa_per_s;      /* rise of this bag when last shut off and tight; NaN: not known */
};

/** Which end of the bag is nearer to the leak. */
enum taut_cause_end { TAUT_END_UNKNOWN, TAUT_END_VENT, TAUT_END_FAR };

struct taut_cause_answer {
    enum taut_cause cause;
    double confidence; /* 0..1; from 0.7 on it may be acted on */
    enum taut_cause_end end;
    char evidence[TAUT_TEXT_MAX];
};

/** Start empty.  Pure. */
void taut_cause_history_init(struct taut_cause_history *history);

/** Add one sweep.  O(1) amortised. */
void taut_cause_history_push(struct taut_cause_history *history, double t_s, const struct taut_sweep *sweep);

/** Judge a rise.  O(rows).
 *  @param answer  receives the cause; UNKNOWN when nothing speaks clearly */
void taut_cause_judge(const struct taut_cause_history *history, const struct taut_cause_question *question,
                      struct taut_cause_answer *answer);

#ifdef __cplusplus
}
#endif
#endif
