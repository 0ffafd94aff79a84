#include "hook.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>

#include "clock.h"
#include "log.h"

struct job {
    char path[256];
    struct tautd_facts facts;
    double most_s;
};

struct tautd_hooks {
    struct {
        pid_t pid; /* 0 = free */
        int64_t kill_ns;
        char path[256];
    } running[TAUTD_HOOKS_AT_ONCE];
    struct job *waiting[TAUTD_HOOKS_WAITING]; /* made when needed: hooks are rare */
    int first, count;
};

struct tautd_hooks *tautd_hooks_new(void)
{
    return calloc(1, sizeof(struct tautd_hooks));
}

void tautd_facts_add(struct tautd_facts *facts, const char *name, const char *format, ...)
{
    if (facts->count >= TAUTD_HOOK_FACTS)
        return;
    char *fact = facts->fact[facts->count++];
    int n = snprintf(fact, sizeof facts->fact[0], "TAUT_%s=", name);
    va_list args;
    va_start(args, format);
    vsnprintf(fact + n, sizeof facts->fact[0] - (size_t)n, format, args);
    va_end(args);
    for (char *c = fact; *c; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7F)
            *c = ' ';
}

static bool start(struct tautd_hooks *hooks, const struct job *job)
{
    for (int i = 0; i < TAUTD_HOOKS_AT_ONCE; i++) {
        if (hooks->running[i].pid)
            continue;
        char path_fact[] = "PATH=/usr/local/bin:/usr/bin:/bin";
        char *environment[TAUTD_HOOK_FACTS + 2] = {path_fact};
        for (int f = 0; f < job->facts.count; f++)
            environment[f + 1] = (char *)(uintptr_t)job->facts.fact[f];
        char *arguments[] = {(char *)(uintptr_t)job->path, NULL};
        posix_spawn_file_actions_t actions;
        posix_spawnattr_t attributes;
        sigset_t none, all;
        sigemptyset(&none);
        sigfillset(&all);
        posix_spawn_file_actions_init(&actions);
        posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
        posix_spawn_file_actions_addopen(&actions, 1, "/dev/null", O_WRONLY, 0);
        posix_spawnattr_init(&attributes);
        posix_spawnattr_setsigmask(&attributes, &none);
        posix_spawnattr_setsigdefault(&attributes, &all);
        posix_spawnattr_setpgroup(&attributes, 0); /* so that what the hook starts is ended with it */
        posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF | POSIX_SPAWN_SETPGROUP);
        pid_t pid;
        int error = posix_spawn(&pid, job->path, &actions, &attributes, arguments, environment);
        posix_spawnattr_destroy(&attributes);
        posix_spawn_file_actions_destroy(&actions);
        if (error) {
            tautd_log(TAUTD_ERROR, "hook %s could not be started: %s", job->path, strerror(error));
            return true;
        }
        hooks->running[i].pid = pid;
        hooks->running[i].kill_ns = tautd_clock_real_ns() + (int64_t)(job->most_s * 1e9);
        snprintf(hooks->running[i].path, sizeof hooks->running[i].path, "%s", job->path);
        return true;
    }
    return false;
}

void tautd_hooks_run(struct tautd_hooks *hooks, const char *path, const struct tautd_facts *facts, double most_s)
{
    if (!path[0])
        return;
    struct job *job = malloc(sizeof *job);
    if (!job || hooks->count == TAUTD_HOOKS_WAITING) {
        tautd_log_sparse(TAUTD_ERROR, "hook-lost", "hook %s lost: too many are waiting", path);
        free(job);
        return;
    }
    snprintf(job->path, sizeof job->path, "%s", path);
    job->facts = *facts;
    job->most_s = most_s;
    hooks->waiting[(hooks->first + hooks->count++) % TAUTD_HOOKS_WAITING] = job;
    tautd_hooks_turn(hooks);
}

static void reap(struct tautd_hooks *hooks)
{
    for (int i = 0; i < TAUTD_HOOKS_AT_ONCE; i++) {
        if (!hooks->running[i].pid)
            continue;
        int status;
        pid_t ended = waitpid(hooks->running[i].pid, &status, WNOHANG);
        if (ended == 0) {
            if (tautd_clock_real_ns() > hooks->running[i].kill_ns) {
                tautd_log(TAUTD_WARNING, "hook %s took too long and is ended", hooks->running[i].path);
                kill(-hooks->running[i].pid, SIGKILL);
                hooks->running[i].kill_ns = INT64_MAX;
            }
            continue;
        }
        if (ended > 0 && (!WIFEXITED(status) || WEXITSTATUS(status) != 0))
            tautd_log(TAUTD_WARNING, "hook %s ended with %s %d", hooks->running[i].path, WIFEXITED(status) ? "status" : "signal",
                      WIFEXITED(status) ? WEXITSTATUS(status) : WTERMSIG(status));
        hooks->running[i].pid = 0;
    }
}

void tautd_hooks_turn(struct tautd_hooks *hooks)
{
    reap(hooks);
    while (hooks->count && start(hooks, hooks->waiting[hooks->first])) {
        free(hooks->waiting[hooks->first]);
        hooks->first = (hooks->first + 1) % TAUTD_HOOKS_WAITING;
        hooks->count--;
    }
}

void tautd_hooks_free(struct tautd_hooks *hooks)
{
    if (!hooks)
        return;
    for (int i = 0; i < TAUTD_HOOKS_AT_ONCE; i++)
        if (hooks->running[i].pid) {
            kill(-hooks->running[i].pid, SIGKILL);
            waitpid(hooks->running[i].pid, NULL, 0);
        }
    for (; hooks->count; hooks->count--, hooks->first = (hooks->first + 1) % TAUTD_HOOKS_WAITING)
        free(hooks->waiting[hooks->first]);
    free(hooks);
}
