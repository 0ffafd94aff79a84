/* Which channels share a request. The joining itself is common practice, no source; 125 registers and 65536 addresses are
 * the limits of the Modbus Application Protocol V1.1b3. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "bus/plan.h"
#include "rig.h"

static struct tautd_block block[RIG_CHANNELS];
static int list[RIG_CHANNELS];
static struct tautd_plan plan;

static void make(int unit, int gap)
{
    plan = (struct tautd_plan){.block = block, .channel = list};
    tautd_plan_make(&rig.config, 0, unit, gap, &plan);
    assert_int_equal(plan.channels, rig.config.channels);
}

static int setup(void **state)
{
    (void)state;
    rig_clear();
    rig_line(TAUTD_LINE_TCP, NULL, 502);
    return 0;
}

static void neighbours_given_in_any_order_share_one_request(void **state)
{
    (void)state;
    for (int i = 7; i >= 0; i--)
        rig.channel[rig_channel(0, 3, TAUTD_TABLE_INPUT, 2 * i, 0.1)].type = TAUT_REG_FLOAT32;
    make(-1, 0);
    assert_int_equal(plan.blocks, 1);
    assert_int_equal(block[0].ask.address, 0);
    assert_int_equal(block[0].ask.value, 16);
    assert_int_equal(block[0].ask.function, 4);
    assert_int_equal(block[0].channels, 8);
    assert_false(block[0].loose);
}

static void a_gap_is_joined_up_to_its_limit_and_not_beyond(void **state)
{
    (void)state;
    rig_channel(0, 1, TAUTD_TABLE_HOLDING, 10, 1);
    rig_channel(0, 1, TAUTD_TABLE_HOLDING, 15, 1);
    make(-1, 4);
    assert_int_equal(plan.blocks, 1);
    assert_int_equal(block[0].ask.value, 6);
    assert_true(block[0].loose);
    make(-1, 3);
    assert_int_equal(plan.blocks, 2);
}

static void unit_table_period_and_time_out_keep_requests_apart(void **state)
{
    (void)state;
    rig_channel(0, 1, TAUTD_TABLE_HOLDING, 0, 1);
    rig_channel(0, 2, TAUTD_TABLE_HOLDING, 1, 1);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 1, 1);
    rig_channel(0, 1, TAUTD_TABLE_HOLDING, 1, 2);
    rig.channel[rig_channel(0, 1, TAUTD_TABLE_HOLDING, 1, 1)].timeout_s = 3;
    make(-1, 8);
    assert_int_equal(plan.blocks, 5);
}

static void a_request_never_exceeds_125_registers(void **state)
{
    (void)state;
    for (int i = 0; i < 63; i++)
        rig.channel[rig_channel(0, 1, TAUTD_TABLE_INPUT, 2 * i, 1)].type = TAUT_REG_FLOAT32;
    make(-1, 0);
    assert_int_equal(plan.blocks, 2);
    assert_int_equal(block[0].ask.value, 124);
    assert_int_equal(block[1].ask.address, 124);
    assert_int_equal(block[1].ask.value, 2);
}

static void two_channels_on_one_register_are_read_once(void **state)
{
    (void)state;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 5, 1);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 5, 1);
    make(-1, 0);
    assert_int_equal(plan.blocks, 1);
    assert_int_equal(block[0].ask.value, 1);
    assert_int_equal(block[0].channels, 2);
}

static void blocks_of_one_unit_differ_in_length_where_the_gap_allows(void **state)
{
    (void)state;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 1);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 100, 1);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 200, 1);
    rig_channel(0, 1, TAUTD_TABLE_HOLDING, 0, 1); /* another function: told apart by that */
    rig_channel(0, 2, TAUTD_TABLE_INPUT, 0, 1);   /* another unit: told apart by that */
    make(-1, 2);
    assert_int_equal(plan.blocks, 5);
    int length[3], n = 0;
    for (int i = 0; i < plan.blocks; i++)
        if (block[i].ask.unit == 1 && block[i].ask.function == 4)
            length[n++] = block[i].ask.value;
        else
            assert_int_equal(block[i].ask.value, 1);
    assert_int_equal(n, 3);
    assert_int_equal(length[0], 1);
    assert_int_equal(length[1], 2);
    assert_int_equal(length[2], 3);
    make(-1, 0); /* nothing may be asked for that nobody wants */
    for (int i = 0; i < plan.blocks; i++)
        assert_int_equal(block[i].ask.value, 1);
}

static void the_last_register_is_not_padded_beyond_the_end(void **state)
{
    (void)state;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 1);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 65535, 1);
    make(-1, 8);
    assert_int_equal(plan.blocks, 2);
    assert_int_equal(block[1].ask.address + block[1].ask.value, 65536);
}

static void a_split_block_asks_for_nothing_too_many_and_loses_no_channel(void **state)
{
    (void)state;
    static const int reg[] = {0, 1, 4, 6, 7, 20};
    for (int i = 0; i < 6; i++)
        rig_channel(0, 1, TAUTD_TABLE_INPUT, reg[i], 1);
    make(-1, 4);
    assert_int_equal(plan.blocks, 2);
    block[0].phase_ns = 77;
    assert_int_equal(tautd_plan_split(&rig.config, &plan, 0), 3);
    assert_int_equal(plan.blocks, 4);
    int registers = 0, channels = 0;
    for (int i = 0; i < plan.blocks; i++) {
        if (i == 1)
            continue; /* the untouched one, at 20 */
        assert_false(block[i].loose);
        assert_int_equal(block[i].phase_ns, 77);
        registers += block[i].ask.value;
        for (int k = block[i].first; k < block[i].first + block[i].channels; k++) {
            int at = rig.channel[list[k]].reg;
            assert_true(at >= block[i].ask.address && at < block[i].ask.address + block[i].ask.value);
            channels++;
        }
    }
    assert_int_equal(registers, 5);
    assert_int_equal(channels, 5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(neighbours_given_in_any_order_share_one_request, setup),
        cmocka_unit_test_setup(a_gap_is_joined_up_to_its_limit_and_not_beyond, setup),
        cmocka_unit_test_setup(unit_table_period_and_time_out_keep_requests_apart, setup),
        cmocka_unit_test_setup(a_request_never_exceeds_125_registers, setup),
        cmocka_unit_test_setup(two_channels_on_one_register_are_read_once, setup),
        cmocka_unit_test_setup(blocks_of_one_unit_differ_in_length_where_the_gap_allows, setup),
        cmocka_unit_test_setup(the_last_register_is_not_padded_beyond_the_end, setup),
        cmocka_unit_test_setup(a_split_block_asks_for_nothing_too_many_and_loses_no_channel, setup),
    };
    return cmocka_run_group_tests_name("plan", tests, NULL, NULL);
}
