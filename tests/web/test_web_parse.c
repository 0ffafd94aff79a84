/* The parts of the API that need no network: guards and the reading of commands. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "web/guard.h"
#include "web/json.h"
#include "web/order.h"

static void only_loopback_names_are_taken_as_host(void **state)
{
    (void)state;
    static const char *const good[] = {"localhost",         "LOCALHOST:8470", "127.0.0.1", "127.0.0.1:1",
                                       "127.255.3.4:65535", "[::1]",          "[::1]:80"};
    static const char *const bad[] = {"",
                                      "localhost:",
                                      "localhost:80x",
                                      "localhost.evil.example",
                                      "127.0.0.1.evil.example",
                                      "128.0.0.1",
                                      "127.0.0",
                                      "127.0.0.1.",
                                      "127.0.0.256",
                                      "0127.0.0.1",
                                      "127.0.0.1:",
                                      "127.0.0.1:123456",
                                      "evil.example:80",
                                      "[::2]",
                                      "[::1",
                                      "[::1]x",
                                      "::1",
                                      "127..0.1",
                                      "localhost:80:80",
                                      " localhost"};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
        if (!tautd_guard_host(good[i]))
            fail_msg("refused: %s", good[i]);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        if (tautd_guard_host(bad[i]))
            fail_msg("taken: %s", bad[i]);
    assert_false(tautd_guard_host(NULL));
}

static void origin_must_be_the_host(void **state)
{
    (void)state;
    assert_true(tautd_guard_origin("http://localhost:8470", "localhost:8470"));
    assert_true(tautd_guard_origin("https://LocalHost:8470", "localhost:8470"));
    assert_false(tautd_guard_origin("http://localhost", "localhost:8470"));
    assert_false(tautd_guard_origin("http://localhost:8470/", "localhost:8470"));
    assert_false(tautd_guard_origin("http://localhost:8470.evil.example", "localhost:8470"));
    assert_false(tautd_guard_origin("null", "localhost:8470"));
    assert_false(tautd_guard_origin("", "localhost:8470"));
    assert_false(tautd_guard_origin("ftp://localhost:8470", "localhost:8470"));
}

static void target_must_be_short_printable_and_without_nul(void **state)
{
    (void)state;
    char longest[TAUTD_GUARD_TARGET_MAX + 2];
    memset(longest, 'a', sizeof longest);
    longest[0] = '/';
    longest[TAUTD_GUARD_TARGET_MAX] = '\0';
    assert_true(tautd_guard_target(longest));
    longest[TAUTD_GUARD_TARGET_MAX] = 'a';
    longest[TAUTD_GUARD_TARGET_MAX + 1] = '\0';
    assert_false(tautd_guard_target(longest));
    assert_true(tautd_guard_target("/v1/live?station=A"));
    assert_false(tautd_guard_target("v1"));
    assert_false(tautd_guard_target(""));
    assert_false(tautd_guard_target("/a%00b"));
    assert_false(tautd_guard_target("/a\tb"));
    assert_false(tautd_guard_target("/\xC3\x96"));
}

static void text_for_people_is_utf8_without_control_characters(void **state)
{
    (void)state;
    assert_true(tautd_guard_text(""));
    assert_true(tautd_guard_text("Ruder \xC3\x96 \"2\" \xE2\x82\xAC \xF0\x9F\x9B\xB6"));
    static const char *const bad[] = {"a\nb", "\x1B[2J",  "\x7F",         "\xC2\x85",         "\xC3",
                                      "\xFF", "\xC0\x80", "\xED\xA0\x80", "\xF4\x90\x80\x80", "\xE0\x80\x80"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        assert_false(tautd_guard_text(bad[i]));
}

/* ---- commands ---- */

static enum taut_status parse(const char *body, struct tautd_order *order, struct taut_diag *diag)
{
    const struct tautd_api_peer peer = {.local = true, .uid = 1000, .name = "shop"};
    return tautd_order_parse(body, strlen(body), &peer, order, diag);
}

static void whole_start_command_is_read(void **state)
{
    (void)state;
    struct tautd_order order;
    struct taut_diag diag = {0};
    assert_int_equal(
        parse("{\"verb\":\"start\",\"part\":\"RB \\\"\\u00d6\\\"\",\"recipe\":\"rudder\",\"who\":\"anna\"}", &order, &diag),
        TAUT_OK);
    assert_int_equal(order.command.verb, TAUT_VERB_START);
    assert_string_equal(order.part, "RB \"\xC3\x96\"");
    assert_string_equal(order.recipe, "rudder");
    assert_string_equal(order.command.who, "anna (shop)");
    assert_int_equal(order.command.alarm, TAUT_ALARM_KINDS);
}

static void every_verb_takes_what_it_needs(void **state)
{
    (void)state;
    static const struct {
        const char *body;
        enum taut_verb verb;
    } good[] = {
        {"{\"verb\":\"isolate\"}",                                    TAUT_VERB_ISOLATE    },
        {"{\"verb\":\"test\"}",                                       TAUT_VERB_TEST       },
        {" {\"verb\":\"fill\"}\r\n",                                  TAUT_VERB_FILL       },
        {"{\"verb\":\"fill\",\"text\":\"resin is mixed\"}",           TAUT_VERB_FILL       },
        {"{\"verb\":\"clamp\"}",                                      TAUT_VERB_CLAMP      },
        {"{\"verb\":\"cure\"}",                                       TAUT_VERB_CURE       },
        {"{\"verb\":\"finish\"}",                                     TAUT_VERB_FINISH     },
        {"{\"verb\":\"abort\",\"text\":\"bag burst\"}",               TAUT_VERB_ABORT      },
        {"{\"verb\":\"note\",\"text\":\"n\"}",                        TAUT_VERB_NOTE       },
        {"{\"verb\":\"acknowledge\"}",                                TAUT_VERB_ACKNOWLEDGE},
        {"{\"verb\":\"acknowledge\",\"alarm\":\"supply\"}",           TAUT_VERB_ACKNOWLEDGE},
        {"{\"verb\":\"reset\",\"alarm\":\"sensor\"}",                 TAUT_VERB_RESET      },
        {"{\"verb\":\"shelve\",\"alarm\":\"sensor\",\"number\":600}", TAUT_VERB_SHELVE     },
        {"{\"verb\":\"unshelve\",\"alarm\":\"sensor\"}",              TAUT_VERB_UNSHELVE   },
    };
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        struct tautd_order order;
        struct taut_diag diag = {0};
        if (parse(good[i].body, &order, &diag) != TAUT_OK)
            fail_msg("%s: %s", good[i].body, diag.text);
        assert_int_equal(order.command.verb, good[i].verb);
        assert_string_equal(order.command.who, "shop");
    }
}

static void wrong_command_is_refused_with_its_reason(void **state)
{
    (void)state;
    static const struct {
        const char *body;
        enum taut_status status;
        const char *says;
    } bad[] = {
        {"",                                                                    TAUT_E_FORMAT, "not JSON"                    },
        {"{",                                                                   TAUT_E_FORMAT, "not JSON"                    },
        {"[]",                                                                  TAUT_E_FORMAT, "object"                      },
        {"\"start\"",                                                           TAUT_E_FORMAT, "object"                      },
        {"{\"verb\":\"test\"} x",                                               TAUT_E_FORMAT, "follows"                     },
        {"{\"verb\":\"test\"}{}",                                               TAUT_E_FORMAT, "follows"                     },
        {"{}",                                                                  TAUT_E_ARG,    "verb: missing"               },
        {"{\"verb\":\"explode\"}",                                              TAUT_E_ARG,    "\"explode\" is not known"    },
        {"{\"verb\":7}",                                                        TAUT_E_ARG,    "verb: must be a text"        },
        {"{\"verb\":null}",                                                     TAUT_E_ARG,    "verb: must be a text"        },
        {"{\"verb\":\"test\",\"verb\":\"abort\"}",                              TAUT_E_ARG,    "verb: given twice"           },
        {"{\"verb\":\"test\",\"frob\":1}",                                      TAUT_E_ARG,    "not known"                   },
        {"{\"Verb\":\"test\"}",                                                 TAUT_E_ARG,    "not known"                   },
        {"{\"verb\":\"start\"}",                                                TAUT_E_ARG,    "part: \"start\" needs it"    },
        {"{\"verb\":\"start\",\"part\":\"\"}",                                  TAUT_E_ARG,    "part: \"start\" needs it"    },
        {"{\"verb\":\"abort\"}",                                                TAUT_E_ARG,    "the reason"                  },
        {"{\"verb\":\"note\",\"part\":\"x\",\"text\":\"y\"}",                   TAUT_E_ARG,    "part: not used by \"note\""  },
        {"{\"verb\":\"shelve\",\"alarm\":\"sensor\"}",                          TAUT_E_ARG,    "number: \"shelve\" needs it" },
        {"{\"verb\":\"shelve\",\"alarm\":\"sensor\",\"number\":\"600\"}",       TAUT_E_ARG,    "number: must be a number"    },
        {"{\"verb\":\"shelve\",\"alarm\":\"sensor\",\"number\":1e999}",         TAUT_E_ARG,    "number: must be a number"    },
        {"{\"verb\":\"reset\",\"alarm\":\"horn\"}",                             TAUT_E_ARG,    "alarm: \"horn\" is not known"},
        {"{\"verb\":\"note\",\"text\":\"a\\nb\"}",                              TAUT_E_ARG,    "control characters"          },
        {"{\"verb\":\"note\",\"text\":\"a\\u001bb\"}",                          TAUT_E_ARG,    "control characters"          },
        {"{\"verb\":\"note\",\"text\":\"\xFF\"}",                               TAUT_E_ARG,    "UTF-8"                       },
        {"{\"verb\":\"start\",\"part\":\"a\\u0000b\"}",                         TAUT_E_FORMAT, "NUL"                         },
        {"{\"verb\":\"test\",\"who\":\"a name that is much too long to fit\"}", TAUT_E_RANGE,  "who: at most 32 bytes"       },
    };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct tautd_order order = {.part = "untouched"};
        struct taut_diag diag = {0};
        enum taut_status status = parse(bad[i].body, &order, &diag);
        if (status != bad[i].status || !strstr(diag.text, bad[i].says))
            fail_msg("%s: status %d, text \"%s\"", bad[i].body, status, diag.text);
        assert_string_equal(order.part, "untouched");
    }
}

static void text_at_the_limit_passes_and_one_byte_more_does_not(void **state)
{
    (void)state;
    char body[512];
    struct tautd_order order;
    struct taut_diag diag;
    snprintf(body, sizeof body, "{\"verb\":\"note\",\"text\":\"%0*d\"}", TAUT_TEXT_MAX - 1, 7);
    assert_int_equal(parse(body, &order, &diag), TAUT_OK);
    assert_int_equal(strlen(order.command.text), TAUT_TEXT_MAX - 1);
    snprintf(body, sizeof body, "{\"verb\":\"note\",\"text\":\"%0*d\"}", TAUT_TEXT_MAX, 7);
    assert_int_equal(parse(body, &order, &diag), TAUT_E_RANGE);
}

static void deep_nesting_is_refused(void **state)
{
    (void)state;
    char body[8000];
    memset(body, '[', sizeof body - 1);
    body[sizeof body - 1] = '\0';
    struct tautd_order order;
    struct taut_diag diag;
    assert_int_equal(parse(body, &order, &diag), TAUT_E_FORMAT);
}

static void raw_nul_is_refused(void **state)
{
    (void)state;
    static const char body[] = "{\"verb\":\"test\"}\0";
    const struct tautd_api_peer peer = {.name = "shop"};
    struct tautd_order order;
    struct taut_diag diag;
    assert_int_equal(tautd_order_parse(body, sizeof body - 1, &peer, &order, &diag), TAUT_E_FORMAT);
}

static void writer_sets_commas_and_turns_nan_into_null(void **state)
{
    (void)state;
    char storage[256];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    struct tautd_json json = {.borrowed_text = &text};
    tautd_json_open(&json, NULL, '{');
    tautd_json_string(&json, "a", "\"");
    tautd_json_open(&json, "b", '[');
    tautd_json_close(&json, ']');
    tautd_json_open(&json, "c", '[');
    tautd_json_number(&json, NULL, NAN);
    tautd_json_number(&json, NULL, 8.31);
    tautd_json_close(&json, ']');
    tautd_json_flag(&json, "d", true);
    tautd_json_time(&json, "e", 0);
    tautd_json_close(&json, '}');
    assert_string_equal(storage, "{\"a\":\"\\\"\",\"b\":[],\"c\":[null,8.31],\"d\":true,\"e\":null}");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(only_loopback_names_are_taken_as_host),
        cmocka_unit_test(origin_must_be_the_host),
        cmocka_unit_test(target_must_be_short_printable_and_without_nul),
        cmocka_unit_test(text_for_people_is_utf8_without_control_characters),
        cmocka_unit_test(whole_start_command_is_read),
        cmocka_unit_test(every_verb_takes_what_it_needs),
        cmocka_unit_test(wrong_command_is_refused_with_its_reason),
        cmocka_unit_test(text_at_the_limit_passes_and_one_byte_more_does_not),
        cmocka_unit_test(deep_nesting_is_refused),
        cmocka_unit_test(raw_nul_is_refused),
        cmocka_unit_test(writer_sets_commas_and_turns_nan_into_null),
    };
    return cmocka_run_group_tests_name("web", tests, NULL, NULL);
}
