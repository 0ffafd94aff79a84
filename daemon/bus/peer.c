/* Failure policy: whatever goes wrong becomes a reading of quality bad with its reason, one per channel and period,
 * also while the gateway is away; the schedule goes on by absolute times. After any failure but an exception the
 * connection is of no more use (a late answer would be read as the next one) and is closed; it is made anew at once
 * the first time, then after 1, 2, 4 ... s.
 *
 * Frames are made and judged in frame.c. libmodbus is not used for TCP polling: it blocks, so it needs a thread per
 * connection, and takes seven system calls for one answer (measured; see DEVELOPERS.md). It does serial lines. */
#include "bus/peer.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <unistd.h>

#include "bus/connect.h"
#include "clock.h"
#include "log.h"

static int64_t ns(double s)
{
    return llround(s * 1e9);
}

/* ---- readings -------------------------------------------------------------------------------------------------- */

void tautd_peer_hand_over(struct tautd_peer_world *world)
{
    int lost = 0;
    if (world->batched == 0)
        return;
    int64_t owed = tautd_queue_push(world->queue, world->batch, world->batched, &lost);
    world->batched = 0;
    if (owed > 0)
        world->wake_owed_ns = owed;
    if (lost > 0)
        tautd_log_sparse(TAUTD_ERROR, "queue", "the main loop is too slow, %d readings lost", lost);
}

static struct tautd_reading *new_reading(struct tautd_peer_world *world)
{
    if (world->batched == TAUTD_POLLER_BATCH)
        tautd_peer_hand_over(world);
    return &world->batch[world->batched++];
}

/* One bad reading for each channel of a block. */
static void report_bad(struct tautd_peer *p, const struct tautd_block *b, int64_t mono_ns, int64_t half_ns,
                       enum taut_reason reason, uint8_t exception)
{
    for (int i = b->first; i < b->first + b->channels; i++)
        *new_reading(p->world) = (struct tautd_reading){.channel = p->plan.channel[i],
                                                        .mono_ns = mono_ns,
                                                        .half_ns = half_ns,
                                                        .number = NAN,
                                                        .quality = TAUT_QUALITY_BAD,
                                                        .reason = reason,
                                                        .exception = exception};
}

static void report_good(struct tautd_peer *p, const struct tautd_block *b, int64_t mono_ns, int64_t half_ns,
                        const uint16_t *registers)
{
    for (int i = b->first; i < b->first + b->channels; i++) {
        const struct tautd_channel_config *c = &p->world->config->channel[p->plan.channel[i]];
        *new_reading(p->world) =
            (struct tautd_reading){.channel = p->plan.channel[i],
                                   .mono_ns = mono_ns,
                                   .half_ns = half_ns,
                                   .number = taut_decode_registers(registers + (c->reg - b->ask.address),
                                                                   (enum taut_reg_type)c->type, (enum taut_reg_order)c->order),
                                   .quality = TAUT_QUALITY_GOOD};
    }
}

static void report_write(struct tautd_peer *p, int output, bool on, enum taut_reason reason, uint8_t exception, int64_t half_ns)
{
    bool written = reason == TAUT_REASON_NONE;
    *new_reading(p->world) = (struct tautd_reading){.channel = -1 - output,
                                                    .mono_ns = tautd_clock_mono_ns() - half_ns,
                                                    .half_ns = half_ns,
                                                    .number = written ? (double)on : NAN,
                                                    .quality = written ? TAUT_QUALITY_GOOD : TAUT_QUALITY_BAD,
                                                    .reason = reason,
                                                    .exception = exception,
                                                    .written = written};
}

static void count(struct tautd_peer *p, const struct tautd_answer *answer, int64_t got_real_ns)
{
    int64_t second = got_real_ns / 1000000000;
    int bin = (int)(second % 10);
    p->stats.requests++;
    p->stats.answers += answer->reason == TAUT_REASON_NONE;
    p->stats.exceptions += answer->exception != 0;
    p->stats.timeouts += answer->reason == TAUT_REASON_NO_ANSWER && answer->exception == 0;
    p->stats.bad_frames += answer->reason == TAUT_REASON_BAD_FRAME;
    if (p->busy_second[bin] != second) {
        p->busy_second[bin] = second;
        p->busy_ns[bin] = 0;
    }
    p->busy_ns[bin] += got_real_ns - p->sent_real_ns;
}

/* ---- schedule ---------------------------------------------------------------------------------------------------- */

/* The next time of the block's grid after now; what lies between was missed. */
static void schedule(struct tautd_peer *p, struct tautd_block *b, int64_t mono_ns)
{
    int64_t due = b->due_ns;
    b->due_ns = b->phase_ns + ((mono_ns - b->phase_ns) / b->period_ns + 1) * b->period_ns;
    int64_t missed = (b->due_ns - due) / b->period_ns - 1;
    if (missed > 0)
        p->stats.skipped += (uint64_t)missed;
}

static int earliest(const struct tautd_peer *p)
{
    int best = -1;
    for (int i = 0; i < p->plan.blocks; i++)
        if (best < 0 || p->plan.block[i].due_ns < p->plan.block[best].due_ns)
            best = i;
    return best;
}

static void plan_next(struct tautd_peer *p)
{
    int block = earliest(p);
    int64_t due = block >= 0 ? tautd_clock_real_deadline_ns(p->plan.block[block].due_ns) : INT64_MAX;
    switch (p->state) {
    case TAUTD_PEER_DOWN:
        p->next_ns = p->open_after_ns < due || p->wanted ? p->open_after_ns : due;
        break;
    case TAUTD_PEER_RESOLVING:
        p->next_ns = tautd_clock_real_ns() + 50000000;
        break;
    case TAUTD_PEER_CONNECTING:
    case TAUTD_PEER_ASKING:
        p->next_ns = p->deadline_ns;
        break;
    case TAUTD_PEER_READY:
        p->next_ns = due;
        break;
    }
}

/* ---- connection ---------------------------------------------------------------------------------------------------- */

static void let_go(struct tautd_peer *p)
{
    if (p->fd >= 0)
        close(p->fd); /* also takes it out of epoll */
    p->fd = -1;
    if (p->addresses)
        freeaddrinfo(p->addresses);
    p->addresses = p->address = NULL;
}

static void go_down(struct tautd_peer *p, int64_t now_ns)
{
    let_go(p);
    p->state = TAUTD_PEER_DOWN;
    p->stats.up = false;
    int64_t pause_ns = tautd_health_reconnect_ns(p->health.failures, ns(p->line->retry_most_s));
    p->open_after_ns = pause_ns > 0 ? now_ns + pause_ns : 0; /* at once: what is due waits for it */
}

/* Blocks that are due while there is no connection: a reading each, then on with the schedule. */
static void report_down(struct tautd_peer *p)
{
    int64_t mono = tautd_clock_mono_ns();
    for (int i = 0; i < p->plan.blocks; i++) {
        struct tautd_block *b = &p->plan.block[i];
        if (b->due_ns > mono)
            continue;
        report_bad(p, b, mono, 0, TAUT_REASON_LINE_DOWN, 0);
        schedule(p, b, mono);
    }
}

static void give_up_writes(struct tautd_peer *p, enum taut_reason reason)
{
    for (int o = 0; p->wanted > 0; o++) {
        if (p->want[o] < 0)
            continue;
        report_write(p, o, p->want[o] == 1, reason, 0, 0);
        p->want[o] = -1;
        p->wanted--;
    }
}

static void connect_failed(struct tautd_peer *p, const char *why, int64_t now_ns)
{
    tautd_log_sparse(TAUTD_WARNING, p->line->name, "line %s: can not connect to %s port %d: %s", p->line->name, p->line->host,
                     p->line->port, why);
    (void)!tautd_health_failed(&p->health, TAUT_REASON_LINE_DOWN, 0);
    go_down(p, now_ns);
    report_down(p);
    give_up_writes(p, TAUT_REASON_LINE_DOWN); /* a valve is told at once that it was not driven */
}

static bool listen_to(struct tautd_peer *p, unsigned events, int operation)
{
    struct epoll_event event = {.events = events, .data.ptr = p};
    return epoll_ctl(p->world->epoll, operation, p->fd, &event) == 0;
}

static void connected(struct tautd_peer *p, int64_t now_ns)
{
    if (!listen_to(p, EPOLLIN, EPOLL_CTL_MOD)) {
        connect_failed(p, strerror(errno), now_ns);
        return;
    }
    freeaddrinfo(p->addresses);
    p->addresses = p->address = NULL;
    p->state = TAUTD_PEER_READY;
    p->stats.up = true;
    tautd_log(TAUTD_INFO, "line %s: unit %d: connected", p->line->name, p->unit);
}

/* Try the addresses from p->address on. */
static void try_addresses(struct tautd_peer *p, int64_t now_ns)
{
    int error = ECONNREFUSED;
    for (; p->address; p->address = p->address->ai_next) {
        p->fd = tautd_connect_begin(p->address, p->line->timeout_s, &error);
        if (p->fd < 0)
            continue;
        if (!listen_to(p, EPOLLOUT, EPOLL_CTL_ADD)) {
            error = errno;
            break;
        }
        p->state = TAUTD_PEER_CONNECTING;
        p->deadline_ns = now_ns + ns(p->line->timeout_s);
        if (error == 0)
            connected(p, now_ns);
        return;
    }
    connect_failed(p, tautd_connect_why(error), now_ns);
}

static void open_connection(struct tautd_peer *p, int64_t now_ns)
{
    if (p->state == TAUTD_PEER_DOWN) {
        p->stats.reconnects++;
        p->deadline_ns = now_ns + ns(p->line->timeout_s);
    }
    int error = tautd_connect_resolve(p->line, &p->lookup, &p->addresses);
    if (error == EAI_INPROGRESS) {
        p->state = TAUTD_PEER_RESOLVING;
        if (now_ns >= p->deadline_ns) /* it runs on beside us, and may be there next time */
            connect_failed(p, gai_strerror(EAI_AGAIN), now_ns);
        return;
    }
    if (error) {
        connect_failed(p, gai_strerror(error), now_ns);
        return;
    }
    p->address = p->addresses;
    try_addresses(p, now_ns);
}

static void connect_result(struct tautd_peer *p, int error, int64_t now_ns)
{
    if (error == 0) {
        connected(p, now_ns);
        return;
    }
    close(p->fd);
    p->fd = -1;
    if (p->address && p->address->ai_next) {
        p->address = p->address->ai_next;
        try_addresses(p, now_ns);
        return;
    }
    connect_failed(p, tautd_connect_why(error), now_ns);
}

/* ---- asking and answers -------------------------------------------------------------------------------------------- */

static void send_request(struct tautd_peer *p, double timeout_s, int64_t now_ns);

/* A unit may refuse to be asked for registers it does not have, though only the gaps between its channels hold them. */
static void tighten(struct tautd_peer *p, int index)
{
    const struct tautd_ask *ask = &p->plan.block[index].ask;
    int first = ask->address, last = ask->address + ask->value - 1;
    int n = tautd_plan_split(p->world->config, &p->plan, index);
    tautd_log(TAUTD_NOTICE, "line %s: unit %d refuses registers %d to %d in one request; asked for in %d without gaps",
              p->line->name, p->unit, first, last, n);
}

/* What the outcome says of the unit and of the connection. */
static void learn(struct tautd_peer *p, const struct tautd_answer *answer, bool lost, int64_t got_ns)
{
    struct tautd_health *h = &p->health;
    if (answer->reason == TAUT_REASON_NONE || answer->reason == TAUT_REASON_EXCEPTION) {
        if (tautd_health_good(h, got_ns - p->sent_real_ns))
            tautd_log(TAUTD_NOTICE, "line %s: unit %d answers again", p->line->name, p->unit);
    } else if (tautd_health_failed(h, answer->reason, answer->exception)) {
        tautd_log(TAUTD_WARNING, "line %s: unit %d: %s", p->line->name, p->unit,
                  answer->reason == TAUT_REASON_NO_ANSWER
                      ? "no answer; is it powered, wired and set to this address?"
                      : "answers are damaged or not to the question; two units with one address?");
    }
    if (lost)
        go_down(p, got_ns);
    else if (h->away) /* a gateway that speaks for a silent unit: behind it there may be others we would slow */
        h->retry_ns = got_ns + tautd_health_pause_ns(got_ns - p->sent_real_ns, 1, 1, ns(p->line->retry_most_s));
}

static void finish_write(struct tautd_peer *p, const struct tautd_answer *answer, int64_t half_ns)
{
    bool on = p->ask.value != 0;
    bool again = answer->reason != TAUT_REASON_NONE && answer->reason != TAUT_REASON_EXCEPTION && p->write_tries < 2;
    if (again && p->want[p->asked_output] < 0) { /* once more, unless a newer wish has come */
        p->want[p->asked_output] = on;
        p->wanted++;
        return;
    }
    p->write_tries = 0;
    report_write(p, p->asked_output, on, answer->reason, answer->exception, half_ns);
}

/* The exchange is over, well or badly. */
static void finish(struct tautd_peer *p, const struct tautd_answer *answer, bool lost)
{
    int64_t got_real_ns = tautd_clock_real_ns(), got_ns = tautd_clock_mono_at(got_real_ns);
    int64_t half_ns = (got_ns - p->sent_ns) / 2;
    p->state = TAUTD_PEER_READY;
    count(p, answer, got_real_ns);
    if (p->asked_block < 0) {
        finish_write(p, answer, half_ns);
    } else {
        struct tautd_block *b = &p->plan.block[p->asked_block];
        if (answer->reason == TAUT_REASON_NONE)
            report_good(p, b, p->sent_ns + half_ns, half_ns, answer->reg);
        else
            report_bad(p, b, p->sent_ns + half_ns, half_ns, answer->reason, answer->exception);
        schedule(p, b, got_ns);
        if (answer->reason == TAUT_REASON_EXCEPTION && answer->exception == 2 && b->loose)
            tighten(p, p->asked_block);
    }
    learn(p, answer, lost, got_real_ns);
}

static void fail(struct tautd_peer *p, enum taut_reason reason)
{
    const struct tautd_answer answer = {.reason = reason};
    finish(p, &answer, true);
}

static void send_request(struct tautd_peer *p, double timeout_s, int64_t now_ns)
{
    uint8_t request[TAUTD_FRAME_TCP];
    tautd_frame_tcp_request(&p->ask, ++p->transaction, request);
    p->got = 0;
    p->state = TAUTD_PEER_ASKING;
    p->deadline_ns = now_ns + ns(timeout_s);
    p->sent_real_ns = tautd_clock_real_ns();
    p->sent_ns = tautd_clock_mono_at(p->sent_real_ns);
    ssize_t n = send(p->fd, request, sizeof request, MSG_NOSIGNAL);
    if (n == (ssize_t)sizeof request)
        return;
    /* a buffer full of requests that nobody takes is as good as no answer */
    fail(p, n >= 0 || errno == EAGAIN ? TAUT_REASON_NO_ANSWER : TAUT_REASON_LINE_DOWN);
}

static void ask_write(struct tautd_peer *p, int64_t now_ns)
{
    int output = 0;
    while (p->want[output] < 0)
        output++;
    const struct tautd_output_config *o = &p->world->config->output[output];
    p->ask = (struct tautd_ask){.unit = (uint8_t)o->unit,
                                .function = TAUTD_WRITE_COIL,
                                .address = (uint16_t)o->coil,
                                .value = p->want[output] == 1 ? 0xFF00 : 0x0000};
    p->want[output] = -1;
    p->wanted--;
    p->asked_block = -1;
    p->asked_output = output;
    p->write_tries++;
    send_request(p, p->line->timeout_s, now_ns);
}

/* Ask what is due; a unit behind a gateway that is left alone gets a reading without being asked. */
static void ask_due(struct tautd_peer *p, int64_t now_ns)
{
    int64_t mono = tautd_clock_mono_at(now_ns);
    for (int turn = 0; turn <= p->plan.blocks; turn++) {
        int index = earliest(p);
        if (index < 0 || p->plan.block[index].due_ns > mono)
            return;
        struct tautd_block *b = &p->plan.block[index];
        if (p->health.away && now_ns < p->health.retry_ns) {
            report_bad(p, b, mono, 0, p->health.reason, p->health.exception);
            schedule(p, b, mono);
            continue;
        }
        p->ask = b->ask;
        p->asked_block = index;
        send_request(p, b->timeout_s, now_ns);
        return;
    }
}

static void receive(struct tautd_peer *p)
{
    ssize_t n = recv(p->fd, p->frame + p->got, sizeof p->frame - (size_t)p->got, 0);
    if (n < 0 && (errno == EAGAIN || errno == EINTR))
        return;
    bool asking = p->state == TAUTD_PEER_ASKING;
    if (n <= 0 && asking) {
        fail(p, p->got > 0 ? TAUT_REASON_BAD_FRAME : TAUT_REASON_LINE_DOWN);
        return;
    }
    if (n <= 0 || !asking) { /* closed while idle, or bytes that nobody asked for: a new connection is clean */
        p->stats.late += n > 0;
        go_down(p, tautd_clock_real_ns());
        return;
    }
    p->got += (int)n;
    if (p->got < 6)
        return;
    int size = 6 + (p->frame[4] << 8 | p->frame[5]);
    bool whole = p->got >= size || size > TAUTD_PEER_FRAME;
    if (!whole)
        return;
    bool more = p->got > size; /* a second answer came with the first: this one is good, the connection is not */
    struct tautd_answer answer;
    tautd_frame_tcp_judge(&p->ask, p->transaction, p->frame, size > TAUTD_PEER_FRAME ? 0 : size, &answer);
    p->stats.late += more;
    finish(p, &answer, more || answer.reason == TAUT_REASON_BAD_FRAME);
}

/* ---- calls ----------------------------------------------------------------------------------------------------------- */

static void go_on(struct tautd_peer *p, int64_t now_ns)
{
    if (p->state == TAUTD_PEER_DOWN) {
        if (now_ns >= p->open_after_ns || p->wanted > 0) /* a valve is not kept waiting for a back-off */
            open_connection(p, now_ns);
        else
            report_down(p);
    } else if (p->state == TAUTD_PEER_RESOLVING) {
        open_connection(p, now_ns);
    }
    if (p->state == TAUTD_PEER_READY && p->wanted > 0)
        ask_write(p, now_ns);
    if (p->state == TAUTD_PEER_READY)
        ask_due(p, now_ns);
    plan_next(p);
}

void tautd_peer_turn(struct tautd_peer *p, int64_t now_ns)
{
    if (p->state == TAUTD_PEER_CONNECTING && now_ns >= p->deadline_ns)
        connect_result(p, ETIMEDOUT, now_ns);
    else if (p->state == TAUTD_PEER_ASKING && now_ns >= p->deadline_ns)
        fail(p, p->got > 0 ? TAUT_REASON_BAD_FRAME : TAUT_REASON_NO_ANSWER);
    go_on(p, now_ns);
}

void tautd_peer_ready(struct tautd_peer *p, unsigned events, int64_t now_ns)
{
    if (p->state == TAUTD_PEER_CONNECTING && (events & (EPOLLOUT | EPOLLERR | EPOLLHUP))) {
        int error = 0;
        socklen_t size = sizeof error;
        connect_result(p, getsockopt(p->fd, SOL_SOCKET, SO_ERROR, &error, &size) < 0 ? errno : error, now_ns);
    } else if (p->state == TAUTD_PEER_READY || p->state == TAUTD_PEER_ASKING) {
        receive(p);
    }
    go_on(p, now_ns);
}

void tautd_peer_want(struct tautd_peer *p, int output, bool on)
{
    p->wanted += p->want[output] < 0;
    p->want[output] = on;
    p->write_tries = 0;
    p->next_ns = p->state == TAUTD_PEER_ASKING || p->state == TAUTD_PEER_CONNECTING ? p->next_ns : 0;
}

enum taut_status tautd_peer_init(struct tautd_peer *p, struct tautd_peer_world *world, int line, int unit, int64_t start_ns)
{
    const struct tautd_config *config = world->config;
    *p = (struct tautd_peer){.world = world, .line = &config->line[line], .line_index = line, .unit = unit, .fd = -1};
    p->health.id = unit;
    size_t channels = 1, outputs = 0;
    for (int i = 0; i < config->channels; i++)
        channels += config->channel[i].line_index == line && config->channel[i].unit == unit;
    for (int i = 0; i < config->outputs; i++)
        outputs += config->output[i].line_index == line && config->output[i].unit == unit;
    p->plan = (struct tautd_plan){.block = calloc(channels, sizeof *p->plan.block),
                                  .channel = calloc(channels, sizeof *p->plan.channel)};
    if (outputs)
        p->want = malloc((size_t)config->outputs);
    if (!p->plan.block || !p->plan.channel || (outputs && !p->want))
        return TAUT_E_MEMORY;
    if (outputs)
        memset(p->want, -1, (size_t)config->outputs);
    tautd_plan_make(config, line, unit, p->line->gap_registers, &p->plan);
    for (int i = 0; i < p->plan.blocks; i++) {
        struct tautd_block *b = &p->plan.block[i];
        b->due_ns = start_ns; /* the first at once, the others on the grid */
        b->phase_ns = start_ns - b->period_ns + tautd_plan_phase_ns(config, p->plan.channel[b->first], line + unit, b->period_ns);
    }
    return TAUT_OK;
}

void tautd_peer_destroy(struct tautd_peer *p)
{
    let_go(p);
    tautd_connect_forget(p->lookup);
    free(p->plan.block);
    free(p->plan.channel);
    free(p->want);
}
