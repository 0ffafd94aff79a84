/* Memory runs out at the first, second, third ... request while a configuration is read: each time there is no
 * configuration, one finding that says so, and nothing left behind (the asan preset looks). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "support.h"

static int left; /* requests that still succeed; -1: all */

static int refuse(void)
{
    return left >= 0 && left-- == 0;
}

void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
char *__real_strdup(const char *text);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
char *__wrap_strdup(const char *text);

void *__wrap_malloc(size_t size)
{
    return refuse() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size)
{
    return refuse() ? NULL : __real_calloc(n, size);
}

char *__wrap_strdup(const char *text)
{
    return refuse() ? NULL : __real_strdup(text);
}

static void want_of_memory_is_said_and_nothing_is_left(void **state)
{
    (void)state;
    static struct tautd_findings findings;
    int failures = 0;
    for (int n = 0; n < 10000; n++) {
        left = n;
        struct tautd_config *config = tautd_config_load(TAUT_SOURCE "/config/examples/hand-valve.yaml", &findings);
        int reached = left < 0;
        left = -1;
        if (config) {
            tautd_config_free(config);
            assert_false(reached);
            assert_true(failures > 50);
            return;
        }
        assert_int_equal(findings.count, 1);
        assert_non_null(strstr(findings.finding[0].text, "no memory"));
        failures++;
    }
    fail_msg("never read to the end");
}

int main(void)
{
    left = -1;
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(want_of_memory_is_said_and_nothing_is_left),
    };
    return cmocka_run_group_tests_name("config fault", tests, NULL, NULL);
}
