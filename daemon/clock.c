#include "clock.h"

#include <time.h>

static double factor = 1.0;
static int64_t base_real_ns, base_wall_ns; /* set with the factor, before any thread */

static int64_t read_clock(clockid_t id)
{
    struct timespec t;
    clock_gettime(id, &t);
    return (int64_t)t.tv_sec * INT64_C(1000000000) + t.tv_nsec;
}

void tautd_clock_set_factor(double f)
{
    factor = f;
    base_real_ns = read_clock(CLOCK_MONOTONIC);
    base_wall_ns = read_clock(CLOCK_REALTIME);
}

double tautd_clock_factor(void)
{
    return factor;
}

int64_t tautd_clock_real_ns(void)
{
    return read_clock(CLOCK_MONOTONIC);
}

int64_t tautd_clock_mono_ns(void)
{
    int64_t real = read_clock(CLOCK_MONOTONIC);
    return factor == 1.0 ? real : base_real_ns + (int64_t)((double)(real - base_real_ns) * factor);
}

int64_t tautd_clock_wall_ns(void)
{
    if (factor == 1.0)
        return read_clock(CLOCK_REALTIME);
    return base_wall_ns + (int64_t)((double)(read_clock(CLOCK_MONOTONIC) - base_real_ns) * factor);
}

int64_t tautd_clock_real_deadline_ns(int64_t mono_ns)
{
    return factor == 1.0 ? mono_ns : base_real_ns + (int64_t)((double)(mono_ns - base_real_ns) / factor);
}
