#include "taut/change.h"

#include <math.h>
#include <string.h>

enum { KEEP = 10 }; /* candidates per octave of age are KEEP/2; spacing is at most age * 2 / KEEP */
static const double learnt_margin = 0.4;
static const double clip = 4.0; /* one wild bin may not pass for a change */

double taut_change_threshold(double false_alarm_s, double spacing_s)
{
    return log(fmax(false_alarm_s / spacing_s, 2.0)) + learnt_margin;
}

void taut_change_restart(struct taut_change *change)
{
    change->started = false;
    change->candidates = 0;
    change->bin = 0;
}

void taut_change_init(struct taut_change *change, const struct taut_noise *noise, double threshold, double least_ramp_pa_per_s,
                      double least_step_pa)
{
    memset(change, 0, sizeof *change);
    change->noise = *noise;
    change->threshold = threshold;
    change->least_ramp_pa_per_s = least_ramp_pa_per_s > 0 ? least_ramp_pa_per_s : 0;
    change->least_step_pa = least_step_pa > 0 ? least_step_pa : 0;
}

/* The first bin tells the level no better than its own noise. */
static void start(struct taut_change *change, double t_s, double mean)
{
    double v = change->noise.sigma_pa * change->noise.sigma_pa;
    taut_change_restart(change);
    change->started = true;
    change->level_pa = mean;
    change->ar_pa = 0;
    /* posterior after one reading of a diffuse level: level error and noise are opposite */
    change->p11 = v;
    change->p12 = -v;
    change->p22 = v;
    change->at_s = t_s;
}

/* Carry the state from at_s to t_s.  Returns the noise's correlation over the step. */
static double predict(struct taut_change *change, double t_s)
{
    const struct taut_noise *n = &change->noise;
    double dt = t_s - change->at_s, steps = dt / n->spacing_s;
    double phi = fabs(steps - 1) < 0.2 ? n->phi : pow(n->phi, steps);
    double v = n->sigma_pa * n->sigma_pa, w = n->wander_pa_per_sqrt_s;
    change->level_pa += change->trend_pa_per_s * dt;
    change->ar_pa *= phi;
    change->p11 += w * w * dt;
    change->p12 *= phi;
    change->p22 = phi * phi * change->p22 + (1 - phi * phi) * v;
    change->at_s = t_s;
    return phi;
}

/* Is a candidate of this age still on the grid?  Bin numbers with many trailing zeros live longer. */
static bool expired(uint32_t bin, uint32_t now)
{
    uint32_t life = KEEP;
    for (uint32_t b = bin; (b & 1u) == 0 && life < (1u << 20); b >>= 1)
        life <<= 1;
    return now - bin > life;
}

static void add_candidate(struct taut_change *change, double onset_s)
{
    if (change->candidates == TAUT_CHANGE_CANDIDATES) {
        int oldest = 0;
        for (int i = 1; i < change->candidates; i++)
            if (change->candidate[i].bin < change->candidate[oldest].bin)
                oldest = i;
        change->candidate[oldest] = change->candidate[--change->candidates];
    }
    change->candidate[change->candidates++] =
        (struct taut_change_candidate){.onset_s = onset_s, .level_pa = change->level_pa, .bin = change->bin};
}

/* Likelihood ratio of the best size that is at least `least`. */
static double evidence_of(double c, double d, double least)
{
    if (least <= 0 || c <= 0 || d <= 0)
        return 0;
    double size = fmax(c / d, least);
    return size * (c - 0.5 * size * d);
}

static void consider(struct taut_change_result *best, enum taut_change_kind kind, double evidence, double size,
                     const struct taut_change_candidate *from)
{
    if (evidence <= best->evidence)
        return;
    *best = (struct taut_change_result){kind, evidence, size, from->onset_s, from->level_pa};
}

static double innovation_variance(const struct taut_change *change, double scale)
{
    double v = change->noise.sigma_pa * change->noise.sigma_pa;
    return change->p11 + 2 * change->p12 + change->p22 + (scale - 1 + 1e-3) * v;
}

/* Take an innovation of the bin now predicted to.  Gains are returned; so is the innovation's variance. */
static double update(struct taut_change *change, double innovation, double *k1, double *k2, double scale)
{
    double s = innovation_variance(change, scale);
    double g1 = change->p11 + change->p12, g2 = change->p12 + change->p22;
    *k1 = g1 / s;
    *k2 = g2 / s;
    change->level_pa += *k1 * innovation;
    change->ar_pa += *k2 * innovation;
    change->p11 -= *k1 * g1;
    change->p12 -= *k1 * g2;
    change->p22 -= *k2 * g2;
    return s;
}

/* One bin's innovation e (variance s) seen by a candidate: what a unit change since its onset would have added. */
static void carry(struct taut_change_candidate *c, double t_s, double phi, double k1, double k2, double e, double s)
{
    c->ramp_noise *= phi;
    c->step_noise *= phi;
    double ramp = (t_s - c->onset_s) - c->ramp_level - c->ramp_noise;
    double step = 1 - c->step_level - c->step_noise;
    c->ramp_level += k1 * ramp;
    c->ramp_noise += k2 * ramp;
    c->step_level += k1 * step;
    c->step_noise += k2 * step;
    c->ramp_c += ramp * e / s;
    c->ramp_d += ramp * ramp / s;
    c->step_c += step * e / s;
    c->step_d += step * step / s;
}

struct taut_change_result taut_change_push(struct taut_change *change, double t_s, double mean_pa, double scale)
{
    struct taut_change_result best = {.kind = TAUT_CHANGE_NONE};
    if (!change->started) {
        start(change, t_s, mean_pa);
        return best;
    }
    add_candidate(change, change->at_s);
    double phi = predict(change, t_s), k1, k2;
    double bound = clip * sqrt(innovation_variance(change, scale));
    double e = fmin(fmax(mean_pa - change->level_pa - change->ar_pa, -bound), bound);
    double s = update(change, e, &k1, &k2, scale);
    double down = 0;
    change->bin++;
    for (int i = 0; i < change->candidates;) {
        struct taut_change_candidate *c = &change->candidate[i];
        if (expired(c->bin, change->bin)) {
            *c = change->candidate[--change->candidates];
            continue;
        }
        i++;
        carry(c, t_s, phi, k1, k2, e, s);
        consider(&best, TAUT_CHANGE_RAMP, evidence_of(c->ramp_c, c->ramp_d, change->least_ramp_pa_per_s), c->ramp_c / c->ramp_d,
                 c);
        consider(&best, TAUT_CHANGE_STEP, evidence_of(c->step_c, c->step_d, change->least_step_pa), c->step_c / c->step_d, c);
        if (c->step_c < 0)
            down = fmax(down, 0.5 * c->step_c * c->step_c / c->step_d);
    }
    if (best.evidence < change->threshold)
        best.kind = down > change->threshold ? TAUT_CHANGE_DOWN : TAUT_CHANGE_NONE;
    return best;
}

/* The filter's gains once it has settled; returns the innovation's variance. */
static double settle(struct taut_change *change, double *k1, double *k2)
{
    double s = 1;
    for (int i = 1; i <= 4000; i++) {
        double before = change->p11;
        predict(change, i * change->noise.spacing_s);
        s = update(change, 0, k1, k2, 1);
        if (i > 50 && fabs(change->p11 - before) < 1e-9 * before)
            break;
    }
    return s;
}

double taut_change_delay_s(const struct taut_noise *noise, enum taut_change_kind kind, double size, double lag_s,
                           double information, double most_s)
{
    struct taut_change change;
    taut_change_init(&change, noise, 1, 1, 1);
    start(&change, 0, 0);
    double k1 = 0, k2 = 0, s = settle(&change, &k1, &k2), level = 0, ar = 0, sum = 0, dt = noise->spacing_s;
    for (double t = dt; t <= most_s; t += dt) {
        double signal = kind == TAUT_CHANGE_RAMP ? size * t : size * (lag_s > 0 ? 1 - exp(-t / lag_s) : 1);
        ar *= noise->phi;
        double g = signal - level - ar, more = 0.5 * g * g / s;
        level += k1 * g;
        ar += k2 * g;
        if (sum + more >= information)
            return t - dt * (1 - (information - sum) / more);
        sum += more;
    }
    return INFINITY;
}
