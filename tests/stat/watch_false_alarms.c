/* How often the watch cries wolf against what was wished for, on quiet bags: autocorrelated noise alone and with a level
 * that wanders. Each run learns from a hold of 600 s, then watches 20 h under the pump.  Noise and wander are assumed
 * (no real bag was measured): 0.1 mbar, phi 0.9 at 10 Hz unless said.
 *
 * Short: 100 h a cell. TAUT_STAT_FULL=1: 3000 h a cell, and the wish of one in 1000 h too. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tt_watch.h"

static const struct tt_cell cells[] = {
    {0.1,  0.9,  0    },
    {0.1,  0.9,  0.002},
    {0.1,  0.9,  0.005},
    {0.1,  0.9,  0.02 },
    {0.1,  0,    0.005},
    {0.02, 0.9,  0.002},
    {0.25, 0.95, 0.005},
};

static const double run_h = 20;

/* Alarms in `hours` of fill, the watch wishing for one in wish_h. */
static unsigned count_alarms(const struct tt_cell *cell, double hours, double wish_h, double leak_mbar_per_min)
{
    unsigned alarms = 0;
    for (int run = 0; run * run_h < hours; run++) {
        struct tt_bench b;
        struct taut_watch_rule rule = tt_rule(wish_h, leak_mbar_per_min, 1);
        tt_bench_init(&b, &rule, cell, 1000 + (uint64_t)run);
        tt_bench_learn(&b, 600);
        for (int64_t end = b.k + (int64_t)(run_h * 36000); b.k < end;)
            tt_bench_read(&b, 0);
        if (b.watch.finding.times > 3)
            print_message("  run %d alarmed %u times\n", run, b.watch.finding.times);
        alarms += b.watch.finding.times;
    }
    return alarms;
}

static void check(double wish_h, double leak_mbar_per_min, double hours)
{
    for (size_t i = 0; i < sizeof cells / sizeof cells[0]; i++) {
        unsigned alarms = count_alarms(&cells[i], hours, wish_h, leak_mbar_per_min);
        double expected = hours / wish_h, most = expected + 3.1 * sqrt(expected) + 1; /* a Poisson count, one in 1000 */
        print_message("sigma %.2f phi %.2f wander %.3f, leak that matters %g mbar/min, wish 1 in %g h: %u in %g h\n",
                      cells[i].sigma_mbar, cells[i].phi, cells[i].wander_mbar, leak_mbar_per_min, wish_h, alarms, hours);
        if (alarms > most)
            fail_msg("%u false alarms in %g h, wish one in %g h", alarms, hours, wish_h);
    }
}

static void the_wish_of_one_in_a_hundred_hours_is_kept(void **state)
{
    (void)state;
    check(100, 0.5, tt_full() ? 3000 : 100);
}

static void the_wish_of_one_in_a_thousand_hours_is_kept(void **state)
{
    (void)state;
    check(1000, 2, tt_full() ? 5000 : 100);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_wish_of_one_in_a_hundred_hours_is_kept),
        cmocka_unit_test(the_wish_of_one_in_a_thousand_hours_is_kept),
    };
    return cmocka_run_group_tests_name("watch false alarms", tests, NULL, NULL);
}
