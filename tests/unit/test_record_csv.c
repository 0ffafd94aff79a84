/* CSV records after RFC 4180 (rfc4180_cases.json) and part ids as folder names. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "taut/record.h"

/* The reference file is small and regular: `"raw": "<JSON string>"` is followed by its `"fields"`. Escapes in it are
 * \" \r \n only. Reads the next JSON string at or after `at` into out; returns what follows it. */
static const char *next_string(const char *at, char *out)
{
    at = strchr(at, '"');
    assert_non_null(at);
    for (at++; *at != '"'; at++) {
        char c = *at;
        if (c == '\\') {
            c = *++at;
            c = (char)(c == 'r' ? '\r' : c == 'n' ? '\n' : c);
        }
        *out++ = c;
    }
    *out = '\0';
    return at + 1;
}

static char *slurp(const char *path)
{
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    char *text = calloc(1, 65536);
    assert_non_null(text);
    assert_true(fread(text, 1, 65535, file) > 0);
    fclose(file);
    return text;
}

/* One record of `raw` ends at a line end outside quotes; returns its length without the line end. */
static size_t record_length(const char *raw)
{
    bool quoted = false;
    size_t n = 0;
    for (; raw[n] && (quoted || (raw[n] != '\r' && raw[n] != '\n')); n++)
        quoted = quoted != (raw[n] == '"');
    return n;
}

static void the_cases_of_rfc_4180_are_split_as_they_say(void **state)
{
    (void)state;
    char *text = slurp(TAUT_REFERENCE "/rfc4180_cases.json"), raw[256], expected[256];
    const char *at = strstr(text, "\"cases\""), *end = strstr(text, "\"write_cases\"");
    assert_non_null(at);
    assert_non_null(end);
    int checked = 0;
    while ((at = strstr(at, "\"raw\":")) && at < end) {
        at = next_string(at + 6, raw);
        at = strstr(at, "\"fields\":") + 9;
        for (char *record = raw; *record;) {
            size_t length = record_length(record);
            char *rest = record + length + (record[length] == '\r' ? 2 : 0);
            record[length] = '\0';
            char *fields[8];
            int n = taut_csv_split(record, ',', fields, 8);
            assert_true(n > 0);
            for (int i = 0; i < n; i++, checked++) {
                at = next_string(at, expected);
                assert_string_equal(fields[i], expected);
            }
            record = rest;
        }
    }
    assert_int_equal(checked, 19);
    free(text);
}

static void what_is_not_csv_is_refused(void **state)
{
    (void)state;
    char open[] = "a,\"b", after[] = "\"a\"b,c", many[] = "a,b,c", lone[] = "\"";
    char *fields[3];
    assert_int_equal(taut_csv_split(open, ',', fields, 3), TAUT_E_FORMAT);
    assert_int_equal(taut_csv_split(after, ',', fields, 3), TAUT_E_FORMAT);
    assert_int_equal(taut_csv_split(many, ',', fields, 2), TAUT_E_FULL);
    assert_int_equal(taut_csv_split(lone, ',', fields, 3), TAUT_E_FORMAT);
}

static void another_separator_is_taken(void **state)
{
    (void)state;
    char line[] = "1,5;\"a;b\";";
    char *fields[4];
    assert_int_equal(taut_csv_split(line, ';', fields, 4), 3);
    assert_string_equal(fields[0], "1,5");
    assert_string_equal(fields[1], "a;b");
    assert_string_equal(fields[2], "");
}

static void plain_ids_keep_their_name(void **state)
{
    (void)state;
    static const char *const ids[] = {"rudder-17", "a", "foil_shell.2", "-x", "0123456789012345678901234567890123456789abcdefgh"};
    char folder[TAUT_FOLDER_NAME_MAX];
    for (size_t i = 0; i < sizeof ids / sizeof ids[0]; i++) {
        assert_int_equal(taut_part_folder(ids[i], folder, NULL), TAUT_OK);
        assert_string_equal(folder, ids[i]);
    }
}

/* The hash of ".." was computed apart, by a Python script that gives the FNV draft's vector for "foobar"
 * (85944171f73967e8, from memory). */
static void ids_that_point_elsewhere_become_plain_names(void **state)
{
    (void)state;
    static const char *const ids[] = {".",  "..",  "../x",     "/etc/passwd", "a/../b", ".hidden",
                                      "~x", "a b", "\xC3\xA9", "a\\b",        "*"};
    char folder[TAUT_FOLDER_NAME_MAX];
    for (size_t i = 0; i < sizeof ids / sizeof ids[0]; i++) {
        assert_int_equal(taut_part_folder(ids[i], folder, NULL), TAUT_OK);
        assert_null(strchr(folder, '/'));
        assert_true(folder[0] != '.' && folder[0] != '~');
        assert_int_equal(strlen(strrchr(folder, '~')), 17);
        assert_true(strspn(folder, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.~") == strlen(folder));
    }
    assert_int_equal(taut_part_folder("..", folder, NULL), TAUT_OK);
    assert_string_equal(folder, "_.~07da1a07b4a03f2d");
}

static void ids_that_differ_get_folders_that_differ(void **state)
{
    (void)state;
    static const char *const ids[] = {
        "a/b",
        "a_b",
        "a b",
        "a?b",
        "A_b",
        "a\xC3\xA9",
        "a\xC3\xA8",
        "_.",
        ".",
        "..",
        "...",
        "0123456789012345678901234567890123456789abcdefgh",
        "0123456789012345678901234567890123456789abcdefghi",
        "0123456789012345678901234567890123456789abcdefghj",
    };
    enum { N = sizeof ids / sizeof ids[0] };
    static char folders[N][TAUT_FOLDER_NAME_MAX];
    for (int i = 0; i < N; i++) {
        assert_int_equal(taut_part_folder(ids[i], folders[i], NULL), TAUT_OK);
        for (int j = 0; j < i; j++)
            assert_string_not_equal(folders[i], folders[j]);
    }
}

static void ids_that_can_not_be_kept_are_refused_with_a_reason(void **state)
{
    (void)state;
    char longest[301];
    memset(longest, 'x', 300);
    longest[300] = '\0';
    const char *ids[] = {"", longest, "a\tb", "a\nb", "a\x7F", "\xFF", "\xC0\x80", "\xED\xA0\x80", "a\xC2\x85"};
    char folder[TAUT_FOLDER_NAME_MAX];
    for (size_t i = 0; i < sizeof ids / sizeof ids[0]; i++) {
        struct taut_diag diag = {0};
        assert_int_equal(taut_part_folder(ids[i], folder, &diag), TAUT_E_ARG);
        assert_non_null(strstr(diag.text, "the part id"));
    }
    longest[TAUT_PART_ID_MAX - 1] = '\0';
    assert_int_equal(taut_part_folder(longest, folder, NULL), TAUT_OK);
    assert_int_equal(strlen(folder), 48 + 17);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_cases_of_rfc_4180_are_split_as_they_say),
        cmocka_unit_test(what_is_not_csv_is_refused),
        cmocka_unit_test(another_separator_is_taken),
        cmocka_unit_test(plain_ids_keep_their_name),
        cmocka_unit_test(ids_that_point_elsewhere_become_plain_names),
        cmocka_unit_test(ids_that_differ_get_folders_that_differ),
        cmocka_unit_test(ids_that_can_not_be_kept_are_refused_with_a_reason),
    };
    return cmocka_run_group_tests_name("record_csv", tests, NULL, NULL);
}
