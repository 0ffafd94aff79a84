#include "taut/sample.h"

#include <stddef.h>
#include <string.h>

const char *taut_quality_text(enum taut_quality quality)
{
    switch (quality) {
    case TAUT_QUALITY_GOOD:
        return "good";
    case TAUT_QUALITY_UNCERTAIN:
        return "uncertain";
    case TAUT_QUALITY_BAD:
        break;
    }
    return "bad";
}

static const char *const reason_words[TAUT_REASONS] = {
    [TAUT_REASON_NONE] = "",
    [TAUT_REASON_NOT_A_NUMBER] = "not-a-number",
    [TAUT_REASON_OUT_OF_RANGE] = "out-of-range",
    [TAUT_REASON_UNDER_RANGE] = "under-range",
    [TAUT_REASON_OVER_RANGE] = "over-range",
    [TAUT_REASON_LOOP_LOW] = "loop-low",
    [TAUT_REASON_LOOP_HIGH] = "loop-high",
    [TAUT_REASON_FROZEN] = "frozen",
    [TAUT_REASON_STALE] = "stale",
    [TAUT_REASON_NO_ANSWER] = "no-answer",
    [TAUT_REASON_EXCEPTION] = "exception",
    [TAUT_REASON_BAD_FRAME] = "bad-frame",
    [TAUT_REASON_LINE_DOWN] = "line-down",
    [TAUT_REASON_NO_AMBIENT] = "no-ambient",
    [TAUT_REASON_FAULTY] = "faulty",
};

const char *taut_reason_text(enum taut_reason reason)
{
    return (unsigned)reason < TAUT_REASONS ? reason_words[reason] : "unknown";
}

enum taut_status taut_reason_parse(const char *text, enum taut_reason *out)
{
    for (unsigned i = 0; i < TAUT_REASONS; i++) {
        if (strcmp(text, reason_words[i]) == 0) {
            *out = (enum taut_reason)i;
            return TAUT_OK;
        }
    }
    return TAUT_E_NOENT;
}

static const char *const role_words[TAUT_ROLES] = {
    [TAUT_ROLE_VENT] = "vent",         [TAUT_ROLE_FAR] = "far",         [TAUT_ROLE_FEED] = "feed",
    [TAUT_ROLE_MANIFOLD] = "manifold", [TAUT_ROLE_AMBIENT] = "ambient", [TAUT_ROLE_TEMPERATURE] = "temperature",
};

const char *taut_role_text(enum taut_role role)
{
    return (unsigned)role < TAUT_ROLES ? role_words[role] : "unknown";
}
