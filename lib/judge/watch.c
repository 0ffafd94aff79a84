/* The watch: readings into bins, bins into the learner and the detector, and what a loss under way looks like. */
#include "taut/watch.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "judge/watch_parts.h"
#include "taut/units.h"

static const double bin_s = 0.5;
static const double settle_s = 10;                   /* after a change of hold nothing is learnt for so long */
static const double blind_after_s = 3;               /* a gap this long breaks what is being learnt */
static const double back_s = 5;                      /* a loss is over when it has looked over for so long */
static const double tell_again_s = 5;                /* the evidence is written anew so often */
static const double calm_s = 5, command_max_s = 120; /* after a commanded change */
static const double five_s = 5;
static const double least_dry_frac = 0.02;
static const double careful = 0.8; /* quantile of the wander's posterior */

struct taut_watch_rule taut_watch_rule_from_recipe(const struct taut_recipe *recipe)
{
    return (struct taut_watch_rule){
        .false_alarm_h = recipe->fill_false_alarm_h,
        .leak_pa_per_s = recipe->fill_leak_pa_per_s,
        .step_pa = recipe->fill_step_pa,
        .tell_s = recipe->fill_tell_s,
        .below_pa = recipe->fill_below_pa,
        .clamp_limit_pa_per_s = recipe->clamp_limit_pa_per_s,
        .resolution_pa = 0,
        .volume_m3 = NAN,
    };
}

static bool is_shut(enum taut_hold hold)
{
    return hold == TAUT_HOLD_ISOLATED || hold == TAUT_HOLD_CLAMPED;
}

static double now_s(const struct taut_watch *watch)
{
    return taut_seconds(watch->last_ns - watch->origin_ns);
}

/* ---- beginning and changing holds ------------------------------------------------------------------------- */

/* Rise of a squeezed dry rest without any leak, and the leak that matters as it shows in that rest. */
static void squeeze(const struct taut_watch *watch, double t_s, double *rate, double *leak)
{
    double dry = fmin(fmax(watch->dry_frac - watch->front_per_s * (t_s - watch->dry_s), least_dry_frac), 1.0);
    *rate = watch->pace.level_pa * watch->front_per_s / dry;
    *leak = watch->rule.leak_pa_per_s / dry;
}

static bool knows_front(const struct taut_watch *watch)
{
    return watch->hold == TAUT_HOLD_CLAMPED && isfinite(watch->front_per_s) && isfinite(watch->pace.level_pa);
}

/* Which changes matter in each way of holding. */
static void arm(struct taut_watch *watch)
{
    const struct taut_watch_rule *rule = &watch->rule;
    double threshold = taut_change_threshold(rule->false_alarm_h * 3600, watch->noise.spacing_s);
    double clamp = rule->clamp_limit_pa_per_s > 0 ? rule->clamp_limit_pa_per_s : rule->leak_pa_per_s;
    double ramp = 0.5 * rule->leak_pa_per_s, step = 0.5 * rule->step_pa, trend = 0;
    switch (watch->hold) {
    case TAUT_HOLD_LEARN:
    case TAUT_HOLD_PUMPED:
    case TAUT_HOLD_CURE:
        break;
    case TAUT_HOLD_ISOLATED:
        step = 0;
        break;
    case TAUT_HOLD_CLAMPED:
        ramp = 0.25 * clamp;
        step = 0;
        trend = clamp;
        break;
    }
    taut_change_init(&watch->change, &watch->noise, threshold, ramp, step);
    watch->change.trend_pa_per_s = trend;
    double density =
        watch->noise.sigma_pa * watch->noise.sigma_pa * watch->noise.spacing_s * (1 + watch->noise.phi) / (1 - watch->noise.phi);
    watch->pace.agility = taut_hunt_agility_for(fmax(ramp, 1e-3) / 3, density);
}

/* Take the noise as known now into use; the detector's state goes on when it can. */
static void take_noise(struct taut_watch *watch)
{
    double floor_pa = watch->rule.resolution_pa > 0 ? watch->rule.resolution_pa / sqrt(12.0) : 0;
    taut_learn_noise(&watch->learn, watch->spacing_s, floor_pa, careful, &watch->noise);
    watch->change.noise = watch->noise;
    watch->change.threshold = taut_change_threshold(watch->rule.false_alarm_h * 3600, watch->noise.spacing_s);
}

enum taut_status taut_watch_init(struct taut_watch *watch, const struct taut_watch_rule *rule)
{
    if (!(rule->false_alarm_h > 0) || !(rule->leak_pa_per_s > 0 || rule->step_pa > 0) || isinf(rule->false_alarm_h))
        return TAUT_E_ARG;
    memset(watch, 0, sizeof *watch);
    watch->rule = *rule;
    watch->hold = TAUT_HOLD_LEARN;
    watch->spacing_s = watch->sample_s = bin_s;
    watch->refit_at = 40;
    watch->dry_frac = watch->dry_s = watch->front_per_s = watch->gap_pa = watch->isolated_pa_per_s = watch->hold_onset_s = NAN;
    taut_learn_init(&watch->learn);
    taut_cause_history_init(&watch->history);
    taut_hunt_init(&watch->hunt, rule->resolution_pa > 0 ? rule->resolution_pa / sqrt(12.0) : 0, TAUT_HUNT_AGILITY);
    taut_hunt_init(&watch->pace, 0, TAUT_HUNT_AGILITY);
    take_noise(watch);
    arm(watch);
    struct taut_watch_finding *f = &watch->finding;
    f->baseline_pa = f->above_pa = f->rate_pa_per_s = f->u_rate_pa_per_s = f->since_s = NAN;
    return TAUT_OK;
}

static void forget_loss(struct taut_watch *watch)
{
    struct taut_watch_finding *f = &watch->finding;
    watch->lost = false;
    f->rate_alarm = f->level_alarm = false;
    f->since_s = NAN;
    f->cause = TAUT_CAUSE_NONE;
    f->confidence = 0;
    f->evidence[0] = '\0';
}

void taut_watch_hold(struct taut_watch *watch, enum taut_hold hold, int64_t t_ns)
{
    double t_s = watch->seen ? taut_seconds(t_ns - watch->origin_ns) : 0;
    if (watch->hold == TAUT_HOLD_ISOLATED && watch->check.verdict == TAUT_CHECK_TIGHT)
        taut_watch_isolated_rate(watch, watch->check.rate_pa_per_s);
    if (hold == TAUT_HOLD_ISOLATED)
        taut_watch_check_begin(watch, t_s);
    watch->commanded = hold == watch->hold && hold != TAUT_HOLD_LEARN && watch->seen;
    watch->commanded_s = t_s;
    watch->calm_since_s = watch->hold_onset_s = NAN;
    if (hold != TAUT_HOLD_CLAMPED)
        watch->dry_frac = watch->front_per_s = NAN;
    bool goes_on = watch->hold == TAUT_HOLD_LEARN && hold == TAUT_HOLD_PUMPED && watch->change.started;
    struct taut_change before = watch->change;
    watch->hold = hold;
    watch->hold_ns = t_ns;
    watch->bin_n = 0;
    watch->quiet_until_s = t_s + settle_s;
    taut_learn_gap(&watch->learn);
    take_noise(watch);
    arm(watch);
    if (goes_on) { /* the pump draws as before: so the level is known already */
        before.noise = watch->change.noise;
        before.threshold = watch->change.threshold;
        before.candidates = 0;
        watch->change = before;
    }
    forget_loss(watch);
    watch->finding.baseline_pa = watch->finding.above_pa = NAN;
}

void taut_watch_isolated_rate(struct taut_watch *watch, double rate_pa_per_s)
{
    if (isfinite(rate_pa_per_s))
        watch->isolated_pa_per_s = fmax(rate_pa_per_s, 0.02 * watch->rule.leak_pa_per_s);
}

void taut_watch_front(struct taut_watch *watch, int64_t t_ns, double dry_frac)
{
    double t_s = taut_seconds(t_ns - watch->origin_ns);
    if (!(dry_frac >= 0 && dry_frac <= 1) || watch->hold != TAUT_HOLD_CLAMPED)
        return;
    if (isfinite(watch->dry_frac) && t_s > watch->dry_s)
        watch->front_per_s = fmax((watch->dry_frac - dry_frac) / (t_s - watch->dry_s), 0);
    watch->dry_frac = dry_frac;
    watch->dry_s = t_s;
}

/* A commanded change is over when the pressure has been calm for a while, or has taken too long about it. */
static void follow_command(struct taut_watch *watch, double t_s)
{
    double calm_rate = fmax(watch->rule.leak_pa_per_s, watch->pace.u_rate_pa_per_s);
    if (!(fabs(watch->pace.rate_pa_per_s) < calm_rate))
        watch->calm_since_s = NAN;
    else if (isnan(watch->calm_since_s))
        watch->calm_since_s = t_s;
    if (t_s - watch->calm_since_s >= calm_s || t_s - watch->commanded_s >= command_max_s) {
        watch->commanded = false;
        taut_change_restart(&watch->change);
    }
}

/* ---- a loss under way ------------------------------------------------------------------------------------- */

static void ask_cause(struct taut_watch *watch, double t_s)
{
    struct taut_watch_finding *f = &watch->finding;
    bool shut = is_shut(watch->hold); /* there a rise never ends by itself: the first one tells the most */
    struct taut_cause_question question = {
        .hold = watch->hold,
        .now_s = t_s,
        .onset_s = shut ? watch->hold_onset_s : watch->lost_onset_s,
        .baseline_pa = f->baseline_pa,
        .above_pa = f->above_pa,
        .rate_pa_per_s = watch->pace.rate_pa_per_s,
        .hold_s = taut_seconds(watch->hold_ns - watch->origin_ns),
        .u_pa = sqrt(2 * taut_watch_density(&watch->noise) / five_s),
        .isolated_pa_per_s = watch->isolated_pa_per_s,
    };
    struct taut_cause_answer answer;
    taut_cause_judge(&watch->history, &question, &answer);
    f->cause = answer.cause;
    f->confidence = answer.confidence;
    f->end = answer.end;
    memcpy(f->evidence, answer.evidence, sizeof f->evidence);
    watch->told_s = t_s;
}

static void begin_loss(struct taut_watch *watch, const struct taut_change_result *found, double t_s)
{
    watch->lost = true;
    watch->lost_kind = found->kind;
    watch->lost_onset_s = found->onset_s;
    watch->lost_level_pa = found->level_pa;
    watch->lost_peak_pa = 0;
    if (isnan(watch->hold_onset_s))
        watch->hold_onset_s = found->onset_s;
    if (found->kind == TAUT_CHANGE_RAMP)
        taut_hunt_set(&watch->pace, found->level_pa + found->size * (t_s - found->onset_s), found->size);
    watch->back_since_s = NAN;
    watch->finding.times++;
    taut_learn_gap(&watch->learn);
    watch->finding.baseline_pa = found->level_pa;
    watch->told_s = t_s - 2 * tell_again_s;
}

/* Is the loss still there?  With the pump on a closed leak lets the level come back; a shut bag only stops rising. */
static void follow_loss(struct taut_watch *watch, double t_s)
{
    struct taut_watch_finding *f = &watch->finding;
    bool shut = is_shut(watch->hold);
    double rate_keeps = watch->change.trend_pa_per_s + watch->change.least_ramp_pa_per_s;
    watch->lost_peak_pa = fmax(watch->lost_peak_pa, f->above_pa);
    bool rises = watch->pace.rate_pa_per_s > rate_keeps;
    bool stands = !shut && f->above_pa > 0.5 * watch->lost_peak_pa;
    f->since_s = t_s - watch->lost_onset_s;
    if (rises || stands)
        watch->back_since_s = NAN;
    else if (isnan(watch->back_since_s))
        watch->back_since_s = t_s;
    else if (t_s - watch->back_since_s >= back_s) {
        forget_loss(watch);
        taut_change_restart(&watch->change);
        return;
    }
    f->rate_alarm = rises || watch->lost_kind == TAUT_CHANGE_RAMP;
    f->level_alarm = stands || watch->lost_kind == TAUT_CHANGE_STEP;
    if (t_s - watch->told_s >= tell_again_s)
        ask_cause(watch, t_s);
}

/* ---- readings --------------------------------------------------------------------------------------------- */

static void learn_bin(struct taut_watch *watch, double t_s, double mean)
{
    if (is_shut(watch->hold) || watch->lost || watch->commanded || t_s < watch->quiet_until_s)
        return;
    taut_learn_push(&watch->learn, mean);
    if (watch->learn.bins >= watch->refit_at) {
        watch->refit_at = 3 * watch->refit_at / 2;
        take_noise(watch);
    }
}

/* Under the pump a rise must have made half of what matters: the step, or what the leak makes by the time it is to be
 * told. Resin that sets out, a valve that opens elsewhere, make small ones. */
static bool matters(const struct taut_watch *watch, const struct taut_change_result *found, double t_s)
{
    if (found->kind != TAUT_CHANGE_RAMP || is_shut(watch->hold))
        return true;
    double least_pa = 0.5 * fmin(watch->rule.step_pa, watch->rule.leak_pa_per_s * watch->rule.tell_s);
    /* a fast rise is clipped before it reaches the detector, which then sees it small and late: look at the level too */
    double risen_pa = fmax(found->size * (t_s - found->onset_s), watch->pace.level_pa - found->level_pa);
    return !(risen_pa < least_pa);
}

static void close_bin(struct taut_watch *watch)
{
    struct taut_watch_finding *f = &watch->finding;
    double mean = watch->bin_sum / watch->bin_n, t_s = watch->bin_t_sum / watch->bin_n;
    watch->bin_n = 0;
    learn_bin(watch, t_s, mean);
    taut_hunt_push(&watch->pace, t_s, mean);
    taut_watch_check_push(watch, t_s, mean);
    if (knows_front(watch)) {
        double leak;
        squeeze(watch, t_s, &watch->change.trend_pa_per_s, &leak);
        watch->change.least_ramp_pa_per_s = 0.5 * leak;
    }
    if (watch->commanded) {
        follow_command(watch, t_s);
    } else if (!watch->lost) {
        struct taut_change_result found = taut_change_push(&watch->change, t_s, mean, taut_watch_sensor_scale(watch));
        f->baseline_pa = watch->change.level_pa;
        if (found.kind == TAUT_CHANGE_DOWN)
            taut_change_restart(&watch->change);
        else if (found.kind != TAUT_CHANGE_NONE && watch->hold != TAUT_HOLD_LEARN && matters(watch, &found, t_s))
            begin_loss(watch, &found, t_s);
    }
    f->above_pa = watch->pace.level_pa - f->baseline_pa;
    if (watch->lost)
        follow_loss(watch, t_s);
}

static void take_vent(struct taut_watch *watch, int64_t t_ns, double p_pa)
{
    double t_s = taut_seconds(t_ns - watch->origin_ns);
    if (watch->seen_good && t_ns > watch->last_good_ns) {
        double dt = taut_seconds(t_ns - watch->last_good_ns);
        if (dt > fmax(blind_after_s, 4 * watch->sample_s)) {
            taut_learn_gap(&watch->learn);
            watch->bin_n = 0;
        } else {
            watch->sample_s += 0.1 * (dt - watch->sample_s);
        }
    }
    watch->seen_good = true;
    watch->last_good_ns = t_ns;
    taut_hunt_push(&watch->hunt, t_s, p_pa);
    watch->finding.rate_pa_per_s = watch->hunt.n > 1 ? watch->hunt.rate_pa_per_s : NAN;
    watch->finding.u_rate_pa_per_s = watch->hunt.u_rate_pa_per_s;
    watch->finding.limit_alarm = p_pa > watch->rule.below_pa;
    if (watch->bin_n == 0) {
        watch->bin_from_ns = t_ns;
        watch->bin_sum = watch->bin_t_sum = 0;
    }
    watch->bin_sum += p_pa;
    watch->bin_t_sum += t_s;
    watch->bin_n++;
    double span_s = taut_seconds(t_ns - watch->bin_from_ns) + watch->sample_s;
    if (span_s > 0.99 * bin_s) {
        watch->spacing_s += 0.05 * (fmax(bin_s, watch->sample_s) - watch->spacing_s);
        close_bin(watch);
    }
}

/* A reading that is not good. */
static void take_blind(struct taut_watch *watch, const struct taut_sample *vent)
{
    struct taut_watch_finding *f = &watch->finding;
    double t_s = now_s(watch);
    f->blind_s = watch->seen_good ? taut_seconds(watch->last_ns - watch->last_good_ns) : t_s;
    if (f->blind_s > blind_after_s)
        f->rate_pa_per_s = f->u_rate_pa_per_s = NAN;
    if (watch->lost)
        return;
    char what[64];
    snprintf(what, sizeof what, "is %s: %s", taut_quality_text(vent->quality), taut_reason_text(vent->reason));
    bool way = taut_cause_is_communication(vent->reason);
    taut_watch_sensor_blame(watch, t_s, way ? TAUT_CAUSE_COMMUNICATION : TAUT_CAUSE_SENSOR, what, NAN);
}

/* A reading of good quality; it must be believable as well. */
static void take_good(struct taut_watch *watch, int64_t t_ns, double p_pa)
{
    struct taut_watch_finding *f = &watch->finding;
    double t_s = now_s(watch);
    if (!taut_watch_sensor_believed(watch, t_s, p_pa)) {
        if (watch->lost) { /* what looked like a loss was the sensor */
            enum taut_cause cause = f->cause;
            char evidence[TAUT_TEXT_MAX];
            memcpy(evidence, f->evidence, sizeof evidence);
            forget_loss(watch);
            f->cause = cause;
            f->confidence = 0.95;
            memcpy(f->evidence, evidence, sizeof evidence);
        }
        f->blind_s = watch->seen_good ? taut_seconds(t_ns - watch->last_good_ns) : t_s;
        if (f->blind_s > blind_after_s)
            f->rate_pa_per_s = f->u_rate_pa_per_s = NAN;
        watch->bin_n = 0;
        return;
    }
    f->blind_s = 0;
    bool in_trouble = f->cause == TAUT_CAUSE_SENSOR || f->cause == TAUT_CAUSE_COMMUNICATION;
    if (!watch->lost && in_trouble && taut_watch_sensor_recovered(watch, t_s))
        forget_loss(watch);
    take_vent(watch, t_ns, p_pa);
}

const struct taut_watch_finding *taut_watch_push(struct taut_watch *watch, int64_t t_ns, const struct taut_sweep *sweep)
{
    struct taut_watch_finding *f = &watch->finding;
    if (!watch->seen) {
        watch->seen = true;
        watch->origin_ns = t_ns;
        watch->quiet_until_s = settle_s;
    } else if (t_ns < watch->last_ns) {
        return f;
    }
    watch->last_ns = t_ns;
    for (int r = 0; r < TAUT_ROLES; r++)
        if (sweep->present & (1u << r))
            watch->latest.sample[r] = sweep->sample[r];
    watch->latest.present |= sweep->present;
    taut_cause_history_push(&watch->history, now_s(watch), sweep);
    const struct taut_sample *vent = &watch->latest.sample[TAUT_ROLE_VENT];
    if (taut_sweep_good(sweep, TAUT_ROLE_VENT) && isfinite(vent->value))
        take_good(watch, t_ns, vent->value);
    else if (sweep->present & (1u << TAUT_ROLE_VENT))
        take_blind(watch, vent);
    return f;
}
