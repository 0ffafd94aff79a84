/* What the watch can tell on this bag, and when: the delay at which a change has given as much information as the
 * threshold asks for, from the noise as learnt. */
#include <math.h>
#include <stdio.h>

#include "judge/watch_parts.h"
#include "taut/units.h"

static const double horizon_s = 900, largest_pa = 1e4;

static double delay(const struct taut_watch *watch, enum taut_change_kind kind, double size, double lag_s)
{
    if (!(size > 0))
        return INFINITY;
    const struct taut_noise *noise = &watch->noise;
    double h = taut_change_threshold(watch->rule.false_alarm_h * 3600, noise->spacing_s);
    /* a clipped detector needs three bins at least, however large the change */
    return fmax(taut_change_delay_s(noise, kind, size, lag_s, h, horizon_s), 2.5 * noise->spacing_s);
}

/* Least size that is told within tell_s; infinite when there is none. */
static double least(const struct taut_watch *watch, enum taut_change_kind kind)
{
    double low = 1e-4, high = largest_pa;
    if (!(delay(watch, kind, high, 0) <= watch->rule.tell_s))
        return INFINITY;
    for (int i = 0; i < 40 && high > 1.01 * low; i++) {
        double middle = sqrt(low * high);
        if (delay(watch, kind, middle, 0) <= watch->rule.tell_s)
            high = middle;
        else
            low = middle;
    }
    return high;
}

static void tell(const struct taut_watch *watch, const struct taut_watch_plan *plan, char out[TAUT_TEXT_MAX])
{
    const struct taut_watch_rule *rule = &watch->rule;
    if (plan->kept) {
        snprintf(
            out, TAUT_TEXT_MAX,
            "%.3g mbar/min is told after about %.0f s with the bag shut off, %.3g mbar at the gauge after about %.0f s; within "
            "%.0f s the least told is %.2g mbar/min or %.2g mbar; one false alarm in %.0f h",
            taut_mbar_per_min(rule->leak_pa_per_s), plan->isolated_s, taut_mbar(rule->step_pa), plan->step_s, rule->tell_s,
            taut_mbar_per_min(plan->least_leak_pa_per_s), taut_mbar(plan->least_step_pa), rule->false_alarm_h);
        return;
    }
    if (plan->gauge_pa < plan->least_step_pa) {
        snprintf(
            out, TAUT_TEXT_MAX,
            "the pump hides a leak of %.3g mbar/min: %.2g mbar at the gauge, told from %.2g mbar on; shut the bag off for %.0f s "
            "now and then (isolation check), clamp off, or read the bag away from the pump",
            taut_mbar_per_min(rule->leak_pa_per_s), taut_mbar(plan->gauge_pa), taut_mbar(plan->least_step_pa), plan->check_s);
        return;
    }
    snprintf(
        out, TAUT_TEXT_MAX,
        "too noisy for the wish of %.0f s: %.3g mbar/min is told after about %.0f s with the bag shut off; what can be told in "
        "time is %.2g mbar/min or %.2g mbar; a calmer sensor or a longer hold before filling helps",
        rule->tell_s, taut_mbar_per_min(rule->leak_pa_per_s), plan->isolated_s, taut_mbar_per_min(plan->least_leak_pa_per_s),
        taut_mbar(plan->least_step_pa));
}

void taut_watch_plan(const struct taut_watch *watch, double pump_m3_per_s, struct taut_watch_plan *plan)
{
    const struct taut_watch_rule *rule = &watch->rule;
    double lag_s = rule->volume_m3 / pump_m3_per_s;
    *plan = (struct taut_watch_plan){
        .isolated_s = delay(watch, TAUT_CHANGE_RAMP, rule->leak_pa_per_s, 0),
        .step_s = delay(watch, TAUT_CHANGE_STEP, rule->step_pa, 0),
        .gauge_pa = lag_s > 0 ? rule->leak_pa_per_s * lag_s : NAN,
        .pumped_s = NAN,
        .least_leak_pa_per_s = least(watch, TAUT_CHANGE_RAMP),
        .least_step_pa = least(watch, TAUT_CHANGE_STEP),
        .check_s = taut_watch_check_span(&watch->noise, rule->leak_pa_per_s),
    };
    if (isfinite(plan->gauge_pa))
        plan->pumped_s = delay(watch, TAUT_CHANGE_STEP, plan->gauge_pa, lag_s);
    bool shut_off = !(rule->leak_pa_per_s > 0) || plan->isolated_s <= rule->tell_s;
    bool step = !(rule->step_pa > 0) || plan->step_s <= rule->tell_s;
    plan->kept = shut_off && step && (isnan(plan->pumped_s) || plan->pumped_s <= rule->tell_s);
    tell(watch, plan, plan->sentence);
}
