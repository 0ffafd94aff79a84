/* Shared by the tests of the configuration. Include after cmocka.h. */
#ifndef CONFIG_SUPPORT_H
#define CONFIG_SUPPORT_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config/config.h"

/* Whole file, terminated; ends the test when it can not be read. */
static inline char *read_file(const char *path, size_t *size)
{
    FILE *file = fopen(path, "rb");
    if (!file)
        fail_msg("can not open %s", path);
    size_t room = 1 << 16, used = 0, n;
    char *text = malloc(room + 1);
    while (text && (n = fread(text + used, 1, room - used, file)) > 0) {
        used += n;
        if (used == room)
            text = realloc(text, (room *= 2) + 1);
    }
    fclose(file);
    assert_non_null(text);
    text[used] = '\0';
    if (size)
        *size = used;
    return text;
}

/* Findings, then warnings with "warning: " before them, one a line. Free it. */
static inline char *findings_text(const struct tautd_findings *findings)
{
    char *text = NULL, line[600];
    size_t size;
    FILE *out = open_memstream(&text, &size);
    for (int i = 0; i < findings->count && i < TAUTD_FINDINGS_MAX; i++)
        fprintf(out, "%s\n", taut_diag_print(&findings->finding[i], line, sizeof line));
    for (int i = 0; i < findings->warnings && i < TAUTD_WARNINGS_MAX; i++)
        fprintf(out, "warning: %s\n", taut_diag_print(&findings->warning[i], line, sizeof line));
    fclose(out);
    return text;
}

/* A configuration that must be without mistakes. */
static inline struct tautd_config *must_parse(const char *text)
{
    static struct tautd_findings findings;
    struct tautd_config *config = tautd_config_parse("test.yaml", text, strlen(text), &findings);
    if (!config) {
        char *found = findings_text(&findings);
        fail_msg("%s", found);
    }
    return config;
}

static inline char *printed(const struct tautd_config *config)
{
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    tautd_config_print(config, out);
    fclose(out);
    return text;
}

/* The same in every bit (paddings are zero, since all storage comes zeroed). */
static inline void assert_same_config(const struct tautd_config *a, const struct tautd_config *b)
{
    assert_string_equal(a->state_dir, b->state_dir);
    assert_string_equal(a->run_dir, b->run_dir);
    assert_string_equal(a->on_alarm, b->on_alarm);
    assert_string_equal(a->on_verdict, b->on_verdict);
    assert_memory_equal(&a->hook_s, &b->hook_s, sizeof a->hook_s);
    assert_memory_equal(&a->sync_s, &b->sync_s, sizeof a->sync_s);
    assert_memory_equal(&a->api, &b->api, sizeof a->api);
    assert_int_equal(a->lines, b->lines);
    assert_int_equal(a->channels, b->channels);
    assert_int_equal(a->stations, b->stations);
    assert_int_equal(a->recipes, b->recipes);
    assert_int_equal(a->outputs, b->outputs);
    assert_memory_equal(a->line, b->line, (size_t)a->lines * sizeof *a->line);
    assert_memory_equal(a->channel, b->channel, (size_t)a->channels * sizeof *a->channel);
    assert_memory_equal(a->station, b->station, (size_t)a->stations * sizeof *a->station);
    assert_memory_equal(a->recipe, b->recipe, (size_t)a->recipes * sizeof *a->recipe);
    assert_memory_equal(a->output, b->output, (size_t)a->outputs * sizeof *a->output);
}

#endif
