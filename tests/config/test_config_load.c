/* The load of a serial line is reckoned from the requests that the bus will really make: the number that the finding
 * names is the number of blocks in the bus's own plan. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "bus/plan.h"
#include "support.h"

static uint64_t next_random(uint64_t *seed)
{
    uint64_t z = (*seed += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

enum { CHANNELS = 40 };

/* The same channels on a line that is fast enough (to get a configuration) or far too slow (to get the finding). */
static char *bench(uint64_t seed, int baud, double scale)
{
    static const char *const types[] = {"uint16", "int16", "uint32", "float32"}, *const tables[] = {"input", "holding"};
    static const double periods[] = {1, 1, 1, 2, 5};
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    fprintf(out, "lines: [{name: l, kind: rtu, device: /dev/ttyX, baud: %d, gap_registers: %d}]\nchannels:\n", baud,
            (int)(next_random(&seed) % 12));
    for (int i = 0; i < CHANNELS; i++) {
        unsigned unit = 1 + (unsigned)(next_random(&seed) % 4), table = (unsigned)(next_random(&seed) % 2);
        unsigned reg = (unsigned)(next_random(&seed) % 200), type = (unsigned)(next_random(&seed) % 4);
        double period = periods[next_random(&seed) % 5] * scale;
        fprintf(out,
                "  - {name: c%d, line: l, unit: %u, table: %s, register: %u, type: %s, reference: absolute, range: [0, 1], "
                "u_mbar: 1, period_s: %g, timeout_s: %d}\n",
                i, unit, tables[table], reg, types[type], period, (int)(next_random(&seed) % 8 == 0));
    }
    fputs("stations: [{name: s, vent: c0}]\nrecipes: [{name: r, limit_mbar_per_min: 1}]\n", out);
    fclose(out);
    return text;
}

static void the_number_of_requests_is_that_of_the_plan(void **state)
{
    (void)state;
    static struct tautd_findings findings;
    static struct tautd_block blocks[CHANNELS];
    static int channels[CHANNELS];
    for (uint64_t seed = 1; seed <= 200; seed++) {
        char *fast = bench(seed, 921600, 100), *slow = bench(seed, 1200, 0.01);
        struct tautd_config *config = must_parse(fast);
        struct tautd_plan plan = {.block = blocks, .channel = channels};
        tautd_plan_make(config, 0, -1, config->line[0].gap_registers, &plan);
        assert_null(tautd_config_parse("slow.yaml", slow, strlen(slow), &findings));
        const char *says = findings.count ? strstr(findings.finding[0].text, "Bd the ") : NULL;
        assert_non_null(says);
        if (strtol(says + 7, NULL, 10) != plan.blocks)
            fail_msg("seed %d: the plan has %d requests: %s", (int)seed, plan.blocks, findings.finding[0].text);
        tautd_config_free(config);
        free(fast);
        free(slow);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_number_of_requests_is_that_of_the_plan),
    };
    return cmocka_run_group_tests_name("config load", tests, NULL, NULL);
}
