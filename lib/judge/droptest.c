#include "taut/droptest.h"

#include <math.h>
#include <string.h>

#include "judge/droptest_core.h"
#include "taut/units.h"

enum { LEAST_BLOCKS = 5 };
enum { WINDOW_S = 10 };
static const double after_window_s = 30, after_guard_s = 1; /* the moment of shut-off is known to about a second */

/* Work is spread over pushes, as few instructions each as a poll at 10 Hz may cost: a push earns, a job spends.
 * Instructions are as measured under callgrind. */
enum job { JOB_NONE, JOB_NOISE, JOB_SCAN, JOB_FIT };
static const double earned_per_push = 1300, earned_per_s = 13000, credit_most = 4e5;
static const double noise_cost = 800, look_cost = 160, fit_cost = 640, scan_cost = 640; /* per block */
static const double most_per_push = 46000;
static const double noise_growth = 1.15; /* of the span, till it is worth doing again */
static const double fit_growth_least = 0.03, fit_growth_most = 0.3, fit_growth_idle = 0.5, look_growth_least = 0.015;

static bool positive(double x)
{
    return x > 0 && isfinite(x);
}

static bool not_negative(double x)
{
    return x >= 0 && isfinite(x);
}

enum taut_status taut_droptest_init(struct taut_droptest *test, const struct taut_droptest_rule *rule)
{
    bool rate = !isnan(rule->limit_pa_per_s), rise = !isnan(rule->rise_limit_pa);
    if ((!rate && !rise) || (rate && !positive(rule->limit_pa_per_s)) ||
        (rise && !(positive(rule->rise_limit_pa) && positive(rule->rise_within_s))))
        return TAUT_E_ARG;
    if (!(rule->risk > 0 && rule->risk < 0.5) || !not_negative(rule->settle_min_s) || !not_negative(rule->settle_max_s) ||
        !not_negative(rule->test_min_s) || !positive(rule->test_s))
        return TAUT_E_ARG;
    if (!not_negative(rule->resolution_pa) || !not_negative(rule->drift_pa_per_s) ||
        !not_negative(rule->temperature_drift_k_per_s))
        return TAUT_E_ARG;
    struct taut_droptest_rule kept = *rule;
    memset(test, 0, sizeof *test);
    test->rule = kept;
    if (!rise)
        test->rule.rise_within_s = NAN;
    struct taut_droptest_result *r = &test->result;
    r->rate_pa_per_s = r->u_rate_pa_per_s = r->rate_low_pa_per_s = r->rate_high_pa_per_s = NAN;
    r->rate_95_low_pa_per_s = r->rate_95_high_pa_per_s = NAN;
    r->rise_pa = r->rise_low_pa = r->rise_high_pa = r->rise_raw_pa = NAN;
    r->amplitude_pa = r->tau_s = r->p0_pa = r->noise_pa = r->phi = NAN;
    r->settle_s = r->needed_s = r->smallest_pa_per_s = r->leak_pa_m3_per_s = r->u_leak_pa_m3_per_s = NAN;
    r->start_pa = r->end_pa = NAN;
    r->resolution_pa = rule->resolution_pa;
    test->per_block = test->per_before = 1;
    test->step_least_pa = INFINITY;
    test->base_pa = test->previous_pa = test->first_pa = test->temperature_k = test->temperature_first_k = NAN;
    return TAUT_OK;
}

void taut_droptest_isolate(struct taut_droptest *test, int64_t t_ns)
{
    if (test->result.stage != TAUT_STAGE_BEFORE)
        return;
    test->result.stage = TAUT_STAGE_SETTLING;
    test->isolated_ns = test->result.isolated_ns = t_ns;
    test->last_ns = t_ns;
    test->difference_sum = 0; /* the noise of the shut-off bag is learnt anew: no pump */
    test->n_difference = test->n_different = 0;
    test->previous_pa = NAN;
    if (test->before_heap.n > 0 && test->n_before < TAUT_DROPTEST_BEFORE)
        test->before[test->n_before++] = droptest_heap_mean(&test->before_heap);
    for (uint32_t i = 0; i < test->n_before; i++)
        test->before[i].t_s -= taut_seconds(t_ns);
}

/* Pressure at the first temperature seen: a bag's gas follows the ideal gas law at constant volume. */
static double corrected(struct taut_droptest *test, const struct taut_sweep *sweep, double p_pa)
{
    if (taut_sweep_good(sweep, TAUT_ROLE_TEMPERATURE) && sweep->sample[TAUT_ROLE_TEMPERATURE].value > 0) {
        test->temperature_k = sweep->sample[TAUT_ROLE_TEMPERATURE].value;
        if (isnan(test->temperature_first_k))
            test->temperature_first_k = test->temperature_k;
    }
    return isnan(test->temperature_k) ? p_pa : p_pa * test->temperature_first_k / test->temperature_k;
}

/* Differences tell resolution and noise at the spacing of the readings. */
static void difference(struct taut_droptest *test, int64_t t_ns, double p_pa)
{
    if (isfinite(test->previous_pa)) {
        double step = fabs(p_pa - test->previous_pa);
        test->difference_sum += step * step;
        test->n_difference++;
        if (step > 0.01) {
            test->n_different++;
            test->changed_ns = t_ns;
            test->step_least_pa = fmin(test->step_least_pa, step);
        }
    } else {
        test->changed_ns = t_ns;
    }
    test->previous_pa = p_pa;
}

static void reading_before(struct taut_droptest *test, int64_t t_ns, double p_pa, double manifold_pa)
{
    if (test->n_difference == 0 && isnan(test->previous_pa))
        test->first_ns = t_ns;
    difference(test, t_ns, p_pa);
    if (test->n_difference > 0)
        test->interval_s = taut_seconds(t_ns - test->first_ns) / test->n_difference;
    droptest_before_add(test, taut_seconds(t_ns), p_pa, manifold_pa);
}

static void sum_after(struct taut_droptest *test, double t_s, double p_pa)
{
    if (isnan(test->base_pa))
        test->base_pa = p_pa;
    if (t_s < after_guard_s || t_s > after_window_s + after_guard_s)
        return;
    double p = p_pa - test->base_pa;
    test->after_sums[0] += 1;
    test->after_sums[1] += t_s;
    test->after_sums[2] += t_s * t_s;
    test->after_sums[3] += p;
    test->after_sums[4] += t_s * p;
}

static void window(struct taut_droptest *test, int64_t t_ns, double raw_pa)
{
    if (test->window_ns == 0 || t_ns - test->window_ns > TAUT_NS_PER_S * WINDOW_S) {
        if (test->window_ns != 0) {
            double step_pa = test->rule.resolution_pa > 0 ? test->rule.resolution_pa : test->step_least_pa;
            test->n_window++;
            test->n_window_lively += test->window_most_pa - test->window_least_pa > 1.9 * step_pa;
        }
        test->window_ns = t_ns;
        test->window_least_pa = test->window_most_pa = raw_pa;
    }
    test->window_least_pa = fmin(test->window_least_pa, raw_pa);
    test->window_most_pa = fmax(test->window_most_pa, raw_pa);
}

static void judged(struct taut_droptest *test, int64_t t_ns, double t_s, double raw_pa, double p_pa, double manifold_pa)
{
    struct taut_droptest_result *r = &test->result;
    if (r->n_used == 0) {
        test->first_ns = test->good_ns = t_ns;
        test->first_pa = raw_pa;
        r->stage = TAUT_STAGE_MEASURING;
        r->settle_s = t_s;
    }
    double since_s = taut_seconds(t_ns - test->good_ns);
    test->gap_s = fmax(test->gap_s, since_s);
    test->good_ns = t_ns;
    r->n_used++;
    if (r->n_used > 1)
        test->interval_s = taut_seconds(t_ns - test->first_ns) / (double)(r->n_used - 1);
    difference(test, t_ns, raw_pa);
    window(test, t_ns, raw_pa);
    if (isnan(r->rise_raw_pa) && taut_seconds(t_ns - test->first_ns) >= test->rule.rise_within_s)
        r->rise_raw_pa = raw_pa - test->first_pa;
    droptest_block_add(test, t_s, p_pa, manifold_pa);
}

static void publish(struct taut_droptest *test, const struct droptest_fit *fit, uint32_t n)
{
    struct taut_droptest_result *r = &test->result;
    r->model = fit->model;
    r->rate_pa_per_s = fit->rate.value;
    r->u_rate_pa_per_s = fit->rate.u;
    r->rate_low_pa_per_s = fit->rate.low;
    r->rate_high_pa_per_s = fit->rate.high;
    r->rate_95_low_pa_per_s = fit->rate.low_95;
    r->rate_95_high_pa_per_s = fit->rate.high_95;
    r->rise_pa = fit->rise.value;
    r->rise_low_pa = fit->rise.low;
    r->rise_high_pa = fit->rise.high;
    r->amplitude_pa = fit->amplitude_pa;
    r->tau_s = fit->tau_s;
    r->p0_pa = fit->p0_pa;
    r->span_s = fit->span_s;
    r->smallest_pa_per_s = fmax(0, fit->rate.high - fit->rate.value);
    r->start_pa = test->block[0].p_pa;
    r->end_pa = test->block[n - 1].p_pa;
    r->from_ns = test->first_ns;
    r->to_ns = test->good_ns;
    if (isfinite(test->rule.volume_m3)) {
        double v = test->rule.volume_m3, u_v = isfinite(test->rule.u_volume_m3) ? test->rule.u_volume_m3 : 0;
        r->leak_pa_m3_per_s = v * r->rate_pa_per_s;
        r->u_leak_pa_m3_per_s = hypot(v * r->u_rate_pa_per_s, u_v * r->rate_pa_per_s);
    }
}

/* False when the fit found that it needs the wide look first. */
static bool fit(struct taut_droptest *test, uint32_t n, bool decide)
{
    struct droptest_fit found;
    droptest_fit(test, n, &found);
    if (found.incomplete)
        return false;
    bool transient = found.transient || found.bends_upward;
    if (transient != test->transient)
        test->noise_span_s = 0; /* the noise is to be seen without the transient, or with it */
    test->transient = transient;
    test->fit_span_s = found.span_s;
    publish(test, &found, n);
    if (decide)
        droptest_decide(test, &found);
    return true;
}

static double span_of(const struct taut_droptest *test, uint32_t n)
{
    return n > 1 ? (test->block[n - 1].t_s - test->block[0].t_s) * n / (n - 1) : 0;
}

/* Where tau is known well the fit follows it; else it looks over the whole range first. */
static enum job fit_job(const struct taut_droptest *test, uint32_t n)
{
    return n >= 8 && !test->narrow ? JOB_SCAN : JOB_FIT;
}

/* Is a whole fit due by the time that has passed?  Sooner when the last one was near a decision; seldom while none may
 * fall, for display only. */
static bool fit_due(const struct taut_droptest *test, double span_s)
{
    bool may_decide = test->rule.mode == TAUT_TEST_EARLY && span_s >= 0.8 * test->rule.test_min_s;
    double needed_s = isfinite(test->result.needed_s) ? test->result.needed_s : span_s;
    double growth = fmin(fmax(0.25 * needed_s / span_s, fit_growth_least), fit_growth_most);
    return span_s > (1 + (may_decide ? growth : fit_growth_idle)) * test->fit_span_s;
}

/* Cheap look at the straight line alone; sets when the next one is worth it: not before half the growth in span that
 * it says is needed. */
static bool line_passes(struct taut_droptest *test, uint32_t n, double span_s)
{
    double growth = droptest_line_growth(test, n);
    test->look_span_s = span_s * (1 + fmin(fmax(0.5 * (growth - 1), look_growth_least), fit_growth_most));
    test->credit -= look_cost * n;
    return growth <= 1;
}

/* What to do next on n blocks; JOB_NONE when nothing is worth its cost now. No fit, hence no decision, on an estimate
 * of the noise that is older than noise_growth allows. */
static enum job next_job(struct taut_droptest *test, uint32_t n)
{
    if (test->over)
        return JOB_NOISE;
    if (n <= test->fresh_n)
        return JOB_NONE;
    double span_s = span_of(test, n);
    bool stale = span_s > noise_growth * test->noise_span_s;
    double whole = (scan_cost + fit_cost + (stale ? noise_cost : 0)) * n;
    if (fit_due(test, span_s) && test->credit >= whole)
        return stale ? JOB_NOISE : fit_job(test, n);
    bool early = test->rule.mode == TAUT_TEST_EARLY && span_s >= test->rule.test_min_s;
    if (!early || span_s < test->look_span_s || test->credit < look_cost * n || !line_passes(test, n, span_s))
        return JOB_NONE;
    return stale ? JOB_NOISE : fit_job(test, n);
}

/* One piece of the job; true when there may be more in this push. */
static bool step(struct taut_droptest *test, double *spent, bool decide)
{
    uint32_t n = test->job_n;
    double cost = 0;
    switch (test->job) {
    case JOB_NOISE: {
        int colours = (int)fmax(1, (most_per_push - *spent) / (noise_cost / TAUT_DROPTEST_COLOURS * n));
        int to = test->job_colour + colours < TAUT_DROPTEST_COLOURS ? test->job_colour + colours : TAUT_DROPTEST_COLOURS;
        droptest_noise(test, n, test->job_colour, to);
        cost = noise_cost / TAUT_DROPTEST_COLOURS * n * (to - test->job_colour);
        test->job_colour = to;
        if (to == TAUT_DROPTEST_COLOURS) {
            droptest_mix(test, n);
            test->noise_span_s = span_of(test, n);
            /* a look that hoped on an old estimate of the noise is taken again on the new one */
            bool go_on = test->over || fit_due(test, test->noise_span_s) || line_passes(test, n, test->noise_span_s);
            test->job = !go_on ? JOB_NONE : n >= 8 ? JOB_SCAN : JOB_FIT;
        }
        break;
    }
    case JOB_SCAN:
        droptest_scan(test, n);
        cost = scan_cost * n;
        test->job = JOB_FIT;
        break;
    case JOB_FIT:
        test->job = fit(test, n, decide) ? JOB_NONE : JOB_SCAN;
        cost = fit_cost * n;
        break;
    default:
        break;
    }
    *spent += cost;
    test->credit -= cost;
    return test->job != JOB_NONE && *spent + fit_cost * n < most_per_push;
}

static void begin(struct taut_droptest *test, enum job job)
{
    test->job = (int)job;
    test->job_n = test->fresh_n = test->n_block;
    test->job_colour = 0;
}

static void work(struct taut_droptest *test)
{
    if (test->n_block < LEAST_BLOCKS) {
        if (test->over)
            droptest_end(test, TAUT_VERDICT_INCONCLUSIVE, TAUT_WHY_BAD_READINGS);
        return;
    }
    if (test->job == JOB_NONE) {
        enum job job = next_job(test, test->n_block);
        if (job == JOB_NONE)
            return;
        begin(test, job);
    }
    double spent = 0;
    while (test->job != JOB_NONE && step(test, &spent, true))
        ;
}

enum taut_droptest_stage taut_droptest_push(struct taut_droptest *test, int64_t t_ns, const struct taut_sweep *sweep)
{
    struct taut_droptest_result *r = &test->result;
    if (r->stage == TAUT_STAGE_DECIDED)
        return r->stage;
    bool present = (sweep->present & (1u << TAUT_ROLE_VENT)) != 0, good = taut_sweep_good(sweep, TAUT_ROLE_VENT);
    const double raw_pa = sweep->sample[TAUT_ROLE_VENT].value;
    good = good && isfinite(raw_pa);
    double manifold_pa = taut_sweep_good(sweep, TAUT_ROLE_MANIFOLD) ? sweep->sample[TAUT_ROLE_MANIFOLD].value : NAN;
    double p_pa = corrected(test, sweep, good ? raw_pa : NAN);
    if (r->stage == TAUT_STAGE_BEFORE) {
        if (present && good)
            reading_before(test, t_ns, p_pa, manifold_pa);
        test->credit = fmin(test->credit + earned_per_push, credit_most);
        test->last_ns = t_ns;
        return r->stage;
    }
    double t_s = taut_seconds(t_ns - test->isolated_ns), passed_s = taut_seconds(t_ns - test->last_ns);
    test->last_ns = t_ns;
    if (present && good) {
        sum_after(test, t_s, p_pa);
        if (t_s >= test->rule.settle_min_s)
            judged(test, t_ns, t_s, raw_pa, p_pa, manifold_pa);
    } else if (present && t_s >= test->rule.settle_min_s) {
        r->n_not_good++;
    }
    test->credit = fmin(test->credit + fmax(earned_per_push, earned_per_s * passed_s), credit_most);
    double end_s = test->rule.test_s + (r->stage == TAUT_STAGE_MEASURING ? r->settle_s : test->rule.settle_min_s);
    test->over = t_s >= end_s - 1e-6;
    if (r->stage == TAUT_STAGE_MEASURING || test->over)
        work(test);
    return r->stage;
}

void taut_droptest_stop(struct taut_droptest *test, enum taut_droptest_why why)
{
    struct taut_droptest_result *r = &test->result;
    if (r->stage == TAUT_STAGE_DECIDED)
        return;
    if (test->n_block >= LEAST_BLOCKS) {
        double spent = 0;
        begin(test, JOB_NOISE);
        test->fit_span_s = 0;
        while (test->job != JOB_NONE) /* an interrupted test is never a pass, whatever it had seen */
            step(test, &spent, why == TAUT_WHY_STOPPED);
    }
    if (r->stage != TAUT_STAGE_DECIDED)
        droptest_end(test, TAUT_VERDICT_INCONCLUSIVE, why);
}

const struct taut_droptest_result *taut_droptest_result(const struct taut_droptest *test)
{
    return &test->result;
}
