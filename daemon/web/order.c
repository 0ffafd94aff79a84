#include "web/order.h"

#include <cjson/cJSON.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "taut/text.h"
#include "web/guard.h"

enum { PART = 1, RECIPE = 2, TEXT = 4, ALARM = 8, NUMBER = 16 };

/* What each verb takes. */
static const struct {
    unsigned needs, may;
} takes[TAUT_VERBS] = {
    [TAUT_VERB_START] = {PART,           RECIPE},
    [TAUT_VERB_FILL] = {0,              TEXT  },
    [TAUT_VERB_ABORT] = {TEXT,           0     },
    [TAUT_VERB_NOTE] = {TEXT,           0     },
    [TAUT_VERB_ACKNOWLEDGE] = {0,              ALARM },
    [TAUT_VERB_RESET] = {ALARM,          0     },
    [TAUT_VERB_SHELVE] = {ALARM | NUMBER, 0     },
    [TAUT_VERB_UNSHELVE] = {ALARM,          0     },
};

/* The keys, with room in bytes for the texts. VERB and WHO belong to every command. */
static const struct {
    const char *name;
    unsigned bit;
    size_t room;
} keys[] = {
    {"verb",   0,      TAUT_NAME_MAX   },
    {"who",    0,      TAUT_WHO_MAX    },
    {"part",   PART,   TAUT_PART_ID_MAX},
    {"recipe", RECIPE, TAUT_NAME_MAX   },
    {"text",   TEXT,   TAUT_TEXT_MAX   },
    {"alarm",  ALARM,  TAUT_NAME_MAX   },
    {"number", NUMBER, 0               },
};
enum { KEYS = sizeof keys / sizeof keys[0] };
enum { KEY_VERB, KEY_WHO, KEY_PART, KEY_RECIPE, KEY_TEXT, KEY_ALARM, KEY_NUMBER };

static enum taut_status check_value(int key, const cJSON *item, struct taut_diag *diag)
{
    const char *name = keys[key].name;
    if (keys[key].room == 0) {
        if (!cJSON_IsNumber(item) || !isfinite(item->valuedouble))
            return taut_diag_set(diag, TAUT_E_ARG, "%s: must be a number", name);
        return TAUT_OK;
    }
    if (!cJSON_IsString(item))
        return taut_diag_set(diag, TAUT_E_ARG, "%s: must be a text in quotes", name);
    if (strlen(item->valuestring) >= keys[key].room)
        return taut_diag_set(diag, TAUT_E_RANGE, "%s: at most %zu bytes", name, keys[key].room - 1);
    if (!tautd_guard_text(item->valuestring))
        return taut_diag_set(diag, TAUT_E_ARG, "%s: must be UTF-8 without control characters", name);
    return TAUT_OK;
}

static enum taut_status collect(const cJSON *root, const cJSON *found[KEYS], struct taut_diag *diag)
{
    for (const cJSON *item = root->child; item; item = item->next) {
        int key = 0;
        while (key < KEYS && strcmp(keys[key].name, item->string) != 0)
            key++;
        if (key == KEYS)
            return taut_diag_set(diag, TAUT_E_ARG,
                                 "there is a key that is not known; the keys are verb, who, part, recipe, text, "
                                 "alarm and number");
        if (found[key])
            return taut_diag_set(diag, TAUT_E_ARG, "%s: given twice", keys[key].name);
        enum taut_status status = check_value(key, item, diag);
        if (status != TAUT_OK)
            return status;
        found[key] = item;
    }
    if (!found[KEY_VERB])
        return taut_diag_set(diag, TAUT_E_ARG, "verb: missing");
    return TAUT_OK;
}

static enum taut_status check_fit(enum taut_verb verb, const cJSON *const found[KEYS], struct taut_diag *diag)
{
    for (int key = KEY_PART; key < KEYS; key++) {
        unsigned bit = keys[key].bit;
        bool empty = !found[key] || (found[key]->valuestring && !found[key]->valuestring[0]);
        if ((takes[verb].needs & bit) && empty)
            return taut_diag_set(diag, TAUT_E_ARG, "%s: \"%s\" needs it%s", keys[key].name, taut_verb_text(verb),
                                 verb == TAUT_VERB_ABORT ? " (the reason)" : "");
        if (found[key] && !((takes[verb].needs | takes[verb].may) & bit))
            return taut_diag_set(diag, TAUT_E_ARG, "%s: not used by \"%s\"", keys[key].name, taut_verb_text(verb));
    }
    return TAUT_OK;
}

static enum taut_status set_who(const char *given, const struct tautd_api_peer *peer, char who[TAUT_WHO_MAX],
                                struct taut_diag *diag)
{
    if (!given || !given[0]) {
        snprintf(who, TAUT_WHO_MAX, "%s", peer->name);
        return TAUT_OK;
    }
    int n = snprintf(who, TAUT_WHO_MAX, "%s (%.16s)", given, peer->name);
    if (n >= TAUT_WHO_MAX)
        return taut_diag_set(diag, TAUT_E_RANGE, "who: at most %d bytes for this account",
                             TAUT_WHO_MAX - 1 - (n - (int)strlen(given)));
    return TAUT_OK;
}

static enum taut_status unknown_alarm(const char *word, struct taut_diag *diag)
{
    char storage[200];
    struct taut_text list;
    taut_text_init(&list, storage, sizeof storage);
    for (int k = 0; k < TAUT_ALARM_KINDS; k++)
        taut_text_addf(&list, "%s%s", k ? ", " : "", taut_alarm_kind_text((enum taut_alarm_kind)k));
    return taut_diag_set(diag, TAUT_E_ARG, "alarm: \"%s\" is not known; there are %s", word, storage);
}

static void copy(char *out, size_t room, const cJSON *item)
{
    if (item)
        snprintf(out, room, "%s", item->valuestring);
}

static enum taut_status fill_in(const cJSON *root, const struct tautd_api_peer *peer, struct tautd_order *order,
                                struct taut_diag *diag)
{
    const cJSON *found[KEYS] = {0};
    enum taut_status status = collect(root, found, diag);
    if (status != TAUT_OK)
        return status;
    struct taut_command *command = &order->command;
    if (taut_verb_parse(found[KEY_VERB]->valuestring, &command->verb) != TAUT_OK)
        return taut_diag_set(diag, TAUT_E_ARG, "verb: \"%s\" is not known", found[KEY_VERB]->valuestring);
    if ((status = check_fit(command->verb, (const cJSON *const *)found, diag)) != TAUT_OK)
        return status;
    command->alarm = TAUT_ALARM_KINDS;
    if (found[KEY_ALARM] && taut_alarm_kind_parse(found[KEY_ALARM]->valuestring, &command->alarm) != TAUT_OK)
        return unknown_alarm(found[KEY_ALARM]->valuestring, diag);
    if (found[KEY_NUMBER])
        command->number = found[KEY_NUMBER]->valuedouble;
    copy(command->text, sizeof command->text, found[KEY_TEXT]);
    copy(order->part, sizeof order->part, found[KEY_PART]);
    copy(order->recipe, sizeof order->recipe, found[KEY_RECIPE]);
    return set_who(found[KEY_WHO] ? found[KEY_WHO]->valuestring : NULL, peer, command->who, diag);
}

/* cJSON cuts a text at an escaped NUL; such a text must not pass as a shorter one. */
static bool holds_nul(const char *body, size_t size)
{
    return memchr(body, '\0', size) != NULL || memmem(body, size, "\\u0000", 6) != NULL;
}

enum taut_status tautd_order_parse(const char *body, size_t size, const struct tautd_api_peer *peer, struct tautd_order *out,
                                   struct taut_diag *diag)
{
    if (holds_nul(body, size))
        return taut_diag_set(diag, TAUT_E_FORMAT, "a NUL character is not allowed");
    const char *end = NULL;
    cJSON *root = cJSON_ParseWithLengthOpts(body, size, &end, false);
    if (!root)
        return taut_diag_set(diag, TAUT_E_FORMAT, "not JSON, or nested too deeply");
    enum taut_status status = TAUT_OK;
    for (; status == TAUT_OK && end < body + size; end++)
        if (!strchr(" \t\r\n", *end))
            status = taut_diag_set(diag, TAUT_E_FORMAT, "something follows the JSON value");
    if (status == TAUT_OK && !cJSON_IsObject(root))
        status = taut_diag_set(diag, TAUT_E_FORMAT, "must be a JSON object with a verb");
    struct tautd_order order = {0};
    if (status == TAUT_OK)
        status = fill_in(root, peer, &order, diag);
    if (status == TAUT_OK)
        *out = order;
    cJSON_Delete(root);
    return status;
}
