#include <math.h>
#include <stdio.h>
#include <string.h>

#include "station/step.h"
#include "taut/units.h"

#define IN(phase) (1u << TAUT_PHASE_##phase)

/* From which phases a command leads on, and what to say elsewhere. */
static const struct {
    unsigned from;
    const char *elsewhere;
} rules[TAUT_VERBS] = {
    [TAUT_VERB_ISOLATE] = {IN(DRAWDOWN) | IN(READY),                                                                  "a bag is shut off and tested from drawdown or ready"},
    [TAUT_VERB_TEST] = {IN(DRAWDOWN) | IN(READY),                                                                  "a bag is shut off and tested from drawdown or ready"},
    [TAUT_VERB_PUMP] = {IN(SETTLE) | IN(DROP_TEST),                                                                "there is no drop test to stop"                      },
    [TAUT_VERB_FILL] = {IN(READY) | IN(DRAWDOWN),                                                                  "filling begins from ready, after a passed drop test"},
    [TAUT_VERB_CLAMP] = {IN(FILL),                                                                                  "the vent is clamped at the end of filling"          },
    [TAUT_VERB_CURE] = {IN(FILL) | IN(CLAMPED),                                                                    "cure comes after fill or clamped"                   },
    [TAUT_VERB_FINISH] = {IN(READY) | IN(FILL) | IN(CLAMPED) | IN(CURE),
                           "a part is finished from ready, fill, clamped or cure; else abort it"                                                                           },
    [TAUT_VERB_ABORT] = {IN(DRAWDOWN) | IN(SETTLE) | IN(DROP_TEST) | IN(READY) | IN(FILL) | IN(CLAMPED) | IN(CURE),
                           "no part is under way"                                                                                                                          },
    [TAUT_VERB_NOTE] = {IN(DRAWDOWN) | IN(SETTLE) | IN(DROP_TEST) | IN(READY) | IN(FILL) | IN(CLAMPED) | IN(CURE),
                           "no part is under way: a note needs one"                                                                                                        },
};

/* The operator closes the valve first and confirms then: meanwhile the bag may have risen above the target again. */
static bool came_down(const struct taut_station *s)
{
    enum { CONFIRM_S = 120 };
    if (s->latest[TAUT_ROLE_VENT].value <= s->run.recipe.drawdown_below_pa)
        return true;
    return s->setup.valve == TAUT_VALVE_HAND && s->below_last_ns >= 0 && taut_seconds(s->now_ns - s->below_last_ns) <= CONFIRM_S;
}

static enum taut_status isolate(struct taut_station *s, const struct taut_command *c, struct taut_effects *effects,
                                struct taut_diag *diag)
{
    const struct taut_sample *vent = &s->latest[TAUT_ROLE_VENT];
    if (s->latest_ns[TAUT_ROLE_VENT] < 0 || vent->quality != TAUT_QUALITY_GOOD)
        return taut_diag_set(diag, TAUT_E_STATE, "%s does not read (%s): nothing could be judged",
                             s->setup.channel[TAUT_ROLE_VENT].name,
                             s->latest_ns[TAUT_ROLE_VENT] < 0 ? "no reading yet" : taut_reason_text(vent->reason));
    if (!came_down(s) && !c->text[0])
        return taut_diag_set(
            diag, TAUT_E_STATE,
            "the bag is at %.1f mbar; recipe %s wants below %.1f mbar before it is shut off (give a reason to test all the same)",
            taut_mbar(vent->value), s->run.recipe.name, taut_mbar(s->run.recipe.drawdown_below_pa));
    step_isolate(s, effects);
    return TAUT_OK;
}

static enum taut_status fill(struct taut_station *s, const struct taut_command *c, struct taut_effects *effects,
                             struct taut_diag *diag)
{
    if (!s->tight) {
        if (!c->text[0])
            return taut_diag_set(diag, TAUT_E_STATE, "no passed drop test: test first, or give a reason to fill all the same");
        snprintf(s->override_reason, sizeof s->override_reason, "%s", c->text);
        struct taut_effect *e = step_effect(effects, TAUT_EFFECT_NOTE);
        if (e)
            snprintf(e->text, sizeof e->text, "filled without a passed drop test: %.200s", c->text);
    }
    step_enter(s, TAUT_PHASE_FILL, effects);
    return TAUT_OK;
}

static enum taut_status abort_run(struct taut_station *s, const struct taut_command *c, struct taut_effects *effects,
                                  struct taut_diag *diag)
{
    if (!c->text[0])
        return taut_diag_set(diag, TAUT_E_ARG, "aborting a part needs a reason");
    if (s->phase == TAUT_PHASE_SETTLE || s->phase == TAUT_PHASE_DROP_TEST) {
        taut_droptest_stop(&s->droptest, TAUT_WHY_STOPPED);
        step_verdict(s, effects);
    }
    s->aborted = true;
    step_enter(s, TAUT_PHASE_DONE, effects);
    return TAUT_OK;
}

enum taut_status step_phase_command(struct taut_station *s, const struct taut_event *event, struct taut_effects *effects,
                                    struct taut_diag *diag)
{
    const struct taut_command *c = &event->command;
    if ((unsigned)c->verb >= TAUT_VERBS)
        return taut_diag_set(diag, TAUT_E_ARG, "no such command");
    if (!(rules[c->verb].from & (1u << s->phase)))
        return taut_diag_set(diag, TAUT_E_STATE, "%s is not possible in %s: %s", taut_verb_text(c->verb),
                             taut_phase_text(s->phase), rules[c->verb].elsewhere);
    switch (c->verb) {
    case TAUT_VERB_ISOLATE:
    case TAUT_VERB_TEST:
        return isolate(s, c, effects, diag);
    case TAUT_VERB_PUMP:
        taut_droptest_stop(&s->droptest, TAUT_WHY_STOPPED);
        step_verdict(s, effects);
        return TAUT_OK;
    case TAUT_VERB_FILL:
        return fill(s, c, effects, diag);
    case TAUT_VERB_CLAMP:
        step_enter(s, TAUT_PHASE_CLAMPED, effects);
        return TAUT_OK;
    case TAUT_VERB_CURE:
        step_enter(s, TAUT_PHASE_CURE, effects);
        return TAUT_OK;
    case TAUT_VERB_FINISH:
        step_enter(s, TAUT_PHASE_DONE, effects);
        return TAUT_OK;
    case TAUT_VERB_ABORT:
        return abort_run(s, c, effects, diag);
    case TAUT_VERB_NOTE:
        if (!c->text[0])
            return taut_diag_set(diag, TAUT_E_ARG, "an empty note");
        return TAUT_OK;
    default:
        return taut_diag_set(diag, TAUT_E_ARG, "no such command");
    }
}

/* ---- what to do next ------------------------------------------------------------------------------------ */

static void advise_drawdown(const struct taut_station *s, char out[TAUT_TEXT_MAX])
{
    const struct taut_test_record *last = taut_station_last_test(s);
    bool below = s->below_since_ns >= 0;
    bool long_enough = below && taut_seconds(s->now_ns - s->below_since_ns) >= s->run.recipe.drawdown_hold_s;
    if (last && last->result.verdict == TAUT_VERDICT_FAIL)
        snprintf(out, TAUT_TEXT_MAX, "The drop test failed: find the leak along the tape, seal it, then test again.");
    else if (last)
        snprintf(out, TAUT_TEXT_MAX, "The drop test was not conclusive: %.120s Then test again.",
                 taut_droptest_why_text(last->result.why));
    else if (s->setup.valve == TAUT_VALVE_HAND && (long_enough || (!below && came_down(s))))
        snprintf(out, TAUT_TEXT_MAX, "Close the valve at the vent by hand, then confirm with isolate.");
    else if (below && s->setup.valve == TAUT_VALVE_HAND)
        snprintf(out, TAUT_TEXT_MAX, "Below %.1f mbar: keep the pump on for %.0f s.", taut_mbar(s->run.recipe.drawdown_below_pa),
                 s->run.recipe.drawdown_hold_s);
    else if (below)
        snprintf(out, TAUT_TEXT_MAX, "Below %.1f mbar: the valve closes after %.0f s there.",
                 taut_mbar(s->run.recipe.drawdown_below_pa), s->run.recipe.drawdown_hold_s);
    else if (isfinite(s->drawdown.result.to_target_s))
        snprintf(out, TAUT_TEXT_MAX, "Drawing down to %.1f mbar, about %.0f s more: %s.",
                 taut_mbar(s->run.recipe.drawdown_below_pa), s->drawdown.result.to_target_s,
                 taut_drawdown_text(s->drawdown.result.state));
    else
        snprintf(out, TAUT_TEXT_MAX, "Draw down below %.1f mbar: %s.", taut_mbar(s->run.recipe.drawdown_below_pa),
                 taut_drawdown_text(s->drawdown.result.state));
}

void taut_station_advice(const struct taut_station *s, char out[TAUT_TEXT_MAX])
{
    for (int k = 0; k < TAUT_ALARM_KINDS; k++)
        if (taut_alarm_calls(&s->alarm[k].alarm)) {
            snprintf(out, TAUT_TEXT_MAX, "%s", taut_alarm_kind_advice((enum taut_alarm_kind)k));
            return;
        }
    const struct taut_droptest_result *r = &s->droptest.result;
    switch (s->phase) {
    case TAUT_PHASE_IDLE:
        snprintf(out, TAUT_TEXT_MAX, "Bag the part, open the valve to the pump, then start with the part's id.");
        break;
    case TAUT_PHASE_DRAWDOWN:
        advise_drawdown(s, out);
        break;
    case TAUT_PHASE_SETTLE:
        snprintf(out, TAUT_TEXT_MAX, "Hands off: the bag is shut off and evens out, at most %.0f s.", s->run.recipe.settle_max_s);
        break;
    case TAUT_PHASE_DROP_TEST:
        if (r->needed_s > 0)
            snprintf(out, TAUT_TEXT_MAX, "Hands off: drop test running, verdict in about %.0f s.", r->needed_s);
        else
            snprintf(out, TAUT_TEXT_MAX, "Hands off: drop test running.");
        break;
    case TAUT_PHASE_READY:
        snprintf(out, TAUT_TEXT_MAX, "Tight: mix resin and fill, or test again.");
        break;
    case TAUT_PHASE_FILL:
        snprintf(out, TAUT_TEXT_MAX, "Fill; clamp when the resin reaches the vent.");
        break;
    case TAUT_PHASE_CLAMPED:
        snprintf(out, TAUT_TEXT_MAX, "Clamped; go on to cure when the part is wetted out.");
        break;
    case TAUT_PHASE_CURE:
        snprintf(out, TAUT_TEXT_MAX, "Leave the vacuum on until the resin is hard, then finish.");
        break;
    case TAUT_PHASE_DONE:
        snprintf(out, TAUT_TEXT_MAX, "Done: the record is closed. Start the next part.");
        break;
    case TAUT_PHASES:
        break;
    }
}
