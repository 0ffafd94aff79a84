#include "taut/droptest.h"

#include <math.h>
#include <string.h>

#include "judge/droptest_core.h"
#include "taut/units.h"

enum { LEAST_BLOCKS = 5 };
static const double after_window_s = 30, after_guard_s = 1; /* the moment of shut-off is known to about a second */
/* Work allowed, in instructions (measured; see tests/stat/README.md): a push earns some, an evaluation spends it. */
static const double earned_per_push = 1150, earned_per_s = 11500, spent_per_block = 850, spent_at_least = 4000;
static const uint32_t at_once_blocks = 36; /* both halves of an evaluation in one push up to here */

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

static void reading_before(struct taut_droptest *test, double t_s, double p_pa, double manifold_pa)
{
    droptest_before_add(test, t_s, p_pa, manifold_pa);
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

static void finish(struct taut_droptest *test, bool decide)
{
    struct droptest_fit fit;
    uint32_t n = test->work_n;
    droptest_fit(test, n, &fit);
    test->transient = fit.transient || fit.bends_upward;
    test->work_done_n = n;
    test->work_n = 0;
    publish(test, &fit, n);
    if (decide)
        droptest_decide(test, &fit);
}

static void begin(struct taut_droptest *test)
{
    test->work_n = test->n_block;
    test->work_credit -= spent_at_least + spent_per_block * test->work_n;
    droptest_noise(test, test->work_n);
}

static void work(struct taut_droptest *test, double passed_s)
{
    test->work_credit = fmin(test->work_credit + fmax(earned_per_push, earned_per_s * passed_s), 2e5);
    if (test->work_n > 0) {
        finish(test, true);
        return;
    }
    uint32_t n = test->n_block;
    if (n < LEAST_BLOCKS) {
        if (test->over)
            droptest_end(test, TAUT_VERDICT_INCONCLUSIVE, TAUT_WHY_BAD_READINGS);
        return;
    }
    bool fresh = n > test->work_done_n, affordable = test->work_credit >= spent_at_least + spent_per_block * n;
    if (!test->over && !(fresh && affordable))
        return;
    begin(test);
    if (n <= at_once_blocks)
        finish(test, true);
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
            reading_before(test, taut_seconds(t_ns), p_pa, manifold_pa);
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
    double end_s = test->rule.test_s + (r->stage == TAUT_STAGE_MEASURING ? r->settle_s : test->rule.settle_min_s);
    test->over = t_s >= end_s - 1e-6;
    if (r->stage == TAUT_STAGE_MEASURING || test->over)
        work(test, passed_s);
    return r->stage;
}

void taut_droptest_stop(struct taut_droptest *test, enum taut_droptest_why why)
{
    struct taut_droptest_result *r = &test->result;
    if (r->stage == TAUT_STAGE_DECIDED)
        return;
    if (test->n_block >= LEAST_BLOCKS) {
        if (test->work_n == 0)
            begin(test);
        finish(test, why == TAUT_WHY_STOPPED); /* an interrupted test is never a pass, whatever it had seen */
    }
    if (r->stage != TAUT_STAGE_DECIDED)
        droptest_end(test, TAUT_VERDICT_INCONCLUSIVE, why);
}

const struct taut_droptest_result *taut_droptest_result(const struct taut_droptest *test)
{
    return &test->result;
}
