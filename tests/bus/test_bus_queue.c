/* The queue between workers and main loop: order, loss counted, the reader woken once for many. */
#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "bus/queue.h"
#include "clock.h"

static struct tautd_queue queue;

static int setup(void **state)
{
    (void)state;
    return tautd_queue_open(&queue, 64) == TAUT_OK ? 0 : -1;
}

static int teardown(void **state)
{
    (void)state;
    tautd_queue_close(&queue);
    return 0;
}

static int64_t push(int channel, int *lost)
{
    struct tautd_reading r = {.channel = channel};
    return tautd_queue_push(&queue, &r, 1, lost);
}

static bool readable(int ms)
{
    struct pollfd p = {.fd = queue.fd, .events = POLLIN};
    return poll(&p, 1, ms) == 1;
}

static void readings_come_out_in_order_and_the_first_wakes_at_once(void **state)
{
    (void)state;
    struct tautd_reading out[10];
    int lost;
    assert_false(readable(0));
    for (int i = 0; i < 25; i++)
        assert_int_equal(push(i, &lost), 0);
    assert_true(readable(0));
    for (int i = 0, n = 10; n == 10;) {
        n = tautd_queue_take(&queue, out, 10);
        for (int k = 0; k < n; k++)
            assert_int_equal(out[k].channel, i++);
        assert_int_equal(n < 10, i == 25);
    }
    assert_false(readable(0));
    assert_int_equal(tautd_queue_take(&queue, out, 10), 0);
}

static void what_does_not_fit_is_counted_and_what_was_there_is_kept(void **state)
{
    (void)state;
    struct tautd_reading out[100], many[70];
    int lost;
    for (int i = 0; i < 70; i++)
        many[i] = (struct tautd_reading){.channel = i};
    tautd_queue_push(&queue, many, 70, &lost);
    assert_int_equal(lost, 6);
    assert_int_equal(tautd_queue_take(&queue, out, 100), 64);
    for (int i = 0; i < 64; i++)
        assert_int_equal(out[i].channel, i);
    push(5, &lost);
    assert_int_equal(lost, 0);
    assert_int_equal(tautd_queue_take(&queue, out, 100), 1);
}

static void soon_after_a_wake_up_the_next_one_is_owed_for_later(void **state)
{
    (void)state;
    struct tautd_reading out[10];
    int lost;
    assert_int_equal(push(0, &lost), 0);
    int64_t woken = tautd_clock_real_ns();
    assert_int_equal(tautd_queue_take(&queue, out, 10), 1);
    int64_t owed = push(1, &lost);
    if (owed == 0) /* this machine was away for longer than the hold */
        skip();
    assert_true(owed <= woken + TAUTD_QUEUE_HOLD_NS);
    assert_false(readable(0));
    assert_int_equal(push(2, &lost), 0); /* somebody owes it already */
    assert_false(readable(0));
    tautd_queue_wake(&queue);
    assert_true(readable(0));
    assert_int_equal(tautd_queue_take(&queue, out, 10), 2);
}

enum { WRITERS = 4, EACH = 5000 };

static void *write_many(void *argument)
{
    int lost;
    for (int i = 0; i < EACH; i++) {
        int64_t owed = push(*(int *)argument * EACH + i, &lost);
        if (owed)
            tautd_queue_wake(&queue);
        while (lost) { /* full: in this test wait for the reader */
            owed = push(*(int *)argument * EACH + i, &lost);
            if (owed)
                tautd_queue_wake(&queue);
        }
    }
    return NULL;
}

static void many_writers_lose_nothing_and_keep_their_order(void **state)
{
    (void)state;
    pthread_t thread[WRITERS];
    int id[WRITERS], next[WRITERS] = {0};
    for (int i = 0; i < WRITERS; i++) {
        id[i] = i;
        assert_int_equal(pthread_create(&thread[i], NULL, write_many, &id[i]), 0);
    }
    for (int taken = 0; taken < WRITERS * EACH;) {
        struct tautd_reading out[32];
        assert_true(readable(10000)); /* never left sleeping on a reading */
        int n = tautd_queue_take(&queue, out, 32);
        for (int i = 0; i < n; i++) {
            int writer = out[i].channel / EACH;
            assert_int_equal(out[i].channel % EACH, next[writer]++);
        }
        taken += n;
    }
    for (int i = 0; i < WRITERS; i++)
        pthread_join(thread[i], NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(readings_come_out_in_order_and_the_first_wakes_at_once, setup, teardown),
        cmocka_unit_test_setup_teardown(what_does_not_fit_is_counted_and_what_was_there_is_kept, setup, teardown),
        cmocka_unit_test_setup_teardown(soon_after_a_wake_up_the_next_one_is_owed_for_later, setup, teardown),
        cmocka_unit_test_setup_teardown(many_writers_lose_nothing_and_keep_their_order, setup, teardown),
    };
    return cmocka_run_group_tests_name("queue", tests, NULL, NULL);
}
