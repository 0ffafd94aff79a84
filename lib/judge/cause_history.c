/* The station's readings of the last while, in fixed memory. */
#include <math.h>
#include <string.h>

#include "judge/cause_parts.h"

static const double first_spacing_s = 5.0;

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

double cause_mean(const struct taut_cause_history *history, enum taut_role role, double from_s, double to_s)
{
    double sum = 0;
    int n = 0;
    for (int i = 0; i < history->rows; i++) {
        if (history->at_s[i] < from_s || history->at_s[i] > to_s || isnan(history->mean[i][role]))
            continue;
        sum += (double)history->mean[i][role];
        n++;
    }
    return n > 0 ? sum / n : NAN;
}

double cause_before(const struct taut_cause_history *history, enum taut_role role, double onset_s)
{
    double spacing = history->spacing_s, at_s = onset_s - 0.5 * spacing;
    double value = cause_mean(history, role, at_s - 4 * spacing, at_s);
    if (isfinite(value))
        return value;
    for (int i = 0; i < history->rows; i++) /* the oldest there is */
        if (isfinite(history->mean[i][role]))
            return (double)history->mean[i][role];
    return NAN;
}

double cause_now(const struct taut_cause_history *history, enum taut_role role)
{
    for (int i = history->rows - 1; i >= 0 && i >= history->rows - 2; i--)
        if (isfinite(history->mean[i][role]))
            return (double)history->mean[i][role];
    return NAN;
}

double cause_slope(const struct taut_cause_history *history, enum taut_role role, double from_s, double to_s)
{
    double n = 0, st = 0, sp = 0, stt = 0, stp = 0;
    for (int i = 0; i < history->rows; i++) {
        double t = history->at_s[i] - from_s, p = (double)history->mean[i][role];
        if (t < 0 || history->at_s[i] > to_s || isnan(p))
            continue;
        n++;
        st += t;
        sp += p;
        stt += t * t;
        stp += t * p;
    }
    double det = n * stt - st * st;
    return n >= 2 && det > 1e-9 ? (n * stp - st * sp) / det : NAN;
}
