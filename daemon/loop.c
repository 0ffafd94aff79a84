#include "loop.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/signalfd.h>
#include <sys/timerfd.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

#include "clock.h"
#include "log.h"
#include "taut/units.h"

static void read_clocks(struct tautd_loop *loop)
{
    loop->now_mono_ns = tautd_clock_mono_ns();
    loop->now_wall_ns = tautd_clock_wall_ns();
}

static bool epoll_add(struct tautd_loop *loop, int fd)
{
    struct epoll_event event = {.events = EPOLLIN, .data.fd = fd};
    return epoll_ctl(loop->epoll, EPOLL_CTL_ADD, fd, &event) == 0;
}

static bool arm_tick(struct tautd_loop *loop)
{
    double tick_s = 1.0 / (tautd_clock_factor() > 1 ? tautd_clock_factor() : 1);
    if (tick_s < 0.02)
        tick_s = 0.02;
    struct itimerspec spec = {0};
    spec.it_interval.tv_sec = (time_t)tick_s;
    spec.it_interval.tv_nsec = (long)((tick_s - (double)spec.it_interval.tv_sec) * 1e9);
    spec.it_value = spec.it_interval;
    return timerfd_settime(loop->timer, 0, &spec, NULL) == 0;
}

static bool open_descriptors(struct tautd_loop *loop)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGHUP);
    sigaddset(&set, SIGCHLD);
    if (sigprocmask(SIG_BLOCK, &set, NULL))
        return false;
    loop->epoll = epoll_create1(EPOLL_CLOEXEC);
    loop->timer = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
    loop->signals = signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
    return loop->epoll >= 0 && loop->timer >= 0 && loop->signals >= 0 && arm_tick(loop) && epoll_add(loop, loop->timer) &&
           epoll_add(loop, loop->signals);
}

static bool open_api(struct tautd_loop *loop, struct taut_diag *diag)
{
    struct tautd_api_host host;
    loop->api = tautd_api_new(loop->config, tautd_host(loop, &host), diag);
    if (!loop->api)
        return false;
    int fds[4];
    int n = tautd_api_fds(loop->api, fds, 4);
    for (int i = 0; i < n; i++)
        if (!epoll_add(loop, fds[i]))
            return false;
    return true;
}

static bool open_bus(struct tautd_loop *loop, struct taut_diag *diag)
{
    loop->bus = tautd_bus_new(loop->config, diag);
    return loop->bus && epoll_add(loop, tautd_bus_fd(loop->bus));
}

/* Order: what can fail for a person's mistake first; the bus before the API, since its descriptors must be small. */
struct tautd_loop *tautd_loop_new(struct tautd_config *config, struct taut_diag *diag)
{
    struct tautd_loop *loop = calloc(1, sizeof *loop);
    if (!loop) {
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory");
        return NULL;
    }
    loop->epoll = loop->timer = loop->signals = -1;
    loop->config = config;
    read_clocks(loop);
    loop->start_ns = loop->now_mono_ns;
    loop->wall_offset_ns = loop->now_wall_ns - loop->now_mono_ns;
    loop->scratch = calloc(1, sizeof *loop->scratch);
    loop->text = malloc(TAUTD_TEXT_BYTES);
    loop->hooks = tautd_hooks_new();
    if (!loop->scratch || !loop->text || !loop->hooks || !tautd_wire(loop) || !open_descriptors(loop)) {
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory or descriptors: %s", strerror(errno));
        goto failed;
    }
    loop->sink = tautd_sink_new(config->state_dir, config->sync_s, diag);
    if (!loop->sink || !epoll_add(loop, tautd_sink_fd(loop->sink)))
        goto failed;
    if (!open_bus(loop, diag) || !open_api(loop, diag))
        goto failed;
    tautd_recover(loop);
    return loop;
failed:
    tautd_loop_free(loop);
    return NULL;
}

void tautd_loop_free(struct tautd_loop *loop)
{
    if (!loop)
        return;
    tautd_api_free(loop->api);
    tautd_bus_free(loop->bus);
    tautd_sink_free(loop->sink, 1.5);
    tautd_hooks_free(loop->hooks);
    tautd_unwire(loop);
    tautd_config_free(loop->config);
    tautd_config_free(loop->next_config);
    free(loop->scratch);
    free(loop->text);
    if (loop->epoll >= 0)
        close(loop->epoll);
    if (loop->timer >= 0)
        close(loop->timer);
    if (loop->signals >= 0)
        close(loop->signals);
    free(loop);
}

/* ---- reload -------------------------------------------------------------------------------------------------- */

static bool same_bench(const struct tautd_config *a, const struct tautd_config *b)
{
    return a->lines == b->lines && a->channels == b->channels && a->stations == b->stations && a->outputs == b->outputs &&
           memcmp(a->line, b->line, (size_t)a->lines * sizeof *a->line) == 0 &&
           memcmp(a->channel, b->channel, (size_t)a->channels * sizeof *a->channel) == 0 &&
           memcmp(a->station, b->station, (size_t)a->stations * sizeof *a->station) == 0 &&
           memcmp(a->output, b->output, (size_t)a->outputs * sizeof *a->output) == 0 &&
           memcmp(&a->api, &b->api, sizeof a->api) == 0 && strcmp(a->run_dir, b->run_dir) == 0;
}

static bool any_running(const struct tautd_loop *loop)
{
    for (int s = 0; s < loop->config->stations; s++)
        if (taut_station_running(&loop->place[s].station))
            return true;
    return false;
}

static void load_next(struct tautd_loop *loop)
{
    struct tautd_findings *findings = calloc(1, sizeof *findings);
    if (!findings)
        return;
    struct tautd_config *next = tautd_config_load(loop->config->path, findings);
    char line[512];
    for (int i = 0; i < findings->count && i < TAUTD_FINDINGS_MAX; i++)
        tautd_log(TAUTD_ERROR, "%s", taut_diag_print(&findings->finding[i], line, sizeof line));
    for (int i = 0; i < findings->warnings && i < TAUTD_WARNINGS_MAX; i++)
        tautd_log(TAUTD_WARNING, "%s", taut_diag_print(&findings->warning[i], line, sizeof line));
    free(findings);
    if (!next) {
        tautd_log(TAUTD_ERROR, "reload refused: the configuration in force stays");
        return;
    }
    tautd_config_free(loop->next_config);
    loop->next_config = next;
    if (strcmp(loop->config->state_dir, next->state_dir) != 0 || loop->config->sync_s != next->sync_s)
        tautd_log(TAUTD_WARNING, "daemon.state_dir and daemon.sync_s take effect at the next start only");
    if (!same_bench(loop->config, next) && any_running(loop))
        tautd_log(TAUTD_NOTICE, "the new configuration takes effect when no part is under way");
}

/* Recipes and hooks, which only the loop reads. The workers go on with the struct that they borrowed. */
static void exchange_recipes(struct tautd_config *in_force, struct tautd_config *next)
{
    struct taut_recipe *recipe = in_force->recipe;
    int recipes = in_force->recipes;
    in_force->recipe = next->recipe;
    in_force->recipes = next->recipes;
    next->recipe = recipe;
    next->recipes = recipes;
    memcpy(in_force->on_alarm, next->on_alarm, sizeof in_force->on_alarm);
    memcpy(in_force->on_verdict, next->on_verdict, sizeof in_force->on_verdict);
    in_force->hook_s = next->hook_s;
}

/* Recipes and hooks may change under a run: it carries its own copy. Lines, channels and stations may not. */
static bool take_next(struct tautd_loop *loop)
{
    struct tautd_config *next = loop->next_config;
    if (!next)
        return true;
    bool same = same_bench(loop->config, next);
    if (!same && any_running(loop))
        return true;
    loop->next_config = NULL;
    struct tautd_config *old = loop->config;
    if (same) {
        exchange_recipes(old, next);
        tautd_config_free(next);
        tautd_log(TAUTD_NOTICE, "the new configuration is in force");
        return true;
    }
    tautd_api_free(loop->api); /* closing a descriptor takes it out of epoll */
    tautd_bus_free(loop->bus);
    loop->api = NULL;
    loop->bus = NULL;
    tautd_unwire(loop);
    loop->config = next;
    struct taut_diag diag = {0};
    bool ok = tautd_wire(loop) && open_bus(loop, &diag) && open_api(loop, &diag);
    tautd_config_free(old);
    if (ok)
        tautd_log(TAUTD_NOTICE, "the new configuration is in force");
    else
        tautd_log(TAUTD_ERROR, "the new configuration can not be put in force: %s", diag.text);
    return ok;
}

/* ---- turning ------------------------------------------------------------------------------------------------- */

static void on_signals(struct tautd_loop *loop)
{
    struct signalfd_siginfo info;
    while (read(loop->signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo == SIGHUP)
            load_next(loop);
        else if (info.ssi_signo == SIGCHLD)
            tautd_hooks_turn(loop->hooks);
        else
            loop->stop = true;
    }
}

static void on_sink_news(struct tautd_loop *loop)
{
    struct tautd_sink_news news[16];
    int n = tautd_sink_take(loop->sink, news, 16);
    for (int i = 0; i < n; i++) {
        struct tautd_place *place = &loop->place[news[i].station];
        if (news[i].kind == TAUTD_SINK_SEALED) {
            tautd_api_publish(loop->api, news[i].station, "sealed");
            continue;
        }
        bool ok = news[i].kind == TAUTD_SINK_WORKING;
        tautd_log(ok ? TAUTD_NOTICE : TAUTD_ERROR, "station %s: record %s: %s (%llu rows lost)", place->station.setup.name,
                  ok ? "is written again" : "can not be written", news[i].text, (unsigned long long)news[i].dropped_rows);
        struct taut_event event = {.kind = TAUT_EVENT_RECORD, .ok = ok, .wall_ns = loop->now_wall_ns};
        event.t_ns = tautd_effects_station_ns(place, loop->now_mono_ns);
        (void)!tautd_effects_step(loop, news[i].station, &event, NULL);
    }
}

/* The wall clock was set: durations are not touched, but every open record says so. */
static void check_wall_clock(struct tautd_loop *loop)
{
    int64_t offset_ns = loop->now_wall_ns - loop->now_mono_ns;
    int64_t step_ns = offset_ns - loop->wall_offset_ns;
    loop->wall_offset_ns = offset_ns;
    if (step_ns > -TAUT_NS_PER_S / 2 && step_ns < TAUT_NS_PER_S / 2)
        return;
    tautd_log(TAUTD_WARNING, "the wall clock was set by %+.3f s", taut_seconds(step_ns));
    for (int s = 0; s < loop->config->stations; s++) {
        struct tautd_place *place = &loop->place[s];
        if (!place->folder)
            continue;
        struct taut_event event = {.kind = TAUT_EVENT_CLOCK_STEP, .wall_ns = loop->now_wall_ns, .step_ns = step_ns};
        event.t_ns = tautd_effects_station_ns(place, loop->now_mono_ns);
        (void)!tautd_effects_step(loop, s, &event, NULL);
    }
}

static bool on_tick(struct tautd_loop *loop)
{
    uint64_t missed;
    if (read(loop->timer, &missed, sizeof missed) != (ssize_t)sizeof missed)
        return true;
    check_wall_clock(loop);
    tautd_readings_tick(loop);
    tautd_hooks_turn(loop->hooks);
    sd_notify(0, "WATCHDOG=1");
    return take_next(loop);
}

static int sleep_ms(const struct tautd_loop *loop)
{
    int most = tautd_api_timeout_ms(loop->api);
    return loop->gathering && (most < 0 || most > TAUTD_STRAGGLER_MS) ? TAUTD_STRAGGLER_MS : most;
}

int tautd_loop_run(struct tautd_loop *loop)
{
    sd_notifyf(0, "READY=1\nSTATUS=%d stations, %d channels", loop->config->stations, loop->config->channels);
    bool sound = true;
    while (!loop->stop && sound) {
        struct epoll_event events[16];
        int n = epoll_wait(loop->epoll, events, 16, sleep_ms(loop));
        if (n < 0 && errno != EINTR) {
            tautd_log(TAUTD_ERROR, "waiting for events failed: %s", strerror(errno));
            break;
        }
        read_clocks(loop);
        bool tick = false, asked = false;
        for (int i = 0; i < n; i++) {
            int fd = events[i].data.fd;
            if (fd == loop->signals)
                on_signals(loop);
            else if (fd == loop->timer)
                tick = true;
            else if (fd == tautd_bus_fd(loop->bus))
                tautd_readings_take(loop);
            else if (fd == tautd_sink_fd(loop->sink))
                on_sink_news(loop);
            else
                asked = true;
        }
        tautd_readings_flush(loop, false);
        if (tick)
            sound = on_tick(loop);
        if (sound && (asked || !tautd_api_idle(loop->api)))
            tautd_api_run(loop->api);
        tautd_sink_flush(loop->sink);
    }
    sd_notify(0, "STOPPING=1");
    tautd_readings_flush(loop, true);
    tautd_sink_flush(loop->sink);
    return loop->stop ? 0 : 1;
}
