#include <math.h>
#include <string.h>

#include "judge/droptest_core.h"
#include "taut/stats.h"

enum { N = TAUT_DROPTEST_BLOCKS, SCAN = TAUT_DROPTEST_TAUS, SPREAD = 6, POINTS = SCAN + SPREAD + 1 };

/* Correlation times tried, in blocks: white, then wider by about two each. A geometric grid is the log-uniform prior
 * of a scale parameter; the blocks scale with the record, so the grid does too. */
static const double correlation[TAUT_DROPTEST_COLOURS] = {0, 0.2, 0.45, 0.9, 1.8, 3.6, 7, 13};
static const double longest_correlation_share = 1.0 / 7; /* of the record: slower is not noise any more */
static const double least_variance_pa2 = 0.1 * 0.1 / 12; /* readings are rounded to 0.1 Pa */
static const double sure_score = 5;                      /* for evidence about the valve: at every look of a test */
static const double usual_temperature_k = 293.15;

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

/* Plain orthogonal columns 1, u, transient at tau, its change with tau; share: slope on u inside each. y: residual. */
struct design {
    double column[RISE_COLUMNS][N], y[N];
    double share[RISE_COLUMNS];
    int columns;
};

static void sweep_out(struct design *d, double *x, double *share, uint32_t n, int columns)
{
    for (int k = 0; k < columns; k++) {
        double on = 0, square = 0;
        for (uint32_t i = 0; i < n; i++) {
            on += x[i] * d->column[k][i];
            square += d->column[k][i] * d->column[k][i];
        }
        for (uint32_t i = 0; i < n; i++)
            x[i] -= on / square * d->column[k][i];
        if (share)
            *share -= on / square * d->share[k];
    }
}

static void design_of(struct design *d, const struct taut_droptest_block *b, uint32_t n, bool bend, double tau_s)
{
    double middle_s = 0.5 * (b[0].t_s + b[n - 1].t_s), unit_s = 0.5 * (b[n - 1].t_s - b[0].t_s);
    d->columns = bend ? 4 : 2;
    for (uint32_t i = 0; i < n; i++) {
        d->column[0][i] = 1;
        d->column[1][i] = (b[i].t_s - middle_s) / unit_s;
        d->y[i] = b[i].p_pa - b[0].p_pa;
        if (d->columns > 2) {
            double x = (b[i].t_s - b[0].t_s) / tau_s;
            d->column[2][i] = exp(-x);
            d->column[3][i] = x * d->column[2][i];
        }
    }
    for (int k = 0; k < d->columns; k++) {
        d->share[k] = k == 1 ? 1 : 0;
        sweep_out(d, d->column[k], &d->share[k], n, k);
    }
    sweep_out(d, d->y, NULL, n, d->columns);
}

/* Restricted likelihood (Patterson and Thompson 1971) of each colour with the other parameters integrated out, and
 * the spread of the rate under it: what is not known of the noise then widens the interval as it should. */
void droptest_noise(struct taut_droptest *test, uint32_t n, int from, int to)
{
    struct design d;
    design_of(&d, test->block, n, test->transient, test->tau_start_s);
    const double *const column[RISE_COLUMNS] = {d.column[0], d.column[1], d.column[2], d.column[3]};
    double freedom = (double)n - d.columns;
    for (int k = from; k < to; k++) {
        test->log_belief[k] = -INFINITY;
        if (correlation[k] > longest_correlation_share * (double)n)
            continue;
        struct rise_colour colour = rise_colour(correlation[k], test->per_block);
        struct rise_restricted r = rise_restrict(&colour, column, d.columns, d.share, d.y, n);
        double rss = fmax(r.rss, freedom * least_variance_pa2);
        test->log_belief[k] = -0.5 * (r.log_det + r.log_information + freedom * log(rss));
        test->spread[k] = sqrt(r.variance * rss);
    }
}

/* Mean long-run variance over the colours, weighed by their likelihood; for a plan. */
double droptest_long_run_pa2_s(const struct taut_droptest_block *block, uint32_t n, uint32_t per_block)
{
    struct design d;
    double span_s = block[n - 1].t_s - block[0].t_s, log_belief[TAUT_DROPTEST_COLOURS], value[TAUT_DROPTEST_COLOURS];
    design_of(&d, block, n, true, span_s / 3); /* a pump-down bends; two terms follow any smooth bend */
    const double *const column[RISE_COLUMNS] = {d.column[0], d.column[1], d.column[2], d.column[3]};
    double freedom = (double)n - d.columns, highest = -INFINITY, sum = 0, mean = 0;
    for (int k = 0; k < TAUT_DROPTEST_COLOURS; k++) {
        log_belief[k] = -INFINITY;
        if (correlation[k] > longest_correlation_share * (double)n)
            continue;
        struct rise_colour colour = rise_colour(correlation[k], per_block);
        struct rise_restricted r = rise_restrict(&colour, column, d.columns, d.share, d.y, n);
        double rss = fmax(r.rss, freedom * least_variance_pa2);
        log_belief[k] = -0.5 * (r.log_det + r.log_information + freedom * log(rss));
        value[k] = rss / freedom * colour.long_run * span_s / (double)(n - 1);
        highest = fmax(highest, log_belief[k]);
    }
    for (int k = 0; k < TAUT_DROPTEST_COLOURS; k++) {
        if (!isfinite(log_belief[k]))
            continue;
        sum += exp(log_belief[k] - highest);
        mean += exp(log_belief[k] - highest) * value[k];
    }
    return mean / sum;
}

/* The mixture of t distributions that the beliefs make, as one t distribution with the same variance and kurtosis. */
void droptest_mix(struct taut_droptest *test, uint32_t n)
{
    double freedom = (double)n - (test->transient ? 4 : 2), sum = 0, square = 0, fourth = 0;
    test->colour = 0;
    for (int k = 1; k < TAUT_DROPTEST_COLOURS; k++)
        if (test->log_belief[k] > test->log_belief[test->colour])
            test->colour = k;
    for (int k = 0; k < TAUT_DROPTEST_COLOURS; k++) {
        double share = exp(test->log_belief[k] - test->log_belief[test->colour]);
        if (!(share > 0))
            continue;
        double s2 = pow(test->spread[k] / test->spread[test->colour], 2);
        sum += share;
        square += share * s2;
        fourth += share * s2 * s2;
    }
    square /= sum;
    fourth /= sum;
    test->mix_freedom = freedom;
    test->mix_scale = sqrt(square);
    if (freedom > 4.5) {
        double kurtosis = fourth / (square * square) * (freedom - 2) / (freedom - 4); /* in units of the normal's */
        test->mix_freedom = (4 * kurtosis - 2) / (kurtosis - 1);
        test->mix_scale = sqrt(square * freedom / (freedom - 2) * (test->mix_freedom - 2) / test->mix_freedom);
    }
}

/* Multiple of the standard error under the likeliest colour that is exceeded with the normal tail probability of z. */
static double multiple_at_score(const struct taut_droptest *test, double z)
{
    return test->mix_scale * taut_stats_t_of_normal(fmin(z, 12), test->mix_freedom);
}

/* Normal score at which an interval holds at every stopping time: mixture of normal alternatives with spread `scale`
 * (Robbins 1970), most of the risk on the distance that matters, some on wider ones, so that a gross leak is not held up
 * by a scale it does not fit; the best of them may be taken (union bound). Fixed mode: the plain one-sided quantile. */
double droptest_score(const struct taut_droptest_rule *rule, double variance, double scale)
{
    if (rule->mode == TAUT_TEST_FIXED)
        return taut_stats_normal_upper(rule->risk);
    static const struct {
        double share, factor;
    } mixture[] = {
        {0.8, 1 },
        {0.1, 8 },
        {0.1, 64}
    };
    double best = INFINITY, base = log(0.5 / rule->risk);
    for (size_t i = 0; i < sizeof mixture / sizeof mixture[0]; i++) {
        double g = pow(scale * mixture[i].factor, 2) / variance; /* information about that distance */
        best = fmin(best, 2 * (1 + g) / g * (base - log(mixture[i].share) + 0.5 * log1p(g)));
        if (g > 4)
            break; /* wider ones can only be worse */
    }
    return sqrt(best);
}

/* What widens: a decision (score by mode and variance) or a fixed score. */
struct widening {
    const struct taut_droptest *test;
    double scale, s2;
    double fixed_score; /* used when positive */
};

static double multiple_at(const struct widening *m, double variance)
{
    double z = m->fixed_score > 0 ? m->fixed_score : droptest_score(&m->test->rule, variance * m->s2, m->scale);
    return multiple_at_score(m->test, z);
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
static void linearised(const struct profile *p, const struct widening *m, double a, double within_s, struct droptest_bounds *out)
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
static void bounds(const struct profile *p, const struct widening *m, double a, double within_s, struct droptest_bounds *out)
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
static int look_around(const struct rise_system *system, const struct rise_point *best, double reach2, double most_s,
                       struct rise_point *out, struct valley *valley)
{
    valley->before = rise_at(system, best->tau_s * exp(-valley_step));
    valley->after = rise_at(system, best->tau_s * exp(valley_step));
    valley->curvature = (valley->before.rss + valley->after.rss - 2 * best->rss) / (valley_step * valley_step);
    out[0] = *best;
    if (!(valley->curvature > 0))
        return 1;
    static const double share[SPREAD] = {-0.9, -0.5, -0.2, 0.2, 0.5, 0.9};
    double width = fmin(sqrt(2 * reach2 / valley->curvature), 1.2);
    valley->narrow = width < 0.5 && best->amplitude > 0;
    for (int i = 0; i < SPREAD; i++)
        out[1 + i] = rise_at(system, fmin(best->tau_s * exp(width * share[i]), most_s));
    return 1 + SPREAD;
}

/* A step of the converter hides up to half a step of pressure, unless noise carries the readings over several
 * steps (Widrow and Kollar 2008, Quantization Noise, chapter 19: the error left is exp(-2 pi^2 s^2/q^2) of it). The
 * variance that the steps themselves add is then q^2/12; but a reading that merely toggles between two steps looks noisy
 * too, hence `lively`: the readings were seen to cover several steps. */
double droptest_hidden_pa(double q, double noise_pa, bool lively)
{
    double s2 = lively || noise_pa > q ? fmax(0, noise_pa * noise_pa - q * q / 12) : 0;
    return q > 0 ? 0.5 * q * exp(-19.7 * s2 / (q * q)) : 0;
}

/* phi of the AR(1) process with this long-run variance and this mean square of the differences between readings:
 * sigma^2 (1+phi)/(1-phi) dt and 2 sigma^2 (1-phi). */
double droptest_phi(double long_run_pa2_s, double difference, double interval_s)
{
    double k = difference > 0 ? 2 * long_run_pa2_s / (interval_s * difference) : INFINITY;
    double phi = isfinite(k) && k > 1e-9 ? (2 * k + 1 - sqrt(8 * k + 1)) / (2 * k) : 0;
    return fmin(fmax(phi, -0.9), 0.9999);
}

static void noise_figures(struct taut_droptest *test, double long_run_pa2_s)
{
    struct taut_droptest_result *r = &test->result;
    if (test->n_difference == 0 || !(test->interval_s > 0))
        return;
    double difference = test->difference_sum / test->n_difference;
    r->phi = droptest_phi(long_run_pa2_s, difference, test->interval_s);
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
                       double drift, struct droptest_bounds *out)
{
    struct widening decision = {.test = test, .scale = scale, .s2 = p->s2};
    bounds(p, &decision, a, within_s, out);
    out->value =
        p->best ? rise_of_point(p->system, p->best, a, share_risen(p->best, within_s)).value : rise_of_line(p->system, a).value;
    /* in the favoured model, whatever the sign of a transient: standard uncertainty and 95 % interval */
    struct profile favoured = *p;
    favoured.any_sign = true;
    if (!p->best) {
        favoured.points = 0;
        favoured.rss_least = p->system->rss;
    }
    struct droptest_bounds at;
    struct widening fixed = {.test = test, .s2 = p->s2, .fixed_score = 1};
    bounds(&favoured, &fixed, a, within_s, &at);
    out->u = hypot(0.5 * (at.high - at.low), drift * (within_s > 0 ? within_s : 1) / sqrt(3));
    fixed.fixed_score = 1.959964;
    bounds(&favoured, &fixed, a, within_s, &at);
    out->low_95 = at.low;
    out->high_95 = at.high;
    /* a leak only lets air in: a negative estimate that the interval does not insist on is no leak seen */
    if (p->best && !p->any_sign && out->value < 0 && at.high > 0)
        out->value = 0;
    widen(out, drift * (within_s > 0 ? within_s : 1));
}

static void prepare(struct work *w, const struct taut_droptest *test, uint32_t n)
{
    load(w, test, n);
    struct rise_colour colour = rise_colour(correlation[test->colour], test->per_block);
    rise_prepare(&w->system, &colour, w->t_s, w->p, n);
}

static struct tau_range {
    double least_s, most_s;
} range_of(const struct taut_droptest *test, uint32_t n)
{
    double gap_s = spacing_s(test, n), span_s = gap_s * n;
    double least_s = fmax(2 * gap_s, span_s / 40);
    return (struct tau_range){least_s, fmax(fmax(test->rule.test_s, span_s), 4 * least_s)};
}

/* Wide look over tau, kept for the fit that follows on the same blocks, and the start of its search. */
void droptest_scan(struct taut_droptest *test, uint32_t n)
{
    struct work w;
    struct rise_point point[SCAN];
    _Static_assert(sizeof point[0] <= sizeof test->tau_points[0], "a point fits its place");
    prepare(&w, test, n);
    struct tau_range range = range_of(test, n);
    size_t at = rise_scan(&w.system, range.least_s, range.most_s, point, SCAN);
    struct rise_point best =
        rise_golden(&w.system, point[at > 0 ? at - 1 : at].tau_s, point[at + 1 < SCAN ? at + 1 : at].tau_s, 4);
    test->tau_start_s = best.rss < point[at].rss ? best.tau_s : point[at].tau_s;
    for (size_t i = 0; i < SCAN; i++)
        memcpy(test->tau_points[i], &point[i], sizeof point[i]);
    test->scan_n = n;
}

/* To the bottom of the parabola through tau and its neighbours, twice. */
static struct rise_point bottom(const struct rise_system *s, double tau_s)
{
    struct rise_point best = rise_at(s, tau_s);
    double h = 0.05;
    for (int i = 0; i < 2; i++, h = valley_step) {
        struct rise_point a = rise_at(s, best.tau_s * exp(-h)), b = rise_at(s, best.tau_s * exp(h));
        double bend = a.rss + b.rss - 2 * best.rss;
        double shift = bend > 0 ? 0.5 * h * (a.rss - b.rss) / bend : 0;
        struct rise_point there = rise_at(s, best.tau_s * exp(fmin(fmax(shift, -4 * h), 4 * h)));
        if (there.rss < best.rss)
            best = there;
    }
    return best;
}

/* Points for the profile and the best among them. */
static int points_of(const struct taut_droptest *test, const struct rise_system *s, uint32_t n, struct rise_point *point,
                     struct rise_point *best, struct valley *valley)
{
    int count = 0;
    double most_s = range_of(test, n).most_s;
    *best = bottom(s, fmin(test->tau_start_s, most_s));
    if (best->tau_s > most_s)
        *best = rise_at(s, most_s);
    if (test->scan_n == n) {
        for (; count < SCAN; count++) {
            memcpy(&point[count], test->tau_points[count], sizeof point[count]);
            if (point[count].rss < best->rss)
                *best = point[count];
        }
    }
    double s2 = fmax(best->rss / ((double)n - 4), least_variance_pa2);
    /* as far as the deciding interval can reach: in early mode that is further the less is known */
    const struct taut_droptest_rule *rule = &test->rule;
    struct widening decision = {.test = test, .s2 = s2};
    decision.scale = isnan(rule->limit_pa_per_s) ? rule->rise_limit_pa / rule->rise_within_s : rule->limit_pa_per_s;
    double k = multiple_at(&decision, 2 * rise_of_point(s, best, 1, 0).variance);
    return count + look_around(s, best, fmin(fmax(7, k * k), 80) * s2, most_s, point + count, valley);
}

static void choose(const struct taut_droptest *test, const struct rise_system *s, uint32_t n, const struct rise_point *best,
                   struct droptest_fit *out)
{
    double floor2 = ((double)n - 4) * least_variance_pa2, count = (double)n;
    double gain = criterion(fmax(s->rss, floor2), count, 3) - criterion(fmax(best->rss, floor2), count, 5);
    out->transient = gain > evidence && best->amplitude > 0;
    /* stairs are no transient */
    if (test->result.resolution_pa > 0 && test->n_window_lively <= 0.5 * test->n_window)
        out->transient = out->transient && best->amplitude > 3 * test->result.resolution_pa;
    out->bends_upward = gain > 9 && best->amplitude < 0;
    out->unresolved = best->singular || best->tau_s > 0.99 * range_of(test, n).most_s;
}

/* Bias of the rate by the converter's steps: at worst half a step one way in the first half and the other way in the
 * second, 3 e / span for a line; a rise over many steps averages it away. */
static void quantise(const struct taut_droptest *test, const struct rise_system *s, struct profile *p, struct droptest_fit *out)
{
    double step_pa = test->result.resolution_pa, noise_pa = test->result.noise_pa;
    bool lively = test->n_window_lively > 0.5 * test->n_window;
    double hidden_pa = droptest_hidden_pa(step_pa, noise_pa, lively);
    struct rise_estimate line = rise_of_line(s, 1);
    double rate = p->best ? rise_of_point(s, p->best, 1, 0).value : line.value;
    double steps = fmin(fabs(rate), fabs(line.value)) * out->span_s / fmax(step_pa, 1e-9);
    out->stepped = hidden_pa > 0.5 * noise_pa;
    out->line_rise_pa = line.value * out->span_s;
    p->bias_per_error = hidden_pa * 3 / out->span_s * fmin(1, 1 / fmax(steps - 1, 1e-9)) / sqrt(line.variance);
    out->sure_multiple = multiple_at_score(test, sure_score);
    out->certain_rise_pa =
        (out->sure_multiple * sqrt(line.variance * p->s2) + p->bias_per_error * sqrt(line.variance)) * out->span_s;
}

void droptest_fit(struct taut_droptest *test, uint32_t n, struct droptest_fit *out)
{
    struct work w;
    struct rise_point point[POINTS], best = {0};
    prepare(&w, test, n);
    const struct rise_system *s = &w.system;
    double gap_s = spacing_s(test, n), freedom = (double)n - 2;
    *out = (struct droptest_fit){.span_s = gap_s * n, .tau_s = NAN, .amplitude_pa = NAN};
    struct profile p = {.system = s, .point = point, .rss_least = s->rss};
    if (n >= 8) {
        freedom = (double)n - 4;
        p.points = points_of(test, s, n, point, &best, &p.valley);
        choose(test, s, n, &best, out);
        if (best.amplitude > 0 || out->bends_upward)
            p.rss_least = fmin(p.rss_least, best.rss);
        test->narrow = p.valley.narrow && out->transient;
        out->incomplete = !test->narrow && test->scan_n != n; /* the wide look is needed after all */
        test->tau_start_s = best.tau_s;
    }
    p.s2 = fmax(p.rss_least / freedom, least_variance_pa2);
    p.any_sign = out->bends_upward;
    p.best = out->transient || out->bends_upward ? &best : NULL;
    out->long_run_pa2_s = p.s2 * rise_colour(correlation[test->colour], test->per_block).long_run * gap_s;
    noise_figures(test, out->long_run_pa2_s);
    out->runs_z = rise_runs_z(s, p.best);
    out->p0_pa = rise_start(s, p.best);
    if (p.best) {
        out->amplitude_pa = best.amplitude;
        out->tau_s = best.tau_s;
    }
    quantise(test, s, &p, out);
    const struct taut_droptest_rule *rule = &test->rule;
    double drift = drift_pa_per_s(test, w.p[n - 1]);
    double scale = isnan(rule->limit_pa_per_s) ? rule->rise_limit_pa / rule->rise_within_s : rule->limit_pa_per_s;
    judge_form(test, &p, 1, 0, scale, drift, &out->rate);
    out->rise = (struct droptest_bounds){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    if (!isnan(rule->rise_limit_pa))
        judge_form(test, &p, rule->rise_within_s, rule->rise_within_s, rule->rise_limit_pa, drift, &out->rise);
    out->model = !p.best                                ? TAUT_RISE_LINE
                 : out->rate.low <= 0 && out->transient ? TAUT_RISE_SATURATING
                                                        : TAUT_RISE_TRANSIENT_LINE;
}

double droptest_line_growth(const struct taut_droptest *test, uint32_t n)
{
    const struct taut_droptest_rule *rule = &test->rule;
    struct work w;
    prepare(&w, test, n);
    bool rate = !isnan(rule->limit_pa_per_s);
    double limit = rate ? rule->limit_pa_per_s : rule->rise_limit_pa, drift = drift_pa_per_s(test, w.p[n - 1]);
    double within_s = rate ? 1 : rule->rise_within_s;
    double s2 = fmax(w.system.rss / ((double)n - 2), least_variance_pa2);
    struct rise_estimate line = rise_of_line(&w.system, within_s);
    struct widening decision = {.test = test, .scale = limit, .s2 = s2};
    double half = multiple_at(&decision, line.variance) * sqrt(line.variance * s2), room = limit - drift * within_s - line.value;
    return room > 0 ? pow(half / room, 2.0 / 3) : INFINITY;
}
