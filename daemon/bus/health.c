#include "bus/health.h"

#define SECOND INT64_C(1000000000)

bool tautd_health_good(struct tautd_health *health, int64_t took_ns)
{
    bool back = health->away;
    health->failures = 0;
    health->away = false;
    health->tries = 0;
    if (took_ns > health->slowest_ns)
        health->slowest_ns = took_ns;
    return back;
}

bool tautd_health_failed(struct tautd_health *health, enum taut_reason reason, uint8_t exception)
{
    health->reason = reason;
    health->exception = exception;
    health->failures++;
    if (health->away || health->failures < TAUTD_AWAY_AFTER)
        return false;
    health->away = true;
    return true;
}

int64_t tautd_health_pause_ns(int64_t cost_ns, int away, int present, int64_t most_ns)
{
    int64_t pause = present > 0 ? 10 * cost_ns * away : 0;
    if (pause > most_ns)
        pause = most_ns;
    return pause < SECOND ? SECOND : pause;
}

double tautd_health_timeout_s(struct tautd_health *health, double timeout_s)
{
    if (!health->away)
        return timeout_s;
    /* every fourth try is a patient one: a unit just switched on may be slower than it ever was */
    bool patient = health->tries++ % 4 == 3;
    double quick_s = 4e-9 * (double)health->slowest_ns;
    if (patient || health->slowest_ns == 0 || quick_s > timeout_s)
        return timeout_s;
    return quick_s < 0.1 ? (timeout_s < 0.1 ? timeout_s : 0.1) : quick_s;
}

int64_t tautd_health_reconnect_ns(int failures, int64_t most_ns)
{
    if (failures < 2)
        return 0;
    int64_t pause = SECOND << (failures > 12 ? 10 : failures - 2);
    return pause < most_ns ? pause : most_ns;
}
