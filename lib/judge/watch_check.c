/* A short isolation during fill: the rise of the shut bag, with an error that knows noise and wander. */
#include <math.h>

#include "judge/watch_parts.h"

static const double proof = 3.5;      /* standard deviations for a sign that the bag is shut off: it is looked for often */
static const double gap_memory_s = 5; /* vent less manifold is averaged over so long while the pump draws */
static const double skip_s = 1.5;     /* the flow in the line comes to rest */
static const double sure = 2.326;     /* 99 %, one-sided */
static const double ignored = 1e-12;

double taut_watch_density(const struct taut_noise *noise)
{
    return noise->sigma_pa * noise->sigma_pa * noise->spacing_s * (1 + noise->phi) / (1 - noise->phi);
}

/* Vent less manifold, now; NaN without a manifold. */
static double gap_now(const struct taut_watch *watch, double vent_pa)
{
    bool known = taut_sweep_good(&watch->latest, TAUT_ROLE_MANIFOLD);
    return known ? vent_pa - watch->latest.sample[TAUT_ROLE_MANIFOLD].value : NAN;
}

static void follow_gap(struct taut_watch *watch, double gap)
{
    if (isnan(gap))
        return;
    double weight = fmin(watch->noise.spacing_s / gap_memory_s, 1);
    watch->gap_pa = isnan(watch->gap_pa) ? gap : watch->gap_pa + weight * (gap - watch->gap_pa);
}

void taut_watch_check_begin(struct taut_watch *watch, double t_s)
{
    watch->check =
        (struct taut_watch_check){.verdict = TAUT_CHECK_UNSURE, .rate_pa_per_s = NAN, .u_rate_pa_per_s = NAN, .needed_s = NAN};
    watch->check.needed_s = taut_watch_check_span(&watch->noise, watch->rule.leak_pa_per_s);
    watch->check_from_s = t_s;
    watch->check_before_pa = watch->pace.level_pa;
    watch->check_gap_before_pa = watch->gap_pa;
    watch->check_gap_sum = watch->check_gaps = 0;
    watch->check_n = watch->check_t = watch->check_p = watch->check_tt = watch->check_tp = 0;
}

/* Standard error of a slope over T: noise of that density, and a random walk (both exact for a least-squares line). */
static double slope_error(const struct taut_noise *noise, double span_s)
{
    double w = noise->wander_pa_per_sqrt_s;
    return sqrt(12 * taut_watch_density(noise) / (span_s * span_s * span_s) + 1.2 * w * w / span_s);
}

double taut_watch_check_span(const struct taut_noise *noise, double rate_pa_per_s)
{
    for (double span = 2; span < 3600; span *= 1.05)
        if (2 * sure * slope_error(noise, span) <= rate_pa_per_s)
            return span + skip_s;
    return INFINITY;
}

/* A bag that is still pumped stays where it was, however badly it leaks, and goes where the manifold goes. So it must
 * draw away upwards from the manifold without falling with it; a bench without a manifold sensor can not show that. */
static bool looks_shut(const struct taut_watch *watch)
{
    const struct taut_watch_check *c = &watch->check;
    double w = watch->noise.wander_pa_per_sqrt_s;
    double u = sqrt(2 * taut_watch_density(&watch->noise) * (1 / gap_memory_s + 1 / c->span_s) + 2 * w * w * c->span_s);
    bool apart = watch->check_gap_sum / watch->check_gaps - watch->check_gap_before_pa > proof * u;
    return apart && c->rate_pa_per_s > -sure * c->u_rate_pa_per_s;
}

void taut_watch_check_push(struct taut_watch *watch, double t_s, double mean_pa)
{
    double gap = gap_now(watch, mean_pa);
    if (watch->hold != TAUT_HOLD_ISOLATED) {
        follow_gap(watch, gap);
        return;
    }
    double t = t_s - watch->check_from_s - skip_s, p = mean_pa - watch->check_before_pa;
    if (t < 0 || !isfinite(p))
        return;
    if (isfinite(gap)) {
        watch->check_gap_sum += gap;
        watch->check_gaps += 1;
    }
    watch->check_n += 1;
    watch->check_t += t;
    watch->check_p += p;
    watch->check_tt += t * t;
    watch->check_tp += t * p;
    double n = watch->check_n, det = n * watch->check_tt - watch->check_t * watch->check_t;
    if (n < 4 || det < ignored)
        return;
    struct taut_watch_check *c = &watch->check;
    double leak = watch->rule.leak_pa_per_s;
    c->span_s = t;
    c->rate_pa_per_s = (n * watch->check_tp - watch->check_t * watch->check_p) / det;
    c->u_rate_pa_per_s = slope_error(&watch->noise, t + watch->noise.spacing_s);
    c->shut = looks_shut(watch);
    c->verdict = TAUT_CHECK_UNSURE;
    if (c->rate_pa_per_s - sure * c->u_rate_pa_per_s > 0.5 * leak)
        c->verdict = TAUT_CHECK_LEAK;
    else if (c->shut && c->rate_pa_per_s + sure * c->u_rate_pa_per_s < leak)
        c->verdict = TAUT_CHECK_TIGHT;
}

const struct taut_watch_check *taut_watch_last_check(const struct taut_watch *watch)
{
    return &watch->check;
}
