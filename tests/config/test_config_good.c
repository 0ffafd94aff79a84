/* Right configurations: what they become, that printing and reading again changes nothing, and what a station is told. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <dirent.h>
#include <limits.h>
#include <math.h>

#include "support.h"
#include "taut/units.h"

static const char smallest[] = "lines:\n"
                               "  - {name: bench, kind: rtu, device: /dev/ttyUSB0}\n"
                               "channels:\n"
                               "  - {name: A.vent, line: bench, unit: 1, table: input, register: 0, type: float32,\n"
                               "     reference: absolute, range: [0, 1100], u_mbar: 0.5}\n"
                               "stations:\n"
                               "  - {name: A, vent: A.vent}\n"
                               "recipes:\n"
                               "  - {name: rudder, limit_mbar_per_min: 0.6}\n";

static void what_is_left_out_has_its_default(void **state)
{
    (void)state;
    struct tautd_config *config = must_parse(smallest);
    assert_string_equal(config->path, "test.yaml");
    assert_string_equal(config->state_dir, "/var/lib/taut");
    assert_string_equal(config->run_dir, "/run/taut");
    assert_string_equal(config->on_alarm, "");
    assert_true(config->hook_s == 10 && config->sync_s == 1);
    assert_string_equal(config->api.socket, "");
    assert_string_equal(config->api.listen, "");
    assert_int_equal(config->api.port, 8470);

    const struct tautd_line_config *line = &config->line[0];
    assert_int_equal(line->kind, TAUTD_LINE_RTU);
    assert_int_equal(line->baud, 19200);
    assert_int_equal(line->data_bits, 8);
    assert_int_equal(line->parity, TAUTD_PARITY_EVEN);
    assert_int_equal(line->stop_bits, 0);
    assert_true(line->timeout_s == 1 && line->settle_s == 1 && line->gap_s == 0);

    const struct tautd_channel_config *channel = &config->channel[0];
    assert_int_equal(channel->line_index, 0);
    assert_int_equal(channel->ambient_index, -1);
    assert_int_equal(channel->type, TAUT_REG_FLOAT32);
    assert_int_equal(channel->order, TAUT_ORDER_ABCD);
    assert_string_equal(channel->engineering, "mbar");
    assert_true(channel->spec.unit_pa == 100 && channel->spec.scale == 1 && channel->spec.offset == 0);
    assert_true(channel->spec.u_pa == 50 && channel->spec.range_high == 1100);
    assert_true(channel->period_s == 0.5 && channel->spec.stale_s == 3 && channel->spec.frozen_s == 60);
    assert_false(channel->spec.loop);
    assert_true(isnan(channel->spec.fixed_ambient_pa));

    const struct tautd_station_config *station = &config->station[0];
    assert_int_equal(station->channel_index[TAUT_ROLE_VENT], 0);
    for (int role = TAUT_ROLE_FAR; role < TAUT_ROLES; role++)
        assert_int_equal(station->channel_index[role], -1);
    assert_int_equal(station->valve_index, -1);
    assert_int_equal(station->recipe_index, -1);
    assert_true(isnan(station->volume_m3));

    assert_true(fabs(config->recipe[0].limit_pa_per_s - 1.0) < 1e-12); /* 0.6 mbar/min is 1 Pa/s */
    assert_true(isnan(config->recipe[0].rise_limit_pa));
    tautd_config_free(config);
}

static void units_in_the_file_become_si(void **state)
{
    (void)state;
    struct tautd_config *config = must_parse(
        "lines: [{name: l, kind: tcp, host: 127.0.0.1}]\n"
        "channels:\n"
        "  - {name: a, line: l, unit: 0, table: holding, register: 65535, type: int16, order: BADC, reference: vacuum,\n"
        "     engineering: inHg, range: [0, 30], u_mbar: 2, drift_mbar_per_h: 0.36, fixed_ambient_mbar: 1000, u_ambient_mbar: "
        "10,\n"
        "     resolution_mbar: 0.25, loop_ma: [4, 20], period_s: 2}\n"
        "  - {name: t, line: l, unit: 255, table: input, register: 0, type: uint16, quantity: temperature, range: [250, 350],\n"
        "     engineering: K, u_k: 0.25}\n"
        "  - {name: c, line: l, unit: 255, table: input, register: 0, type: uint16, quantity: temperature, range: [0, 80]}\n"
        "stations: [{name: A, vent: a, temperature: t, volume_l: 2.5, recipe: r}]\n"
        "recipes: [{name: q, limit_mbar_per_min: 1}, {name: r, rise_limit_mbar: 5, rise_within_s: 300, mode: fixed}]\n");
    const struct taut_channel_spec *a = &config->channel[0].spec;
    assert_true(fabs(a->unit_pa - 3386.389) < 1e-2); /* NIST SP 811: inch of mercury, conventional */
    assert_true(a->u_pa == 200 && fabs(a->drift_pa_per_s - 0.01) < 1e-15 && a->fixed_ambient_pa == 100000);
    assert_true(a->u_ambient_pa == 1000 && a->resolution_pa == 25);
    assert_true(a->loop && a->loop_low_ma == 4 && a->loop_high_ma == 20);
    assert_true(a->stale_s == 10); /* five periods */
    assert_int_equal(a->reference, TAUT_REFERENCE_VACUUM);
    const struct taut_channel_spec *t = &config->channel[1].spec, *c = &config->channel[2].spec;
    assert_true(t->temperature_zero_k == 0 && t->u_pa == 0.25 && c->temperature_zero_k == 273.15 && c->u_pa == 0.5);
    assert_string_equal(config->channel[2].engineering, "degC");
    assert_true(fabs(config->station[0].volume_m3 - 0.0025) < 1e-18);
    assert_true(fabs(config->station[0].u_volume_m3 - 0.0005) < 1e-18); /* a fifth when not stated */
    assert_int_equal(config->station[0].recipe_index, 1);
    assert_true(config->recipe[1].rise_limit_pa == 500 && config->recipe[1].rise_within_s == 300);
    assert_int_equal(config->recipe[1].mode, TAUT_TEST_FIXED);
    tautd_config_free(config);
}

static void reads_back_the_same(const char *path)
{
    static struct tautd_findings findings;
    struct tautd_config *config = tautd_config_load(path, &findings);
    char *found = findings_text(&findings);
    if (!config || findings.count || findings.warnings)
        fail_msg("%s:\n%s", path, found);
    free(found);
    char *text = printed(config);
    struct tautd_config *again = must_parse(text);
    assert_same_config(config, again);
    tautd_config_free(config);
    tautd_config_free(again);
    free(text);
}

static void every_example_is_right_and_reads_back_the_same(void **state)
{
    (void)state;
    char folder[PATH_MAX], path[2 * PATH_MAX];
    snprintf(folder, sizeof folder, "%s/config/examples", TAUT_SOURCE);
    DIR *dir = opendir(folder);
    assert_non_null(dir);
    int examples = 0;
    for (struct dirent *entry; (entry = readdir(dir));) {
        size_t n = strlen(entry->d_name);
        if (n < 6 || strcmp(entry->d_name + n - 5, ".yaml") != 0)
            continue;
        snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
        reads_back_the_same(path);
        examples++;
    }
    closedir(dir);
    assert_true(examples >= 5);
}

static void the_commented_example_is_right_and_reads_back_the_same(void **state)
{
    (void)state;
    reads_back_the_same(TAUT_SOURCE "/config/taut.yaml");
}

/* The yaml blocks of README.md, without their indent; they must be right as they stand. */
static void the_configuration_of_the_readme_is_right(void **state)
{
    (void)state;
    char *readme = read_file(TAUT_SOURCE "/README.md", NULL), *rest = NULL, *block = NULL;
    size_t size;
    FILE *out = NULL;
    int blocks = 0, indent = 0;
    for (char *line = strtok_r(readme, "\n", &rest); line; line = strtok_r(NULL, "\n", &rest)) {
        int spaces = (int)strspn(line, " ");
        if (!out && strcmp(line + spaces, "```yaml") == 0) {
            out = open_memstream(&block, &size);
            indent = spaces;
        } else if (out && strcmp(line + spaces, "```") == 0) {
            fclose(out);
            out = NULL;
            tautd_config_free(must_parse(block));
            free(block);
            blocks++;
        } else if (out) {
            fprintf(out, "%s\n", line + (spaces < indent ? spaces : indent));
        }
    }
    free(readme);
    assert_null(out);
    assert_true(blocks >= 1);
}

/* Seeded, so that a failure can be repeated: the mixing step of splitmix64 (Steele, Lea, Flood 2014). */
static uint64_t next_random(uint64_t *seed)
{
    uint64_t z = (*seed += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

static double random_within(uint64_t *seed, double low, double high)
{
    return low * pow(high / low, (double)(next_random(seed) >> 11) / 9007199254740992.0);
}

static void any_number_reads_back_to_the_same_bits(void **state)
{
    (void)state;
    uint64_t seed = 20261125;
    for (int round = 0; round < 40; round++) {
        char *text = NULL;
        size_t size;
        FILE *out = open_memstream(&text, &size);
        fprintf(out,
                "lines: [{name: l, kind: tcp, host: h}]\n"
                "channels: [{name: c, line: l, unit: 1, table: input, register: 0, type: uint16, reference: absolute, "
                "range: [0, %.17g], u_mbar: %.17g, drift_mbar_per_h: %.17g}]\n"
                "stations: [{name: s, vent: c, volume_l: %.17g}]\nrecipes:\n",
                random_within(&seed, 1e-3, 1e8), random_within(&seed, 1e-9, 900), random_within(&seed, 1e-9, 900),
                random_within(&seed, 1e-5, 1e5));
        for (int i = 0; i < TAUTD_RECIPES_MAX; i++)
            fprintf(out, "  - {name: r%d, limit_mbar_per_min: %.17g, fill_step_mbar: %.17g, risk: %.17g}\n", i,
                    random_within(&seed, 1e-5, 999), random_within(&seed, 2e-3, 1000), random_within(&seed, 1e-5, 0.1));
        fclose(out);
        struct tautd_config *config = must_parse(text);
        char *again_text = printed(config);
        struct tautd_config *again = must_parse(again_text);
        assert_same_config(config, again);
        tautd_config_free(config);
        tautd_config_free(again);
        free(text);
        free(again_text);
    }
}

static void odd_texts_read_back_the_same(void **state)
{
    (void)state;
    struct tautd_config *config =
        must_parse("lines: [{name: 1e3, kind: tcp, host: \"::1\"}]\n"
                   "channels: [{name: no, line: 1e3, unit: 1, table: input, register: 0, type: uint16,\n"
                   "  reference: absolute, range: [0, 1], u_mbar: 1, serial: 'a \"b\" \\c: #d, [e] ü'}]\n"
                   "stations: [{name: null, vent: no}]\nrecipes: [{name: 007, limit_mbar_per_min: 1}]\n"
                   "daemon: {state_dir: /srv/bench A/parts}\n");
    assert_string_equal(config->channel[0].serial, "a \"b\" \\c: #d, [e] ü");
    assert_string_equal(config->channel[0].spec.name, "no");
    assert_string_equal(config->recipe[0].name, "007");
    char *text = printed(config);
    struct tautd_config *again = must_parse(text);
    assert_same_config(config, again);
    tautd_config_free(config);
    tautd_config_free(again);
    free(text);
}

static void a_station_is_told_what_its_channels_are_worth(void **state)
{
    (void)state;
    struct tautd_config *config = must_parse(
        "lines: [{name: l, kind: tcp, host: h}]\n"
        "channels:\n"
        "  - {name: baro, line: l, unit: 1, table: input, register: 0, type: uint16, reference: absolute, range: [0, 1100],\n"
        "     u_mbar: 0.3, drift_mbar_per_h: 0.36}\n"
        "  - {name: vent, line: l, unit: 2, table: input, register: 0, type: uint16, reference: gauge, range: [-1000, 0],\n"
        "     u_mbar: 0.4, resolution_mbar: 0.1, drift_mbar_per_h: 0.72, ambient: baro, calibrated: 2026-03-01, serial: T-1}\n"
        "  - {name: far, line: l, unit: 3, table: input, register: 0, type: uint16, reference: vacuum, range: [0, 1000],\n"
        "     u_mbar: 3, fixed_ambient_mbar: 1000, u_ambient_mbar: 4}\n"
        "  - {name: room, line: l, unit: 4, table: input, register: 0, type: int16, quantity: temperature, range: [0, 50], u_k: "
        "0.5}\n"
        "outputs: [{name: v, line: l, unit: 9, coil: 1}]\n"
        "stations:\n"
        "  - {name: A, vent: vent, far: far, ambient: baro, temperature: room, valve: v, volume_l: 2, u_volume_l: 0.1}\n"
        "recipes: [{name: r, limit_mbar_per_min: 1}]\n");
    struct taut_station_setup setup;
    memset(&setup, 0xA5, sizeof setup);
    tautd_config_station_setup(config, 0, &setup);
    assert_string_equal(setup.name, "A");
    assert_int_equal(setup.valve, TAUT_VALVE_DRIVEN);
    assert_true(fabs(setup.volume_m3 - 0.002) < 1e-15 && fabs(setup.u_volume_m3 - 0.0001) < 1e-15);
    const struct taut_station_channel *vent = &setup.channel[TAUT_ROLE_VENT], *far = &setup.channel[TAUT_ROLE_FAR];
    assert_true(vent->wired && vent->barometer);
    assert_string_equal(vent->name, "vent");
    assert_true(fabs(vent->u_pa - 50) < 1e-9);              /* 30 and 40 Pa, root of the sum of squares (JCGM 100) */
    assert_true(fabs(vent->drift_pa_per_s - 0.03) < 1e-12); /* bounds add up */
    assert_true(vent->resolution_pa == 10);
    assert_int_equal(vent->reference, TAUT_REFERENCE_GAUGE);
    assert_string_equal(vent->calibrated, "2026-03-01");
    assert_string_equal(vent->serial, "T-1");
    assert_true(far->wired && !far->barometer && fabs(far->u_pa - 500) < 1e-9);
    assert_true(setup.channel[TAUT_ROLE_TEMPERATURE].u_pa == 0.5);
    assert_true(setup.channel[TAUT_ROLE_AMBIENT].u_pa == 30);
    assert_false(setup.channel[TAUT_ROLE_MANIFOLD].wired);
    assert_string_equal(setup.channel[TAUT_ROLE_MANIFOLD].name, "");
    tautd_config_free(config);
}

static void only_channels_at_a_bag_are_watched_for_freezing_by_default(void **state)
{
    (void)state;
    struct tautd_config *config =
        must_parse("lines: [{name: l, kind: tcp, host: h}]\n"
                   "channels:\n"
                   "  - {name: vent, line: l, unit: 1, table: input, register: 0, type: uint16, reference: absolute, range: [0, "
                   "1100], u_mbar: 1}\n"
                   "  - {name: far, line: l, unit: 1, table: input, register: 1, type: uint16, reference: absolute, range: [0, "
                   "1100], u_mbar: 1,\n"
                   "     period_s: 10}\n"
                   "  - {name: feed, line: l, unit: 1, table: input, register: 2, type: uint16, reference: absolute, range: [0, "
                   "1100], u_mbar: 1,\n"
                   "     frozen_s: 0}\n"
                   "  - {name: pump, line: l, unit: 1, table: input, register: 3, type: uint16, reference: absolute, range: [0, "
                   "1100], u_mbar: 1}\n"
                   "  - {name: baro, line: l, unit: 1, table: input, register: 4, type: uint16, reference: absolute, range: [0, "
                   "1100], u_mbar: 1,\n"
                   "     frozen_s: 3600}\n"
                   "stations: [{name: A, vent: vent, far: far, feed: feed, manifold: pump, ambient: baro}]\n"
                   "recipes: [{name: r, limit_mbar_per_min: 1}]\n");
    static const double expected[] = {60, 200, 0, 0, 3600};
    for (int i = 0; i < config->channels; i++)
        assert_true(config->channel[i].spec.frozen_s == expected[i]);
    tautd_config_free(config);
}

static void a_station_without_valve_is_shut_by_hand(void **state)
{
    (void)state;
    struct tautd_config *config = must_parse(smallest);
    struct taut_station_setup setup;
    tautd_config_station_setup(config, 0, &setup);
    assert_int_equal(setup.valve, TAUT_VALVE_HAND);
    assert_true(isnan(setup.volume_m3));
    tautd_config_free(config);
}

static void a_byte_order_mark_and_windows_line_ends_do_no_harm(void **state)
{
    (void)state;
    char text[2 * sizeof smallest + 4] = "\xEF\xBB\xBF";
    size_t n = 3;
    for (const char *p = smallest; *p; p++) {
        if (*p == '\n')
            text[n++] = '\r';
        text[n++] = *p;
    }
    text[n] = '\0';
    struct tautd_config *config = must_parse(text), *plain = must_parse(smallest);
    assert_same_config(config, plain);
    tautd_config_free(config);
    tautd_config_free(plain);
}

static void a_thousand_channels_are_read(void **state)
{
    (void)state;
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    fputs("lines: [{name: l, kind: tcp, host: h}]\nrecipes: [{name: r, limit_mbar_per_min: 1}]\nchannels:\n", out);
    for (int i = 0; i < TAUTD_CHANNELS_MAX; i++)
        fprintf(out,
                "  - {name: c%d, line: l, unit: 1, table: input, register: %d, type: uint16, reference: absolute, "
                "range: [0, 1], u_mbar: 1}\n",
                i, i);
    fputs("stations:\n", out);
    for (int i = 0; i < TAUTD_STATIONS_MAX; i++)
        fprintf(out, "  - {name: s%d, vent: c%d, far: c%d, feed: c%d, manifold: c1000, ambient: c1001}\n", i, 3 * i, 3 * i + 1,
                3 * i + 2);
    fclose(out);
    struct tautd_config *config = must_parse(text);
    free(text);
    assert_int_equal(config->channels, TAUTD_CHANNELS_MAX);
    assert_int_equal(config->station[63].channel_index[TAUT_ROLE_FEED], 191);
    tautd_config_free(config);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_left_out_has_its_default),
        cmocka_unit_test(units_in_the_file_become_si),
        cmocka_unit_test(every_example_is_right_and_reads_back_the_same),
        cmocka_unit_test(the_commented_example_is_right_and_reads_back_the_same),
        cmocka_unit_test(the_configuration_of_the_readme_is_right),
        cmocka_unit_test(any_number_reads_back_to_the_same_bits),
        cmocka_unit_test(odd_texts_read_back_the_same),
        cmocka_unit_test(a_station_is_told_what_its_channels_are_worth),
        cmocka_unit_test(only_channels_at_a_bag_are_watched_for_freezing_by_default),
        cmocka_unit_test(a_station_without_valve_is_shut_by_hand),
        cmocka_unit_test(a_byte_order_mark_and_windows_line_ends_do_no_harm),
        cmocka_unit_test(a_thousand_channels_are_read),
    };
    return cmocka_run_group_tests_name("config good", tests, NULL, NULL);
}
