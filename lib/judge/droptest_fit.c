#include <math.h>
#include <string.h>

#include "judge/droptest_core.h"
#include "taut/stats.h"

enum { N = TAUT_DROPTEST_BLOCKS, SCAN = 12, SPREAD = 6, POINTS = SCAN + SPREAD + 1 };

/* Correlation times tried, in blocks: white, then wider by about two each. A geometric grid is the log-uniform prior
 * of a scale parameter; the blocks scale with the record, so the grid does too. */
static const double correlation[TAUT_DROPTEST_COLOURS] = {0, 0.2, 0.45, 0.9, 1.8, 3.6, 7, 13};
static const double longest_correlation_share = 1.0 / 7; /* of the record: slower is not noise any more */
static const double least_variance_pa2 = 0.1 * 0.1 / 12; /* readings are rounded to 0.1 Pa */
static const double usual_temperature_k = 293.15;

/* What a grid of eight colours leaves out: with it the studies give 0.9 to 1.0 % where 1 % is stated, without it 1.1 %. */
static const double colour_grid = 1.03;

struct work {
    double t_s[N], p[N];
    double q0[N], q1[N], y[N], theta[N], scale[N];
    struct rise_system system;
};

static void load(struct work *w, const struct taut_droptest *test, uint32_t n)
{
    for (uint32_t i = 0; i < n; i++) {
        w->t_s[i] = test->block[i].t_s;
        w->p[i] = test->block[i].p_pa;
    }
    w->system = (struct rise_system){
        .q0 = w->q0, .q1 = w->q1, .y = w->y, .theta = w->theta, .scale = w->scale, .free_start = true, .free_rate = true};
}

static double spacing_s(const struct taut_droptest *test, uint32_t n)
{
    return (test->block[n - 1].t_s - test->block[0].t_s) / (double)(n - 1);
}

static double start_tau_s(const struct taut_droptest *test, uint32_t n)
{
    double tau_s = test->result.tau_s;
    return isfinite(tau_s) && tau_s > 0 ? tau_s : 0.3 * (double)n * spacing_s(test, n);
}

/* Restricted likelihood (Patterson and Thompson 1971) of each colour with the other parameters integrated out, and
 * the spread of the rate under it: what is not known of the noise then widens the interval as it should. */
void droptest_noise(struct taut_droptest *test, uint32_t n)
{
    struct work w;
    load(&w, test, n);
    double tau_s = start_tau_s(test, n), log_belief[TAUT_DROPTEST_COLOURS], highest = -INFINITY;
    double freedom = (double)n - (test->transient ? 4 : 2);
    for (int k = 0; k < TAUT_DROPTEST_COLOURS; k++) {
        log_belief[k] = -INFINITY;
        if (correlation[k] > longest_correlation_share * (double)n)
            continue;
        struct rise_colour colour = rise_colour(correlation[k], test->per_block);
        rise_prepare(&w.system, &colour, w.t_s, w.p, n);
        double rss = w.system.rss, log_information = 2 * log(w.system.c0_norm * w.system.length);
        double variance = 1 / (w.system.length * w.system.length);
        if (test->transient) {
            struct rise_point point = rise_at(&w.system, tau_s);
            struct rise_pair pair = rise_pair_at(&w.system, tau_s, 1.25 * tau_s);
            rss = pair.rss;
            log_information += pair.log_information;
            variance += point.share * point.share / point.norm;
        }
        rss = fmax(rss, freedom * least_variance_pa2);
        log_belief[k] = -0.5 * (w.system.log_det + log_information + freedom * log(rss));
        test->spread[k] = sqrt(variance * rss);
        if (log_belief[k] > highest) {
            highest = log_belief[k];
            test->colour = k;
        }
    }
    double sum = 0, reference = test->spread[test->colour];
    for (int k = 0; k < TAUT_DROPTEST_COLOURS; k++) {
        test->belief[k] = isfinite(log_belief[k]) ? exp(log_belief[k] - highest) : 0;
        sum += test->belief[k];
    }
    for (int k = 0; k < TAUT_DROPTEST_COLOURS; k++) {
        test->belief[k] /= sum;
        test->spread[k] = test->belief[k] > 0 ? test->spread[k] / reference : 1;
    }
}

/* Multiple of the standard error that is exceeded with the normal tail probability of z, under the mixture of t
 * distributions that the beliefs make. Secant on the normal score. */
static double multiple(const struct taut_droptest *test, double z, double freedom)
{
    double target = taut_stats_normal_tail(z), low = z, high = 0;
    for (int k = 0; k < TAUT_DROPTEST_COLOURS; k++)
        if (test->belief[k] > 1e-7)
            high = fmax(high, test->spread[k]);
    high = 1.2 * high * taut_stats_t_of_normal(z, freedom);
    low = 0.8 * fmin(z, high);
    for (int i = 0; i < 24 && high - low > 1e-3 * high; i++) {
        double middle = 0.5 * (low + high), tail = 0;
        for (int k = 0; k < TAUT_DROPTEST_COLOURS; k++)
            if (test->belief[k] > 1e-7)
                tail += test->belief[k] * taut_stats_normal_tail(taut_stats_normal_of_t(middle / test->spread[k], freedom));
        if (tail > target)
            low = middle;
        else
            high = middle;
    }
    return colour_grid * high;
}

/* Normal score at which an interval holds at every stopping time (mixture of normal alternatives with spread
 * `scale`; Robbins 1970). Fixed mode: the plain one-sided quantile. */
static double score(const struct taut_droptest_rule *rule, double variance, double scale)
{
    if (rule->mode == TAUT_TEST_FIXED)
        return taut_stats_normal_upper(rule->risk);
    double g = scale * scale / variance;
    return sqrt(2 * (1 + g) / g * (log(0.5 / rule->risk) + 0.5 * log1p(g)));
}

/* The score and its multiple are smooth: the multiple is found at two scores and interpolated. */
struct multiples {
    const struct taut_droptest_rule *rule;
    double scale, s2;
    double z0, k0, slope;
    double fixed; /* a fixed score instead, when positive */
};

static struct multiples multiples_of(const struct taut_droptest *test, double scale, double s2, double variance, double other,
                                     double freedom)
{
    struct multiples m = {.rule = &test->rule, .scale = scale, .s2 = s2};
    m.z0 = fmin(score(m.rule, variance * s2, scale), 7);
    m.k0 = multiple(test, m.z0, freedom);
    if (test->rule.mode == TAUT_TEST_EARLY) {
        double z1 = fmin(fmax(score(m.rule, other * s2, scale), m.z0 + 0.5), 7.5);
        m.slope = (multiple(test, z1, freedom) - m.k0) / (z1 - m.z0);
    }
    return m;
}

static double multiple_at(const struct multiples *m, double variance)
{
    if (m->fixed > 0)
        return m->fixed;
    double z = m->rule->mode == TAUT_TEST_FIXED ? m->z0 : score(m->rule, variance * m->s2, m->scale);
    return fmax(m->k0 + m->slope * (z - m->z0), 0.5);
}

static const double evidence = 2;       /* AICc by which a transient must be better */
static const double chance_gain = 4.5;  /* of a sum of squares in units of s2 */
static const double valley_step = 0.02; /* of log tau, for derivatives */

struct valley {
    struct rise_point before, after;
    double curvature; /* of rss over log tau */
    bool narrow;      /* the fit is as good as linear in log tau within the interval */
};

struct profile {
    const struct rise_system *system;
    const struct rise_point *point;
    int points;
    const struct rise_point *best; /* NULL: straight line */
    struct valley valley;
    double s2, rss_least;
    bool any_sign;         /* transients of either sign are allowed */
    double bias_per_error; /* quantisation: bias of the functional per root of its variance */
};

static double share_risen(const struct rise_point *point, double within_s)
{
    return within_s > 0 ? -expm1(-within_s / point->tau_s) : 0;
}

/* Where the valley of tau is narrow the linearised variance is exact enough and has no gaps between points. */
static void linearised(const struct profile *p, const struct multiples *m, double a, double within_s, struct droptest_bounds *out)
{
    const struct valley *v = &p->valley;
    struct rise_estimate e = rise_of_point(p->system, p->best, a, share_risen(p->best, within_s));
    double before = rise_of_point(p->system, &v->before, a, share_risen(&v->before, within_s)).value;
    double after = rise_of_point(p->system, &v->after, a, share_risen(&v->after, within_s)).value;
    double slope = (after - before) / (2 * valley_step);
    double variance = e.variance + slope * slope * 2 / v->curvature;
    double slack = pow(multiple_at(m, variance), 2) * p->s2 - (p->best->rss - p->rss_least);
    double half = sqrt(variance * fmax(slack, 0)) + p->bias_per_error * sqrt(e.variance);
    out->low = fmin(out->low, e.value - half);
    out->high = fmax(out->high, e.value + half);
}

/* Profile likelihood: for each tau the set of values is a parabola cut at the same height; the interval is their
 * union (Bates and Watts 1988, section 6.1). A transient gives gas off, so A >= 0; the straight line is A = 0. */
static void bounds(const struct profile *p, const struct multiples *m, double a, double within_s, struct droptest_bounds *out)
{
    struct rise_estimate line = rise_of_line(p->system, a);
    double k = multiple_at(m, line.variance), slack;
    double bias = p->bias_per_error * sqrt(line.variance);
    /* what the search over tau gains by chance is no evidence against the line */
    slack = k * k * p->s2 - fmax(0, p->system->rss - p->rss_least - chance_gain * p->s2);
    double plain = k * sqrt(line.variance * p->s2) + bias;
    out->low_line = line.value - plain;
    out->high_line = line.value + plain;
    out->low = INFINITY;
    out->high = -INFINITY;
    if (slack > 0) {
        double half = sqrt(line.variance * slack) + bias;
        out->low = line.value - half;
        out->high = line.value + half;
    }
    for (int i = 0; i < p->points; i++) {
        const struct rise_point *point = &p->point[i];
        if (point->singular)
            continue;
        struct rise_estimate e = rise_of_point(p->system, point, a, share_risen(point, within_s));
        k = multiple_at(m, e.variance);
        slack = k * k * p->s2 - (point->rss - p->rss_least);
        if (slack <= 0)
            continue;
        double half = sqrt(e.variance * slack), swing = e.with_amplitude / e.variance * half;
        bias = p->bias_per_error * sqrt(e.variance);
        if (p->any_sign || point->amplitude + swing >= 0)
            out->high = fmax(out->high, e.value + half + bias);
        if (p->any_sign || point->amplitude - swing >= 0)
            out->low = fmin(out->low, e.value - half - bias);
    }
    if (p->best && p->valley.narrow)
        linearised(p, m, a, within_s, out);
}

/* AICc (Hurvich and Tsai 1989) of a whitened fit with k parameters. */
static double criterion(double rss, double n, double k)
{
    return n * log(rss / n) + 2 * k + 2 * k * (k + 1) / fmax(n - k - 1, 0.5);
}

/* Around the best tau: points at shares of the half width that the interval can reach, and the curvature. */
static int look_around(const struct rise_system *system, const struct rise_point *best, double reach2, struct rise_point *out,
                       struct valley *valley)
{
    valley->before = rise_at(system, best->tau_s * exp(-valley_step));
    valley->after = rise_at(system, best->tau_s * exp(valley_step));
    valley->curvature = (valley->before.rss + valley->after.rss - 2 * best->rss) / (valley_step * valley_step);
    out[0] = *best;
    if (!(valley->curvature > 0))
        return 1;
    static const double share[SPREAD] = {-0.95, -0.65, -0.35, 0.35, 0.65, 0.95};
    double width = fmin(sqrt(2 * reach2 / valley->curvature), 1.5);
    valley->narrow = width < 0.5 && best->amplitude > 0;
    for (int i = 0; i < SPREAD; i++)
        out[1 + i] = rise_at(system, best->tau_s * exp(width * share[i]));
    return 1 + SPREAD;
}

/* A step of the converter hides up to half a step of pressure, unless noise carries the readings over several
 * steps (Widrow and Kollar 2008, Quantization Noise, chapter 19: the error left is exp(-2 pi^2 s^2/q^2) of it). */
static double hidden_pa(const struct taut_droptest *test, double noise_pa)
{
    double q = test->result.resolution_pa;
    double s2 = fmax(0, noise_pa * noise_pa - q * q / 4); /* q^2/4: a reading that toggles between two steps */
    return q > 0 ? 0.5 * q * exp(-19.7 * s2 / (q * q)) : 0;
}

static void noise_figures(struct taut_droptest *test, double long_run_pa2_s)
{
    struct taut_droptest_result *r = &test->result;
    if (test->n_difference == 0 || !(test->interval_s > 0))
        return;
    /* AR(1) with the long-run variance of the fit and the variance of the differences between readings */
    double difference = test->difference_sum / test->n_difference;
    double k = difference > 0 ? 2 * long_run_pa2_s / (test->interval_s * difference) : INFINITY;
    r->phi = isfinite(k) && k > 1e-9 ? (2 * k + 1 - sqrt(8 * k + 1)) / (2 * k) : 0;
    r->phi = fmin(fmax(r->phi, -0.9), 0.9999);
    r->noise_pa = sqrt(difference / (2 * (1 - r->phi)));
    r->resolution_pa = test->rule.resolution_pa > 0    ? test->rule.resolution_pa
                       : isfinite(test->step_least_pa) ? test->step_least_pa
                                                       : 0;
}

static double drift_pa_per_s(const struct taut_droptest *test, double p_pa)
{
    double temperature = isfinite(test->temperature_first_k) ? 0 : test->rule.temperature_drift_k_per_s;
    return test->rule.drift_pa_per_s + fabs(p_pa) * temperature / usual_temperature_k;
}

static void widen(struct droptest_bounds *b, double by)
{
    b->low -= by;
    b->low_line -= by;
    b->high += by;
    b->high_line += by;
    b->low_95 -= by;
    b->high_95 += by;
}

static void judge_form(const struct taut_droptest *test, const struct profile *p, double a, double within_s, double scale,
                       double freedom, double drift, struct droptest_bounds *out)
{
    struct rise_estimate line = rise_of_line(p->system, a), chosen = line;
    if (p->best)
        chosen = rise_of_point(p->system, p->best, a, share_risen(p->best, within_s));
    struct multiples m = multiples_of(test, scale, p->s2, line.variance, chosen.variance, freedom);
    bounds(p, &m, a, within_s, out);
    out->value = chosen.value;
    /* in the favoured model, whatever the sign of a transient: standard uncertainty and 95 % interval */
    struct profile favoured = *p;
    favoured.any_sign = true;
    if (!p->best) {
        favoured.points = 0;
        favoured.rss_least = p->system->rss;
    }
    struct droptest_bounds at;
    struct multiples fixed = {.fixed = multiple(test, 1, freedom)};
    bounds(&favoured, &fixed, a, within_s, &at);
    out->u = hypot(0.5 * (at.high - at.low), drift * (within_s > 0 ? within_s : 1) / sqrt(3));
    fixed.fixed = multiple(test, 1.959964, freedom);
    bounds(&favoured, &fixed, a, within_s, &at);
    out->low_95 = at.low;
    out->high_95 = at.high;
    widen(out, drift * (within_s > 0 ? within_s : 1));
}

void droptest_fit(struct taut_droptest *test, uint32_t n, struct droptest_fit *out)
{
    struct work w;
    struct rise_point point[POINTS], best = {0};
    load(&w, test, n);
    struct rise_colour colour = rise_colour(correlation[test->colour], test->per_block);
    rise_prepare(&w.system, &colour, w.t_s, w.p, n);
    const struct rise_system *s = &w.system;
    double gap_s = spacing_s(test, n);
    *out = (struct droptest_fit){.span_s = gap_s * n, .tau_s = NAN, .amplitude_pa = NAN};
    struct profile p = {.system = s, .point = point, .rss_least = s->rss};
    double freedom = (double)n - 2;
    if (n >= 8) {
        freedom = (double)n - 4;
        double least_s = fmax(2 * gap_s, out->span_s / 40), most_s = fmax(fmax(test->rule.test_s, out->span_s), 4 * least_s);
        rise_scan(s, least_s, most_s, point, SCAN, &best, 6);
        double floor2 = freedom * least_variance_pa2;
        double gain = criterion(fmax(s->rss, floor2), n, 3) - criterion(fmax(best.rss, floor2), n, 5);
        out->transient = gain > evidence && best.amplitude > 0;
        out->bends_upward = gain > 9 && best.amplitude < 0;
        out->unresolved = best.singular || best.tau_s > 0.99 * most_s;
        p.points = SCAN;
        if (best.amplitude > 0 || out->bends_upward)
            p.rss_least = fmin(p.rss_least, best.rss);
        p.s2 = fmax(p.rss_least / freedom, least_variance_pa2);
        p.points += look_around(s, &best, 7 * p.s2, point + SCAN, &p.valley);
        out->tau_s = best.tau_s;
    }
    p.s2 = fmax(p.rss_least / freedom, least_variance_pa2);
    p.any_sign = out->bends_upward;
    out->long_run_pa2_s = p.s2 * colour.long_run * gap_s;
    noise_figures(test, out->long_run_pa2_s);
    const struct rise_point *chosen = out->transient || out->bends_upward ? &best : NULL;
    p.best = chosen;
    out->runs_z = rise_runs_z(s, chosen);
    out->p0_pa = rise_start(s, chosen);
    out->amplitude_pa = chosen ? best.amplitude : NAN;
    struct rise_estimate line = rise_of_line(s, 1);
    double rate = chosen ? rise_of_point(s, chosen, 1, 0).value : line.value;
    double steps = fabs(rate) * out->span_s / fmax(test->result.resolution_pa, 1e-9);
    out->quantisation_pa_per_s = hidden_pa(test, test->result.noise_pa) * 3 / out->span_s * fmin(1, 1 / steps);
    p.bias_per_error = out->quantisation_pa_per_s / sqrt(line.variance);
    double drift = drift_pa_per_s(test, w.p[n - 1]), limit = test->rule.limit_pa_per_s;
    double rise_rate = test->rule.rise_limit_pa / test->rule.rise_within_s;
    judge_form(test, &p, 1, 0, isnan(limit) ? rise_rate : limit, freedom, drift, &out->rate);
    out->rise = (struct droptest_bounds){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    if (!isnan(test->rule.rise_limit_pa))
        judge_form(test, &p, test->rule.rise_within_s, test->rule.rise_within_s, test->rule.rise_limit_pa, freedom, drift,
                   &out->rise);
    out->model = !chosen                                ? TAUT_RISE_LINE
                 : out->rate.low <= 0 && out->transient ? TAUT_RISE_SATURATING
                                                        : TAUT_RISE_TRANSIENT_LINE;
}
