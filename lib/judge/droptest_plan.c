#include <math.h>
#include <stdio.h>

#include "judge/droptest_core.h"
#include "taut/rise.h"
#include "taut/units.h"

static const double patience = 100; /* times the recipe's test time: longer is called never */
static const double apart = 3;      /* time constants a record must span before a transient is told from a leak */

/* Everything of an interval for the rate after span_s: noise both ways, drift, and what the converter hides. */
static double room_needed(const struct taut_droptest_rule *rule, const struct taut_droptest_plan *plan, double span_s,
                          double tau_s)
{
    enum taut_rise_knowledge knowledge = tau_s > 0 ? TAUT_RISE_TAU_UNKNOWN : TAUT_RISE_NO_TRANSIENT;
    double sd = taut_rise_least_sd(plan->long_run_pa2_s, span_s, tau_s, knowledge);
    double line = taut_rise_least_sd(plan->long_run_pa2_s, span_s, NAN, TAUT_RISE_NO_TRANSIENT);
    double scale = isnan(rule->limit_pa_per_s) ? rule->rise_limit_pa / rule->rise_within_s : rule->limit_pa_per_s;
    double z = droptest_score(rule, sd * sd, scale);
    /* in fixed mode the estimate may fall on the wrong side too: both tails at the stated risk */
    double both = rule->mode == TAUT_TEST_FIXED ? 2 : 1;
    double hidden = 3 * droptest_hidden_pa(plan->resolution_pa, plan->noise_pa, true) / span_s * sd / line;
    return both * z * sd + hidden + rule->drift_pa_per_s;
}

/* Least span with enough room; the room needed falls with the span. */
static double span_needed_s(const struct taut_droptest_rule *rule, const struct taut_droptest_plan *plan, double room,
                            double tau_s)
{
    double low = 1e-3, high = patience * rule->test_s;
    if (room_needed(rule, plan, high, tau_s) > room)
        return INFINITY;
    for (int i = 0; i < 60 && high > 1.001 * low; i++) {
        double middle = sqrt(low * high);
        if (room_needed(rule, plan, middle, tau_s) > room)
            low = middle;
        else
            high = middle;
    }
    return fmax(high, apart * tau_s);
}

static void refuse(const struct taut_droptest_rule *rule, struct taut_droptest_plan *plan, double limit)
{
    if (rule->drift_pa_per_s >= limit)
        snprintf(plan->reason, sizeof plan->reason,
                 "the sensor's drift bound (%.3g mbar/min) is not below the limit (%.3g mbar/min)",
                 taut_mbar_per_min(rule->drift_pa_per_s), taut_mbar_per_min(limit));
    else if (isfinite(plan->needed_s))
        snprintf(plan->reason, sizeof plan->reason,
                 "with this noise even a tight bag needs %.0f s to pass at a risk of %.2g %%, the recipe allows %.0f s",
                 plan->needed_s, 100 * rule->risk, rule->test_s);
    else
        snprintf(plan->reason, sizeof plan->reason, "noise or resolution of this sensor can not tell a tight bag from the limit");
}

enum taut_status taut_droptest_plan(const struct taut_droptest_rule *rule, const struct taut_droptest_noise *noise, double tau_s,
                                    struct taut_droptest_plan *out)
{
    struct taut_droptest probe;
    if (taut_droptest_init(&probe, rule) || !(noise->noise_pa >= 0) || !(fabs(noise->phi) < 1) || !(noise->interval_s > 0) ||
        !(tau_s >= 0))
        return TAUT_E_ARG;
    double floor2 = 0.1 * 0.1 / 12; /* readings are rounded to 0.1 Pa */
    double variance = fmax(noise->noise_pa * noise->noise_pa, floor2);
    struct taut_droptest_plan plan = {.noise_pa = noise->noise_pa, .phi = noise->phi, .resolution_pa = rule->resolution_pa};
    plan.long_run_pa2_s = variance * (1 + noise->phi) / (1 - noise->phi) * noise->interval_s;
    double limit = fmin(rule->limit_pa_per_s, rule->rise_limit_pa / rule->rise_within_s); /* fmin ignores a NaN */
    plan.smallest_pa_per_s = room_needed(rule, &plan, rule->test_s, 0);
    plan.smallest_transient_pa_per_s = tau_s > 0 ? room_needed(rule, &plan, rule->test_s, tau_s) : plan.smallest_pa_per_s;
    plan.needed_s = span_needed_s(rule, &plan, limit, 0);
    plan.needed_transient_s = tau_s > 0 ? span_needed_s(rule, &plan, limit, tau_s) : plan.needed_s;
    plan.possible = plan.needed_s <= rule->test_s;
    if (!plan.possible)
        refuse(rule, &plan, limit);
    *out = plan;
    return TAUT_OK;
}

enum taut_status taut_droptest_noise_seen(const struct taut_droptest *test, struct taut_droptest_noise *out)
{
    if (test->result.stage != TAUT_STAGE_BEFORE)
        return TAUT_E_STATE;
    if (test->n_before < 16 || test->n_difference < 16)
        return TAUT_E_FEW;
    double long_run = droptest_long_run_pa2_s(test->before, test->n_before, test->per_before);
    double difference = test->difference_sum / test->n_difference;
    double phi = droptest_phi(long_run, difference, test->interval_s);
    *out =
        (struct taut_droptest_noise){.noise_pa = sqrt(difference / (2 * (1 - phi))), .phi = phi, .interval_s = test->interval_s};
    return TAUT_OK;
}
