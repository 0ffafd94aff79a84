#include "taut/drawdown.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#include "judge/drawdown_core.h"
#include "taut/units.h"

/* The numbers below are our own choices, tried in tests/unit/test_drawdown.c; there is no published rule. */
#define FIRST_WIDTH_S     0.1   /* width of the first bins */
#define REFIT_S           0.5   /* readings' time between fits, at first ... */
#define REFIT_FRAC        0.005 /* ... and as a share of the time seen ... */
#define REFIT_MOST_S      5.0   /* ... but never more */
#define EARLY_S           2.0   /* nothing is said before */
#define LEAST_POINTS      10    /* in the judged half */
#define NOT_BEGUN_FRAC    0.97  /* of the highest pressure: above this the fall has not begun */
#define ATMOSPHERIC_PA    70000.0
#define FLAT_TIMES        4.0  /* the longest allowed time: a bag that needs more at its present pace is flat */
#define SEEN_S            2.0  /* it must look levelled for so long, or half a tau, before that is said */
#define STEADY_S          5.0  /* and for so long, or one tau, before it is called not holding */
#define FALLS_U           4.0  /* standard uncertainties of the slope that show a fall */
#define FELL_SD           10.0 /* or scatters by which the judged half fell */
#define DRIFT_FRAC        0.05 /* a foreseen ultimate pressure that keeps falling by this share is none */
#define DOUBTS            4    /* fits in a row that see it fall again end a levelling */
#define RECENT            8    /* means in which a rise is looked for */
#define EXTRAPOLATED_FRAC 0.2  /* of what is still to come counts as uncertainty of the ultimate pressure */
#define SLOW_LINE_RATIO   3.0  /* of the time constants now and at first */
#define CURVATURE_LEAST   0.5  /* spans of time constant that the judged half must hold to show the ultimate pressure */

double taut_drawdown_pressure_pa(double p0_pa, double ultimate_pa, double tau_s, double t_s)
{
    return ultimate_pa + (p0_pa - ultimate_pa) * exp(-t_s / tau_s);
}

double taut_drawdown_time_s(double p0_pa, double target_pa, double ultimate_pa, double tau_s)
{
    if (p0_pa <= target_pa)
        return 0;
    if (!(target_pa > ultimate_pa))
        return (double)INFINITY;
    return tau_s * log((p0_pa - ultimate_pa) / (target_pa - ultimate_pa));
}

double taut_drawdown_equilibrium_pa(double ultimate_pa, double leak_pa_m3_per_s, double speed_m3_per_s)
{
    return ultimate_pa + leak_pa_m3_per_s / speed_m3_per_s;
}

struct words {
    const char *word, *text;
};

static struct words words_of(enum taut_drawdown_state state)
{
    switch (state) {
    case TAUT_DRAWDOWN_EARLY:
        return (struct words){"early", "too early to say"};
    case TAUT_DRAWDOWN_NOT_BEGUN:
        return (struct words){"not-begun",
                              "still at room pressure: if the film is no longer being drawn in, check that the pump runs "
                              "and that the valve and the line to the bag are open"};
    case TAUT_DRAWDOWN_FALLING:
        return (struct words){"falling", "coming down"};
    case TAUT_DRAWDOWN_SLOW_LINE:
        return (struct words){"slow-line",
                              "coming down ever more slowly, as through a slow line: draw a large bag through the feed "
                              "line first and change to the slow vent line near the end"};
    case TAUT_DRAWDOWN_LEVELLING:
        return (struct words){"levelling",
                              "levelling off above the target: look for a leak, a weak pump, or moisture (water boils "
                              "near 23 mbar at 20 degC)"};
    case TAUT_DRAWDOWN_NOT_HOLDING:
        return (struct words){"not-holding",
                              "not holding: gross leak or an open line; listen along the seal and check that the feed "
                              "lines are clamped"};
    case TAUT_DRAWDOWN_RISING:
        return (struct words){"rising", "pressure goes up: pump stopped, line open, or bag opened"};
    case TAUT_DRAWDOWN_REACHED:
        return (struct words){"reached", "target reached"};
    case TAUT_DRAWDOWN_STATES:
        break;
    }
    return (struct words){"unknown", "unknown"};
}

const char *taut_drawdown_word(enum taut_drawdown_state state)
{
    return words_of(state).word;
}

const char *taut_drawdown_text(enum taut_drawdown_state state)
{
    return words_of(state).text;
}

static void forget(struct taut_drawdown *d)
{
    d->started = false;
    d->bins = 0;
    d->level_ns = 0;
    d->doubts = 0;
    d->width_s = FIRST_WIDTH_S;
    d->result = (struct taut_drawdown_result){.state = TAUT_DRAWDOWN_EARLY};
    double *unknown[] = {&d->result.slope_pa_per_s,
                         &d->result.u_slope_pa_per_s,
                         &d->result.ultimate_pa,
                         &d->result.u_ultimate_pa,
                         &d->result.tau_s,
                         &d->result.early_tau_s,
                         &d->result.to_target_s,
                         &d->result.to_target_low_s,
                         &d->result.to_target_high_s,
                         &d->result.noise_pa};
    for (size_t i = 0; i < sizeof unknown / sizeof unknown[0]; i++)
        *unknown[i] = (double)NAN;
}

enum taut_status taut_drawdown_init(struct taut_drawdown *d, double target_pa, double max_s)
{
    if (!isfinite(target_pa) || !(target_pa > 0) || !isfinite(max_s) || !(max_s > 0))
        return TAUT_E_ARG;
    memset(d, 0, sizeof *d);
    d->target_pa = target_pa;
    d->max_s = max_s;
    forget(d);
    d->result.p_pa = d->result.highest_pa = (double)NAN;
    return TAUT_OK;
}

static void merge_bins(struct taut_drawdown *d)
{
    int kept = 0;
    for (int i = 0; i + 1 < d->bins; i += 2, kept++) {
        double a = (double)d->weight[i], b = (double)d->weight[i + 1];
        d->t_s[kept] = (a * d->t_s[i] + b * d->t_s[i + 1]) / (a + b);
        d->p_pa[kept] = (a * d->p_pa[i] + b * d->p_pa[i + 1]) / (a + b);
        d->weight[kept] = (float)(a + b);
    }
    d->bins = kept;
    d->width_s *= 2;
}

/* The last bin is open: it takes readings until one comes that lies a width past its mean's first half. */
static void store(struct taut_drawdown *d, double t_s, double p_pa)
{
    int last = d->bins - 1;
    if (last >= 0 && floor(t_s / d->width_s) <= floor(d->t_s[last] / d->width_s)) {
        double n = (double)d->weight[last] + 1;
        d->t_s[last] += (t_s - d->t_s[last]) / n;
        d->p_pa[last] += (p_pa - d->p_pa[last]) / n;
        d->weight[last] = (float)n;
        return;
    }
    if (d->bins == TAUT_DRAWDOWN_BINS)
        merge_bins(d);
    d->t_s[d->bins] = t_s;
    d->p_pa[d->bins] = p_pa;
    d->weight[d->bins++] = 1;
}

/* Means from number `first` on. */
static struct drawdown_span span_from(const struct taut_drawdown *d, int first)
{
    return (struct drawdown_span){d->t_s + first, d->p_pa + first, d->bins - first, d->t_s[d->bins - 1] - d->t_s[first]};
}

/* Where the fall began: the last mean that still lies near the highest pressure. */
static int fall_begin(const struct taut_drawdown *d)
{
    int i = d->bins - 1;
    while (i > 0 && d->p_pa[i] < NOT_BEGUN_FRAC * d->result.highest_pa)
        i--;
    return i;
}

static struct drawdown_span judged_half(const struct taut_drawdown *d, int begin)
{
    double half_s = (d->t_s[begin] + d->t_s[d->bins - 1]) / 2;
    int first = begin;
    while (first < d->bins - LEAST_POINTS && d->t_s[first] < half_s)
        first++;
    return span_from(d, first);
}

/* Of the ultimate pressure; a share of what is still to come counts too, since no pump keeps its speed to the end. */
static double asymptote_u(const struct drawdown_span *s, const struct drawdown_curve *c)
{
    double to_come = EXTRAPOLATED_FRAC * c->b * exp(-c->rate * s->length_s);
    return hypot(drawdown_parameter_u(s, c, 3, DRAWDOWN_ASYMPTOTE), to_come);
}

struct picture {
    struct drawdown_span half;
    struct drawdown_line line;     /* last half of the judged half */
    struct drawdown_curve fall;    /* exponential */
    struct drawdown_curve slowing; /* hyperbola */
    double u_ultimate;
    bool bends; /* the ultimate pressure can be seen */
};

static struct picture look(const struct taut_drawdown *d, int begin)
{
    struct picture p = {.half = judged_half(d, begin)};
    int first = p.half.n / 2;
    if (p.half.n - first < LEAST_POINTS / 2)
        first = p.half.n - LEAST_POINTS / 2;
    struct drawdown_span recent = {p.half.t_s + first, p.half.p_pa + first, p.half.n - first, 0};
    p.line = drawdown_fit_line(&recent);
    p.fall = drawdown_fit(&p.half, drawdown_exponential);
    p.slowing = drawdown_fit(&p.half, drawdown_hyperbola);
    p.u_ultimate = asymptote_u(&p.half, &p.fall);
    p.bends = p.fall.rate * p.half.length_s >= CURVATURE_LEAST && p.fall.b > 0 && isfinite(p.u_ultimate) &&
              p.fall.rss < 0.7 * p.slowing.rss;
    return p;
}

/* Time constant over the first halving, with the ultimate pressure taken as small beside it. */
static void note_early_tau(struct taut_drawdown *d, int begin)
{
    struct taut_drawdown_result *r = &d->result;
    if (!isnan(r->early_tau_s) || !(d->p_pa[d->bins - 1] < 0.5 * d->p_pa[begin]))
        return;
    r->early_tau_s = (d->t_s[d->bins - 1] - d->t_s[begin]) / log(d->p_pa[begin] / d->p_pa[d->bins - 1]);
}

static void foresee(struct taut_drawdown *d, const struct picture *p)
{
    struct taut_drawdown_result *r = &d->result;
    double fastest = r->slope_pa_per_s - 2 * r->u_slope_pa_per_s;
    double tau_now_s = r->slope_pa_per_s < 0 ? -r->p_pa / r->slope_pa_per_s : (double)INFINITY;
    double straight_s = r->p_pa <= d->target_pa ? 0 : fastest < 0 ? (r->p_pa - d->target_pa) / -fastest : (double)INFINITY;
    r->ultimate_pa = r->u_ultimate_pa = (double)NAN;
    r->tau_s = isfinite(tau_now_s) ? tau_now_s : (double)NAN;
    r->to_target_low_s = straight_s;
    r->to_target_s = taut_drawdown_time_s(r->p_pa, d->target_pa, 0, tau_now_s);
    r->to_target_high_s = (double)NAN;
    if (p->bends) {
        r->ultimate_pa = p->fall.a;
        r->u_ultimate_pa = p->u_ultimate;
        r->tau_s = 1 / p->fall.rate;
        r->to_target_s = taut_drawdown_time_s(r->p_pa, d->target_pa, r->ultimate_pa, r->tau_s);
        r->to_target_low_s =
            taut_drawdown_time_s(r->p_pa, d->target_pa, fmax(r->ultimate_pa - 2 * r->u_ultimate_pa, 0), r->tau_s);
        r->to_target_high_s = taut_drawdown_time_s(r->p_pa, d->target_pa, r->ultimate_pa + 2 * r->u_ultimate_pa, r->tau_s);
    } else if (p->slowing.rss < p->fall.rss && p->slowing.rate > 0) {
        double whole_s = (p->slowing.a / d->target_pa - 1) / p->slowing.rate;
        r->to_target_s = fmax(whole_s - p->half.length_s, 0);
        r->to_target_high_s = 2 * r->to_target_s;
    }
}

static bool rises(const struct taut_drawdown *d)
{
    struct drawdown_span recent = span_from(d, d->bins - RECENT);
    struct drawdown_line line = drawdown_fit_line(&recent);
    double climbed = line.end_pa - d->lowest_pa;
    return line.slope > 3 * line.u_slope && climbed > 5 * line.sd && climbed > fmax(0.02 * line.end_pa, 50);
}

static double far_from(double target_pa)
{
    return fmax(3 * target_pa, target_pa + 40 * TAUT_PA_PER_MBAR);
}

/* Where the pressure will stay at the least, by the look of it now; 0 when that does not show above the target. */
static double least_level_pa(const struct taut_drawdown *d, const struct picture *p, bool flat)
{
    const struct taut_drawdown_result *r = &d->result;
    double level_pa = flat ? r->p_pa : p->bends ? r->ultimate_pa - 2 * r->u_ultimate_pa : 0;
    return level_pa > d->target_pa ? level_pa : 0;
}

/* Pace at which the level itself falls, Pa/s: a far end that still empties through a line, which no leak does. */
struct pace {
    double slowest, fastest; /* two standard uncertainties to either side */
};

static struct pace level_pace(const struct picture *p)
{
    struct drawdown_curve c = drawdown_fit(&p->half, drawdown_drifting);
    double u = drawdown_parameter_u(&p->half, &c, 4, DRAWDOWN_DRIFT);
    return (struct pace){(c.c + 2 * u) / p->half.length_s, (c.c - 2 * u) / p->half.length_s};
}

static bool too_slow(const struct taut_drawdown *d, double level_pa, double pace)
{
    return !(pace < 0) || (level_pa - d->target_pa) / -pace > d->max_s;
}

/* Is it plainly on its way, and fast enough to matter? */
static bool falls(const struct taut_drawdown *d, const struct picture *p)
{
    const struct taut_drawdown_result *r = &d->result;
    bool seen = r->slope_pa_per_s < -FALLS_U * r->u_slope_pa_per_s || p->half.p_pa[0] - r->p_pa > FELL_SD * r->noise_pa;
    return seen && (r->p_pa - d->target_pa) / -r->slope_pa_per_s < d->max_s;
}

/* For how long the pressure has looked as if it levels off above the target, s; 0 when it does not. A level that is
 * foreseen lower and lower belongs to a slow line, not to a leak: then the wait begins anew. */
static double levelled_s(struct taut_drawdown *d, const struct picture *p, bool now)
{
    const struct taut_drawdown_result *r = &d->result;
    if (now) {
        double foreseen_pa = p->bends ? r->ultimate_pa : r->p_pa;
        if (d->level_ns == 0 || foreseen_pa < (1 - DRIFT_FRAC) * d->level_pa) {
            d->level_ns = d->last_ns;
            d->level_pa = foreseen_pa;
        }
        d->doubts = 0;
    } else if (falls(d, p) && ++d->doubts >= DOUBTS) {
        d->level_ns = 0;
    }
    return d->level_ns == 0 ? 0 : taut_seconds(d->last_ns - d->level_ns);
}

static enum taut_drawdown_state judge_level(struct taut_drawdown *d, const struct picture *p, bool flat)
{
    const struct taut_drawdown_result *r = &d->result;
    double level_pa = least_level_pa(d, p, flat);
    struct pace pace = {0, 0};
    if (level_pa > 0 && !flat)
        pace = level_pace(p);
    bool levels = level_pa > 0 && too_slow(d, level_pa, pace.slowest);
    double looks_s = levelled_s(d, p, levels);
    double tau_s = p->bends ? fmin(1 / p->fall.rate, r->elapsed_s / 2) : 0;
    bool was = r->state == TAUT_DRAWDOWN_LEVELLING || r->state == TAUT_DRAWDOWN_NOT_HOLDING;
    if (looks_s > 0 && was && (!levels || (r->state == TAUT_DRAWDOWN_NOT_HOLDING && r->p_pa > far_from(d->target_pa))))
        return r->state;
    if (!levels || looks_s < fmax(SEEN_S, tau_s / 2)) {
        bool slower = r->tau_s > SLOW_LINE_RATIO * r->early_tau_s; /* false while one is not known */
        return slower ? TAUT_DRAWDOWN_SLOW_LINE : TAUT_DRAWDOWN_FALLING;
    }
    bool sure = level_pa > far_from(d->target_pa) && looks_s >= fmax(STEADY_S, tau_s) && too_slow(d, level_pa, pace.fastest);
    return sure ? TAUT_DRAWDOWN_NOT_HOLDING : TAUT_DRAWDOWN_LEVELLING;
}

static enum taut_drawdown_state judge(struct taut_drawdown *d, const struct picture *p)
{
    const struct taut_drawdown_result *r = &d->result;
    if (r->p_pa <= d->target_pa || (r->state == TAUT_DRAWDOWN_REACHED && r->p_pa < 1.05 * d->target_pa))
        return TAUT_DRAWDOWN_REACHED;
    if (rises(d))
        return TAUT_DRAWDOWN_RISING;
    /* even if it kept its present pace, which no curve does */
    double fastest = r->slope_pa_per_s - 2 * r->u_slope_pa_per_s;
    bool flat = !(fastest < 0) || (r->p_pa - d->target_pa) / -fastest > FLAT_TIMES * d->max_s;
    if (r->p_pa > NOT_BEGUN_FRAC * r->highest_pa && r->highest_pa > ATMOSPHERIC_PA) {
        bool falls = r->slope_pa_per_s < -FALLS_U * r->u_slope_pa_per_s && !flat;
        bool waits = flat && r->elapsed_s >= STEADY_S;
        return waits || (r->state == TAUT_DRAWDOWN_NOT_BEGUN && !falls) ? TAUT_DRAWDOWN_NOT_BEGUN : TAUT_DRAWDOWN_FALLING;
    }
    return judge_level(d, p, flat);
}

static void refit(struct taut_drawdown *d)
{
    struct taut_drawdown_result *r = &d->result;
    d->fit_ns = d->last_ns;
    if (d->bins < LEAST_POINTS || r->elapsed_s < EARLY_S) {
        r->p_pa = d->p_pa[d->bins - 1];
        if (r->p_pa <= d->target_pa)
            r->state = TAUT_DRAWDOWN_REACHED;
        return;
    }
    int begin = fall_begin(d);
    note_early_tau(d, begin);
    struct picture p = look(d, d->bins - begin >= LEAST_POINTS ? begin : 0);
    r->p_pa = p.fall.a + p.fall.b * exp(-p.fall.rate * p.half.length_s);
    d->lowest_pa = fmin(d->lowest_pa, r->p_pa);
    r->slope_pa_per_s = p.line.slope;
    r->u_slope_pa_per_s = p.line.u_slope;
    r->noise_pa = sqrt(p.fall.rss / (p.half.n - 3));
    foresee(d, &p);
    r->state = judge(d, &p);
    if (r->state == TAUT_DRAWDOWN_RISING && 3 * (r->p_pa - d->lowest_pa) > r->highest_pa - d->lowest_pa) {
        double p_pa = r->p_pa;
        forget(d);
        r->p_pa = r->highest_pa = p_pa;
        r->state = TAUT_DRAWDOWN_RISING; /* until there is more to say */
    }
}

static bool is_due(const struct taut_drawdown *d, double p_pa)
{
    bool there = p_pa <= d->target_pa && d->result.state != TAUT_DRAWDOWN_REACHED;
    double wait_s = fmin(fmax(REFIT_S, REFIT_FRAC * d->result.elapsed_s), REFIT_MOST_S);
    return there || d->bins < LEAST_POINTS || taut_seconds(d->last_ns - d->fit_ns) >= wait_s;
}

const struct taut_drawdown_result *taut_drawdown_push(struct taut_drawdown *d, int64_t t_ns, double p_pa)
{
    struct taut_drawdown_result *r = &d->result;
    if (!isfinite(p_pa) || (d->started && t_ns < d->last_ns))
        return r;
    if (!d->started) {
        d->started = true;
        d->start_ns = t_ns;
        d->fit_ns = t_ns;
        d->lowest_pa = r->highest_pa = p_pa;
    }
    d->last_ns = t_ns;
    r->elapsed_s = taut_seconds(t_ns - d->start_ns);
    r->highest_pa = fmax(r->highest_pa, p_pa);
    store(d, r->elapsed_s, p_pa);
    if (is_due(d, p_pa))
        refit(d);
    return r;
}
