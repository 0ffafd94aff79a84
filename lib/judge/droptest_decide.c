/* Failure policy: whatever is missing, frozen, contradictory or still connected to the pump ends as inconclusive with
 * its reason. A pass needs positive evidence on every point. */
#include <math.h>

#include "judge/droptest_core.h"

static const double not_good_share = 0.1; /* of the readings, or of the time */
static const double frozen_share = 0.25;  /* of the judged span without one changed bit */
static const double reasonable = 8;       /* times the recipe's test time; beyond it a test is called too noisy */
static const double least_rise_pa = 1;
static const double least_rise_share = 0.03; /* of what the limit allows over the span: less counts as flat */
static const double before_level_s = 3;

void droptest_end(struct taut_droptest *test, enum taut_verdict verdict, enum taut_droptest_why why)
{
    struct taut_droptest_result *r = &test->result;
    r->stage = TAUT_STAGE_DECIDED;
    r->verdict = verdict;
    r->why = why;
    if (verdict != TAUT_VERDICT_INCONCLUSIVE)
        r->needed_s = 0;
}

static bool bad_readings(const struct taut_droptest *test, double span_s)
{
    const struct taut_droptest_result *r = &test->result;
    double all = (double)r->n_used + r->n_not_good;
    double silent_s = (double)(test->last_ns - test->good_ns) / 1e9;
    double gap_s = fmax(test->gap_s, silent_s);
    return r->n_not_good > not_good_share * all || gap_s > fmax(not_good_share * span_s, 3.5 * test->interval_s);
}

static bool no_change(const struct taut_droptest *test, double span_s)
{
    if (test->n_different == 0)
        return true;
    /* with noise over several steps a long rest of equal readings is a frozen sensor */
    double still_s = (double)(test->good_ns - test->changed_ns) / 1e9;
    bool lively = test->n_different > 0.3 * test->n_difference;
    return lively && still_s > frozen_share * span_s;
}

struct levels {
    double before_pa, after_pa, manifold_before_pa, manifold_after_pa;
    double error_pa; /* of their difference */
};

/* Bag and manifold just before shut-off (or at the start of the record) and now. */
static struct levels levels_of(const struct taut_droptest *test, const struct droptest_fit *fit)
{
    uint32_t n = test->n_block, tail = n >= 8 ? n / 8 : 1;
    double share_s = fit->span_s * tail / n, before_s = share_s;
    struct levels l = {.before_pa = test->block[0].p_pa, .manifold_before_pa = (double)test->block[0].manifold_pa};
    if (test->n_before > 0) {
        uint32_t count = 0;
        l.before_pa = l.manifold_before_pa = 0;
        for (uint32_t i = test->n_before; i > 0 && (count < 1 || test->before[i - 1].t_s > -before_level_s); i--, count++) {
            l.before_pa += test->before[i - 1].p_pa;
            l.manifold_before_pa += (double)test->before[i - 1].manifold_pa;
        }
        l.before_pa /= count;
        l.manifold_before_pa /= count;
        before_s = test->interval_s * test->per_before * count;
    }
    for (uint32_t i = n - tail; i < n; i++) {
        l.after_pa += test->block[i].p_pa / tail;
        l.manifold_after_pa += (double)test->block[i].manifold_pa / tail;
    }
    l.error_pa = sqrt(fit->long_run_pa2_s * (1 / fmax(share_s, 1e-3) + 1 / fmax(before_s, 1e-3)));
    return l;
}

/* The fall of the pump-down stopped at once: a pump that runs into its base slows down geometrically instead, so the
 * slope expected of it follows from two spans before shut-off. */
static bool fall_stopped(const struct taut_droptest *test, const struct droptest_fit *fit)
{
    const double *s = test->after_sums, sure = fit->sure_multiple;
    if (test->n_before < 8 || s[0] < 4)
        return false;
    double start_s = test->before[0].t_s, half_s = 0.5 * start_s;
    struct droptest_line early = droptest_line_of(test->before, test->n_before, start_s, half_s);
    struct droptest_line late = droptest_line_of(test->before, test->n_before, half_s, 0);
    double tt = s[2] - s[1] * s[1] / s[0], tp = s[4] - s[1] * s[3] / s[0];
    if (!(tt > 0) || early.n < 3 || late.n < 3)
        return false;
    double after = tp / tt, after_span_s = sqrt(12 * tt / s[0]);
    double n0 = 12 * fit->long_run_pa2_s;
    double u_early = sqrt(n0 / pow(early.span_s, 3)), u_late = sqrt(n0 / pow(late.span_s, 3)),
           u_after = sqrt(n0 / pow(after_span_s, 3));
    if (late.slope_pa_per_s > -sure * u_late || early.slope_pa_per_s > -sure * u_early)
        return false;
    /* ratio of slopes one half span apart, at most 1; the centre of the span after lies about as far again */
    double ratio = fmin(1, fmax(0.1, late.slope_pa_per_s / early.slope_pa_per_s));
    double expected = late.slope_pa_per_s * ratio;
    double u = sqrt(u_after * u_after + 4 * u_late * u_late + u_early * u_early);
    return after - expected > sure * u && after > 0.3 * expected;
}

static double least_limit(const struct taut_droptest_rule *rule)
{
    return fmin(rule->limit_pa_per_s, rule->rise_limit_pa / rule->rise_within_s); /* fmin ignores a NaN */
}

/* Does anything show that the bag is on its own?  A pumped bag stays at its base, falls to it, or follows the manifold. */
static bool shut_off(const struct taut_droptest *test, const struct droptest_fit *fit)
{
    struct levels l = levels_of(test, fit);
    double least =
        fmax(fmax(1.5 * test->result.resolution_pa, least_rise_pa), least_rise_share * least_limit(&test->rule) * fit->span_s);
    double certain = fmax(fit->sure_multiple * l.error_pa, least);
    double moved = l.after_pa - l.before_pa, manifold = l.manifold_after_pa - l.manifold_before_pa;
    if (isfinite(manifold)) {
        if (fabs(moved - manifold) > certain && (fabs(manifold) > certain || moved > certain))
            return true; /* one moved without the other */
        if (fabs(moved) > certain)
            return false; /* both moved together */
        return fall_stopped(test, fit);
    }
    double drift_pa = test->rule.drift_pa_per_s * (fit->span_s + test->result.settle_s);
    bool risen = moved > certain + drift_pa || fit->line_rise_pa > fmax(fit->certain_rise_pa, least) + drift_pa;
    return risen || fall_stopped(test, fit);
}

/* A bag on its own does not settle downwards: a curve that comes down to its level is still being drawn to it. */
static bool falling(const struct taut_droptest *test, const struct droptest_fit *fit)
{
    if (fit->amplitude_pa < 0 && test->block[test->n_block - 1].p_pa < test->block[0].p_pa)
        return true;
    return fit->line_rise_pa < -fit->certain_rise_pa - test->rule.drift_pa_per_s * fit->span_s;
}

/* Span at which the half width comes down to the distance from the limit. A line's error falls as span^-1.5, with a
 * transient to be told apart about as span^-3 (Cramer-Rao bound between two and five time constants). */
static double span_needed_s(const struct droptest_bounds *b, double limit, double span_s, bool transient)
{
    double distance = fabs(limit - b->value), half = b->value < limit ? b->high - b->value : b->value - b->low;
    if (!(distance > 0) || !isfinite(half))
        return INFINITY;
    return span_s * fmax(1, pow(half / distance, transient ? 1.0 / 3 : 2.0 / 3));
}

struct outcome {
    bool pass, fail, by_transient;
    double span_s; /* needed */
};

static struct outcome against(const struct droptest_bounds *b, double limit, const struct droptest_fit *fit)
{
    struct outcome o = {.pass = b->high<limit, .fail = b->low> limit};
    o.by_transient = o.pass && !(b->high_line < limit); /* the straight line would not pass: the transient matters */
    if (o.by_transient && fit->span_s < 3 * fit->tau_s)
        o.pass = false;
    o.span_s = span_needed_s(b, limit, fit->span_s, fit->transient);
    if (fit->transient && !o.pass && !o.fail)
        o.span_s = fmax(o.span_s, 3 * fit->tau_s);
    return o;
}

static void undecided(struct taut_droptest *test, const struct droptest_fit *fit, double span_s, bool pass)
{
    enum taut_droptest_why why = TAUT_WHY_TOO_SHORT;
    double least = least_limit(&test->rule);
    if (pass || falling(test, fit))
        why = TAUT_WHY_STILL_PUMPED;
    else if (test->rule.drift_pa_per_s >= least || span_s > reasonable * test->rule.test_s)
        why = TAUT_WHY_TOO_NOISY;
    else if (fit->transient || fit->bends_upward || (fit->runs_z < -3.3 && !fit->stepped) || fit->rate.low_line > least)
        why = TAUT_WHY_TRANSIENT;
    test->result.needed_s = isfinite(span_s) ? fmax(0, span_s - fit->span_s) : NAN;
    if (test->over)
        droptest_end(test, TAUT_VERDICT_INCONCLUSIVE, why);
}

void droptest_decide(struct taut_droptest *test, const struct droptest_fit *fit)
{
    const struct taut_droptest_rule *rule = &test->rule;
    struct outcome rate = {.pass = true}, rise = {.pass = true};
    if (!isnan(rule->limit_pa_per_s))
        rate = against(&fit->rate, rule->limit_pa_per_s, fit);
    if (!isnan(rule->rise_limit_pa))
        rise = against(&fit->rise, rule->rise_limit_pa, fit);
    bool pass = rate.pass && rise.pass, fail = rate.fail || rise.fail;
    double span_s = fmax(rate.span_s, rise.span_s);
    test->result.needed_s = isfinite(span_s) ? fmax(0, span_s - fit->span_s) : NAN;
    bool may = test->over || (rule->mode == TAUT_TEST_EARLY && fit->span_s >= rule->test_min_s);
    if (!may)
        return;
    if (bad_readings(test, fit->span_s)) {
        if (test->over)
            droptest_end(test, TAUT_VERDICT_INCONCLUSIVE, TAUT_WHY_BAD_READINGS);
        return;
    }
    if (no_change(test, fit->span_s)) {
        if (test->over)
            droptest_end(test, TAUT_VERDICT_INCONCLUSIVE, TAUT_WHY_NO_CHANGE);
        return;
    }
    bool bent = (fit->runs_z < -3.3 && !fit->stepped) || fit->bends_upward; /* the model does not describe these readings */
    if (pass && !bent && !falling(test, fit) && shut_off(test, fit))
        droptest_end(test, TAUT_VERDICT_PASS, TAUT_WHY_BOUND_BELOW_LIMIT);
    else if (fail && shut_off(test, fit))
        droptest_end(test, TAUT_VERDICT_FAIL, TAUT_WHY_BOUND_ABOVE_LIMIT);
    else
        undecided(test, fit, span_s, (pass && !bent) || fail);
}
