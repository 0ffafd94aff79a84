/* Is the sensor itself believable?  Readings that carry quality "good" may still be frozen, far noisier than they were
 * in the quiet hold, or below what any pump reaches (swapped registers). Until it is believable again nothing is judged. */
#include <math.h>
#include <stdio.h>

#include "judge/watch_parts.h"
#include "taut/units.h"

static const double quick_weight = 0.05, learn_samples = 2000, clip = 100;
static const double noisy_ratio = 36; /* six times the standard deviation */
static const double frozen_s = 3, recovered_s = 5;
static const double implausible_pa = 1.0, ordinary_pa = 10.0;
enum { WARM = 100, FROZEN_READINGS = 20, FROZEN_TIMES = 4 };

/* Mean squares of second differences: slow while the bag is quiet, quick always. */
static void follow_noise(struct taut_watch_sensor *s, double p_pa, bool quiet)
{
    double second = p_pa - 2 * s->before[1] + s->before[0], sq = second * second;
    s->before[0] = s->before[1];
    s->before[1] = p_pa;
    if (s->n < 2)
        return;
    if (s->learnt > WARM)
        sq = fmin(sq, clip * s->usual_sq);
    s->quick_sq += quick_weight * (sq - s->quick_sq);
    if (!quiet)
        return;
    s->usual_sq += (sq - s->usual_sq) / fmin(s->learnt + 1, learn_samples);
    s->learnt++;
}

static void follow_run(struct taut_watch_sensor *s, double t_s, double p_pa, bool quiet)
{
    if (s->n > 0 && p_pa == s->last_pa) {
        s->run++;
    } else {
        s->run = 0;
        s->run_from_s = t_s;
    }
    s->last_pa = p_pa;
    if (quiet && s->run > s->longest_run)
        s->longest_run = s->run;
}

static const char *complaint(const struct taut_watch_sensor *s, double t_s, double p_pa)
{
    uint32_t many = FROZEN_TIMES * s->longest_run > FROZEN_READINGS ? FROZEN_TIMES * s->longest_run : FROZEN_READINGS;
    if (s->learnt < WARM)
        return NULL;
    if (p_pa < implausible_pa && s->usual_pa > ordinary_pa)
        return "reads below what any pump reaches";
    if (s->run >= many && t_s - s->run_from_s >= frozen_s)
        return "has not changed by one bit";
    if (s->quick_sq > noisy_ratio * fmax(s->usual_sq, 0.01))
        return "is far noisier than in the quiet hold";
    return NULL;
}

bool taut_watch_sensor_believed(struct taut_watch *watch, double t_s, double p_pa)
{
    struct taut_watch_sensor *s = &watch->sensor;
    bool quiet = watch->hold == TAUT_HOLD_LEARN && !watch->lost;
    follow_noise(s, p_pa, quiet);
    follow_run(s, t_s, p_pa, quiet);
    if (quiet)
        s->usual_pa += 0.01 * (p_pa - s->usual_pa);
    s->n++;
    const char *what = complaint(s, t_s, p_pa);
    if (what == NULL)
        return true;
    taut_watch_sensor_blame(watch, t_s, TAUT_CAUSE_SENSOR, what, p_pa);
    return false;
}

double taut_watch_sensor_scale(const struct taut_watch *watch)
{
    const struct taut_watch_sensor *s = &watch->sensor;
    double ratio = s->learnt < WARM ? 1 : s->quick_sq / fmax(s->usual_sq, 0.01);
    return ratio > 4 ? ratio : 1; /* what chance makes of twenty readings stays below */
}

void taut_watch_sensor_blame(struct taut_watch *watch, double t_s, enum taut_cause cause, const char *what, double p_pa)
{
    struct taut_watch_finding *f = &watch->finding;
    watch->sensor.trouble_s = t_s;
    f->cause = cause;
    f->confidence = 0.95;
    if (isfinite(p_pa))
        snprintf(f->evidence, sizeof f->evidence, "the bag's sensor %s: %.3f mbar", what, taut_mbar(p_pa));
    else
        snprintf(f->evidence, sizeof f->evidence, "the bag's sensor %s", what);
}

bool taut_watch_sensor_recovered(const struct taut_watch *watch, double t_s)
{
    return t_s - watch->sensor.trouble_s > recovered_s;
}
