#include "taut/cause.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "taut/units.h"

static const double first_spacing_s = 5.0;

static const struct {
    const char *text, *advice;
} causes[TAUT_CAUSES] = {
    [TAUT_CAUSE_NONE] = {"none",          ""                                                                                       },
    [TAUT_CAUSE_UNKNOWN] = {"unknown",       "Look at bag, line, pump and gauge; the readings do not tell which it is."               },
    [TAUT_CAUSE_LEAK] = {"leak",
                         "Press along the tape, pleats and connectors while watching the rate; it falls where the leak is."        },
    [TAUT_CAUSE_SUPPLY] = {"supply",
                         "Look at the pump, its oil and the manifold; clamp the vent lines until the vacuum is back."              },
    [TAUT_CAUSE_LINE_BLOCKED] = {"line-blocked",  "Look for a kink or resin in the vent line between bag and manifold."                    },
    [TAUT_CAUSE_VALVE] = {"valve",         "Look whether the valve stands as commanded; work it by hand if it does not."            },
    [TAUT_CAUSE_RESIN] = {"resin",         "Resin seems to have reached the sensor: close its line, judge the bag by another gauge."},
    [TAUT_CAUSE_MOISTURE] = {"moisture",
                         "Water boils off in the bag: pull vacuum longer, warm the stack or dry it before trying again."           },
    [TAUT_CAUSE_BAROMETER] = {"barometer",     "The ambient pressure changes; judge with an absolute sensor or a barometer channel."    },
    [TAUT_CAUSE_TEMPERATURE] = {"temperature",   "The bag's temperature changes; wait until it is steady, then judge."                    },
    [TAUT_CAUSE_SENSOR] = {"sensor",        "Check the transducer, its plug and its supply; watch a dial gauge until it reads again."},
    [TAUT_CAUSE_COMMUNICATION] = {"communication",
                         "Check cable, adapter and the unit's power; watch a dial gauge until answers come again."                 },
};

const char *taut_cause_text(enum taut_cause cause)
{
    return (unsigned)cause < TAUT_CAUSES ? causes[cause].text : "unknown";
}

const char *taut_cause_advice(enum taut_cause cause)
{
    return (unsigned)cause < TAUT_CAUSES ? causes[cause].advice : causes[TAUT_CAUSE_UNKNOWN].advice;
}

bool taut_cause_is_communication(enum taut_reason reason)
{
    switch (reason) {
    case TAUT_REASON_STALE:
    case TAUT_REASON_NO_ANSWER:
    case TAUT_REASON_EXCEPTION:
    case TAUT_REASON_BAD_FRAME:
    case TAUT_REASON_LINE_DOWN:
        return true;
    default:
        return false;
    }
}

/* ---- history --------------------------------------------------------------------------------------------- */

void taut_cause_history_init(struct taut_cause_history *history)
{
    memset(history, 0, sizeof *history);
    history->spacing_s = first_spacing_s;
    history->from_s = NAN;
}

/* Keep every second row and let rows come half as often. */
static void thin(struct taut_cause_history *history)
{
    int kept = 0;
    for (int i = 1; i < history->rows; i += 2, kept++) {
        memcpy(history->mean[kept], history->mean[i], sizeof history->mean[kept]);
        history->at_s[kept] = history->at_s[i];
    }
    history->rows = kept;
    history->spacing_s *= 2;
}

static void close_row(struct taut_cause_history *history)
{
    if (history->rows == TAUT_CAUSE_MOMENTS)
        thin(history);
    int row = history->rows++;
    for (int r = 0; r < TAUT_ROLES; r++) {
        history->mean[row][r] = history->n[r] ? (float)(history->sum[r] / history->n[r]) : NAN;
        history->sum[r] = 0;
        history->n[r] = 0;
    }
    history->at_s[row] = history->from_s + 0.5 * history->spacing_s;
}

void taut_cause_history_push(struct taut_cause_history *history, double t_s, const struct taut_sweep *sweep)
{
    if (isnan(history->from_s))
        history->from_s = t_s;
    if (t_s - history->from_s >= history->spacing_s) {
        close_row(history);
        history->from_s = t_s;
    }
    for (unsigned r = 0; r < TAUT_ROLES; r++) {
        if (!taut_sweep_good(sweep, (enum taut_role)r))
            continue;
        history->sum[r] += sweep->sample[r].value;
        history->n[r]++;
    }
}

/* Mean of a role shortly before t_s; NaN when there is none. */
static double before(const struct taut_cause_history *history, enum taut_role role, double t_s)
{
    double value = NAN;
    for (int i = 0; i < history->rows; i++)
        if ((history->at_s[i] <= t_s || isnan(value)) && isfinite(history->mean[i][role]))
            value = history->mean[i][role];
    return value;
}

/* ---- judgement ------------------------------------------------------------------------------------------- */

static double now_of(const struct taut_cause_history *history, enum taut_role role, const struct taut_sweep *latest)
{
    if (history->n[role] > 0)
        return history->sum[role] / history->n[role];
    return taut_sweep_good(latest, role) ? latest->sample[role].value : NAN;
}

static double rise_of(const struct taut_cause_history *history, enum taut_role role, const struct taut_cause_question *q,
                      const struct taut_sweep *latest)
{
    return now_of(history, role, latest) - before(history, role, q->onset_s);
}

void taut_cause_judge(const struct taut_cause_history *history, const struct taut_cause_question *q,
                      const struct taut_sweep *latest, struct taut_cause_answer *answer)
{
    double manifold = rise_of(history, TAUT_ROLE_MANIFOLD, q, latest);
    double ago_s = q->now_s - q->onset_s;
    *answer = (struct taut_cause_answer){.cause = TAUT_CAUSE_LEAK, .confidence = isnan(manifold) ? 0.5 : 0.7};
    if (isfinite(manifold) && q->hold != TAUT_HOLD_ISOLATED && q->hold != TAUT_HOLD_CLAMPED &&
        manifold > fmax(0.5 * q->above_pa, 3 * q->noise_pa)) {
        answer->cause = TAUT_CAUSE_SUPPLY;
        answer->confidence = 0.8;
    }
    int n = snprintf(answer->evidence, sizeof answer->evidence, "bag %.2f mbar above %.2f mbar within %.0f s, %.2f mbar/min",
                     taut_mbar(q->above_pa), taut_mbar(q->baseline_pa), ago_s, taut_mbar_per_min(q->rate_pa_per_s));
    if (isfinite(manifold) && n > 0 && (size_t)n < sizeof answer->evidence)
        snprintf(answer->evidence + n, sizeof answer->evidence - (size_t)n, "; manifold %+.2f mbar", taut_mbar(manifold));
}
