/* Text building: bounds, JSON escapes (RFC 8259), numbers that read back to the same bits. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "taut/text.h"

static void what_does_not_fit_is_left_out_whole(void **state)
{
    (void)state;
    char storage[8];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    taut_text_add(&text, "abcd");
    taut_text_add(&text, "efgh");
    assert_string_equal(storage, "abcd");
    assert_true(text.full);
    taut_text_addf(&text, "%d", 123);
    assert_string_equal(storage, "abcd123");
}

static void thousandths_keep_sign_and_three_places(void **state)
{
    (void)state;
    static const struct {
        int64_t value;
        const char *text;
    } cases[] = {
        {0,         "0.000"                },
        {-1,        "-0.001"               },
        {999,       "0.999"                },
        {1013250,   "1013.250"             },
        {-1013250,  "-1013.250"            },
        {12,        "0.012"                },
        {INT64_MIN, "-9223372036854775.808"}
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char storage[40];
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        taut_text_add_thousandths(&text, cases[i].value);
        assert_string_equal(storage, cases[i].text);
    }
}

static void doubles_read_back_to_the_same_bits(void **state)
{
    (void)state;
    static const double cases[] = {0.1, 1.0 / 3.0, 5e-324, 1.7976931348623157e308, -0.95, 101325.0};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char storage[64];
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        taut_text_add_double(&text, cases[i]);
        assert_true(strtod(storage, NULL) == cases[i]);
    }
}

static void json_strings_are_escaped_and_bad_utf8_is_replaced(void **state)
{
    (void)state;
    char storage[128];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    taut_text_add_json_string(&text, "a\"\\\n\xC3\xA9\xFF\xED\xA0\x80");
    assert_string_equal(storage, "\"a\\\"\\\\\\u000a\xC3\xA9\\ufffd\\ufffd\\ufffd\\ufffd\"");
}

static void what_a_terminal_would_obey_is_shown_as_question_marks(void **state)
{
    (void)state;
    char storage[64];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    taut_text_add_printable(&text, "p\x1b[31m \xC2\xB0\xC2\x9B\xFF\xE2\x82\n.");
    assert_string_equal(storage, "p?[31m \xC2\xB0????\?.");
    char small[4];
    taut_text_init(&text, small, sizeof small);
    taut_text_add_printable(&text, "ab\xC2\xB0z");
    assert_string_equal(small, "ab");
    assert_true(text.full);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_does_not_fit_is_left_out_whole),
        cmocka_unit_test(thousandths_keep_sign_and_three_places),
        cmocka_unit_test(doubles_read_back_to_the_same_bits),
        cmocka_unit_test(json_strings_are_escaped_and_bad_utf8_is_replaced),
        cmocka_unit_test(what_a_terminal_would_obey_is_shown_as_question_marks),
    };
    return cmocka_run_group_tests_name("text", tests, NULL, NULL);
}
