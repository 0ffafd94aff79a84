/** @file hook.h  Programs of the user that are run when an alarm changes or a verdict falls.
 *
 *  Failure policy: a hook never holds up the loop. It is started without a shell, with the facts in its
 *  environment, and is killed after its time. At most TAUTD_HOOKS_AT_ONCE run together and as many wait as the
 *  queue holds; what is lost is logged. */
#ifndef TAUTD_HOOK_H
#define TAUTD_HOOK_H

#include <stdint.h>

struct tautd_hooks;

enum { TAUTD_HOOKS_AT_ONCE = 4, TAUTD_HOOKS_WAITING = 64, TAUTD_HOOK_FACTS = 20 };

/** Facts as NAME=value; values are cut at 255 bytes and control characters become spaces. */
struct tautd_facts {
    int count;
    char fact[TAUTD_HOOK_FACTS][300];
};

struct tautd_hooks *tautd_hooks_new(void);

/** Add a fact; `name` is prefixed with TAUT_. */
void tautd_facts_add(struct tautd_facts *facts, const char *name, const char *format, ...) __attribute__((format(printf, 3, 4)));

/** Run `path` (absolute) with the facts, or queue it.  `most_s` real seconds, then SIGKILL. */
void tautd_hooks_run(struct tautd_hooks *hooks, const char *path, const struct tautd_facts *facts, double most_s);

/** Reap what ended, kill what is late, start what waits. Call on SIGCHLD and at every tick. */
void tautd_hooks_turn(struct tautd_hooks *hooks);

/** Kill what still runs, and free. NULL is allowed. */
void tautd_hooks_free(struct tautd_hooks *hooks);

#endif
