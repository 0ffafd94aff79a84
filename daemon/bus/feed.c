/* Failure policy: whatever goes wrong becomes a reading of quality bad with its reason, one per channel and period,
 * also while a unit is left alone or the line is down. A period that passed while the line was busy is skipped and
 * counted, never made up for. */
#include "bus/feed.h"

#include <math.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>

#include "clock.h"
#include "log.h"

enum { BATCH = 64, SLOTS = 8 };

static void push(struct tautd_feed *f, const struct tautd_reading *reading, int n)
{
    int lost = 0;
    int64_t owed = tautd_queue_push(f->queue, reading, n, &lost);
    if (owed > 0)
        *f->wake_owed_ns = owed;
    if (lost == 0)
        return;
    pthread_mutex_lock(&f->lock);
    f->stats.lost += (uint64_t)lost;
    pthread_mutex_unlock(&f->lock);
    tautd_log_sparse(TAUTD_ERROR, f->line->name, "line %s: the main loop is too slow, %d readings lost", f->line->name, lost);
}

void tautd_feed_report(struct tautd_feed *f, const struct tautd_block *b, const struct tautd_exchange *x, enum taut_reason reason,
                       uint8_t exception)
{
    struct tautd_reading out[BATCH];
    int64_t now = tautd_clock_mono_ns();
    int n = 0;
    for (int i = b->first; i < b->first + b->channels; i++) {
        int index = f->plan.channel[i];
        const struct tautd_channel_config *c = &f->config->channel[index];
        struct tautd_reading r = {.channel = index,
                                  .mono_ns = now,
                                  .number = NAN,
                                  .quality = TAUT_QUALITY_BAD,
                                  .reason = reason,
                                  .exception = exception};
        if (x) {
            r.mono_ns = x->sent_ns + (x->got_ns - x->sent_ns) / 2;
            r.half_ns = (x->got_ns - x->sent_ns) / 2;
        }
        if (reason == TAUT_REASON_NONE) {
            r.number = taut_decode_registers(x->answer.reg + (c->reg - b->ask.address), (enum taut_reg_type)c->type,
                                             (enum taut_reg_order)c->order);
            r.quality = TAUT_QUALITY_GOOD;
        }
        out[n++] = r;
        if (n == BATCH) {
            push(f, out, n);
            n = 0;
        }
    }
    if (n > 0)
        push(f, out, n);
}

void tautd_feed_report_write(struct tautd_feed *f, int output, bool on, const struct tautd_exchange *x)
{
    struct tautd_reading r = {.channel = -1 - output,
                              .mono_ns = tautd_clock_mono_ns(),
                              .number = NAN,
                              .quality = TAUT_QUALITY_BAD,
                              .reason = TAUT_REASON_LINE_DOWN};
    if (x) {
        r.mono_ns = x->sent_ns + (x->got_ns - x->sent_ns) / 2;
        r.half_ns = (x->got_ns - x->sent_ns) / 2;
        r.reason = x->answer.reason;
        r.exception = x->answer.exception;
        r.written = r.reason == TAUT_REASON_NONE;
    }
    if (r.written) {
        r.quality = TAUT_QUALITY_GOOD;
        r.number = on;
    }
    push(f, &r, 1);
}

void tautd_feed_count(struct tautd_feed *f, const struct tautd_exchange *x, uint64_t late)
{
    int64_t second = x->got_real_ns / 1000000000;
    int bin = (int)(second % TAUTD_BUSY_BINS);
    enum taut_reason reason = x->answer.reason;
    pthread_mutex_lock(&f->lock);
    f->stats.requests++;
    f->stats.answers += reason == TAUT_REASON_NONE;
    f->stats.exceptions += x->answer.exception != 0;
    f->stats.timeouts += reason == TAUT_REASON_NO_ANSWER && x->answer.exception == 0;
    f->stats.bad_frames += reason == TAUT_REASON_BAD_FRAME;
    f->stats.late = late;
    if (f->busy_second[bin] != second) {
        f->busy_second[bin] = second;
        f->busy_ns[bin] = 0;
    }
    f->busy_ns[bin] += x->got_real_ns - x->sent_real_ns;
    pthread_mutex_unlock(&f->lock);
}

void tautd_feed_count_open(struct tautd_feed *f)
{
    pthread_mutex_lock(&f->lock);
    f->stats.reconnects++;
    pthread_mutex_unlock(&f->lock);
}

void tautd_feed_set_up(struct tautd_feed *f, bool up)
{
    if (f->up == up)
        return;
    f->up = up;
    pthread_mutex_lock(&f->lock);
    f->stats.up = up;
    pthread_mutex_unlock(&f->lock);
}

bool tautd_feed_learn(struct tautd_feed *f, struct tautd_health *h, const struct tautd_exchange *x)
{
    enum taut_reason reason = x->answer.reason;
    if (reason == TAUT_REASON_NONE || reason == TAUT_REASON_EXCEPTION) {
        if (tautd_health_good(h, x->got_real_ns - x->sent_real_ns))
            tautd_log(TAUTD_NOTICE, "line %s: unit %d answers again", f->line->name, h->id);
        return true;
    }
    if (tautd_health_failed(h, reason, x->answer.exception))
        tautd_log(TAUTD_WARNING, "line %s: unit %d: %s", f->line->name, h->id,
                  reason == TAUT_REASON_BAD_FRAME
                      ? "answers are damaged or not to the question; noise, wiring or two units with one address?"
                      : "no answer; is it powered, wired and set to this address and baud rate?");
    return false;
}

void tautd_feed_tighten(struct tautd_feed *f, int index, const struct tautd_exchange *x)
{
    enum { ILLEGAL_ADDRESS = 2 };
    const struct tautd_block *b = &f->plan.block[index];
    struct tautd_ask ask = b->ask;
    if (x->answer.reason != TAUT_REASON_EXCEPTION || x->answer.exception != ILLEGAL_ADDRESS || !b->loose)
        return;
    int n = tautd_plan_split(f->config, &f->plan, index);
    tautd_log(TAUTD_NOTICE, "line %s: unit %d refuses registers %d to %d in one request; asked for in %d without gaps",
              f->line->name, ask.unit, ask.address, ask.address + ask.value - 1, n);
}

int tautd_feed_earliest(const struct tautd_feed *f)
{
    int best = -1;
    for (int i = 0; i < f->plan.blocks; i++)
        if (best < 0 || f->plan.block[i].due_ns < f->plan.block[best].due_ns)
            best = i;
    return best;
}

void tautd_feed_schedule(struct tautd_feed *f, struct tautd_block *b)
{
    int64_t now = tautd_clock_mono_ns(), due = b->due_ns;
    b->due_ns = b->phase_ns + ((now - b->phase_ns) / b->period_ns + 1) * b->period_ns;
    int64_t missed = (b->due_ns - due) / b->period_ns - 1;
    if (missed > 0) {
        pthread_mutex_lock(&f->lock);
        f->stats.skipped += (uint64_t)missed;
        pthread_mutex_unlock(&f->lock);
    }
}

void tautd_feed_want(struct tautd_feed *f, int output, bool on)
{
    pthread_mutex_lock(&f->lock);
    f->wanted += f->want[output] < 0;
    f->want[output] = on;
    pthread_mutex_unlock(&f->lock);
}

bool tautd_feed_wanted(struct tautd_feed *f, int *output, bool *on)
{
    if (f->wanted == 0)
        return false;
    for (*output = 0; f->want[*output] < 0; ++*output) {
    }
    *on = f->want[*output] == 1;
    f->want[*output] = -1;
    f->wanted--;
    return true;
}

struct tautd_ask tautd_feed_coil(const struct tautd_feed *f, int output, bool on)
{
    const struct tautd_output_config *o = &f->config->output[output];
    return (struct tautd_ask){
        .unit = (uint8_t)o->unit, .function = TAUTD_WRITE_COIL, .address = (uint16_t)o->coil, .value = on ? 0xFF00 : 0x0000};
}

static int unit_index(struct tautd_feed *f, int unit)
{
    for (int i = 0; i < f->units; i++)
        if (f->health[i].id == unit)
            return i;
    f->health[f->units].id = unit;
    return f->units++;
}

struct tautd_health *tautd_feed_health(struct tautd_feed *f, int unit)
{
    return &f->health[unit_index(f, unit)];
}

/* Channels of one station are read at the same moment of their period, and different stations in one of eight different
 * slots: so a station's readings belong together, the load is spread, and yet a wake-up serves several. The golden ratio
 * fills the slots evenly, however many there are. */
static int64_t phase_of(const struct tautd_config *config, int channel, int worker_key, int64_t period_ns)
{
    int group = config->stations + worker_key;
    for (int s = 0; s < config->stations && group >= config->stations; s++)
        for (int role = 0; role < TAUT_ROLES; role++)
            if (config->station[s].channel_index[role] == channel)
                group = s;
    return period_ns / SLOTS * (int64_t)(SLOTS * fmod(group * 0.6180339887498949, 1.0));
}

enum taut_status tautd_feed_init(struct tautd_feed *f, const struct tautd_config *config, int line_index, int unit,
                                 struct tautd_queue *queue, int64_t *wake_owed_ns, int64_t start_ns)
{
    *f = (struct tautd_feed){.config = config,
                             .line = &config->line[line_index],
                             .queue = queue,
                             .line_index = line_index,
                             .unit = unit,
                             .wake_owed_ns = wake_owed_ns};
    pthread_mutex_init(&f->lock, NULL);
    size_t channels = 1, outputs = config->outputs > 0 ? (size_t)config->outputs : 1;
    for (int i = 0; i < config->channels; i++)
        channels += config->channel[i].line_index == line_index && (unit < 0 || config->channel[i].unit == unit);
    f->plan.channel = calloc(channels, sizeof *f->plan.channel);
    f->plan.block = calloc(channels, sizeof *f->plan.block);
    f->want = malloc(outputs);
    f->health = calloc(unit < 0 ? TAUTD_UNITS_MAX : 1, sizeof *f->health);
    if (!f->plan.block || !f->plan.channel || !f->want || !f->health)
        return TAUT_E_MEMORY;
    memset(f->want, -1, outputs);
    tautd_plan_make(config, line_index, unit, f->line->gap_registers, &f->plan);
    for (int i = 0; i < f->plan.blocks; i++) {
        struct tautd_block *b = &f->plan.block[i];
        int key = line_index + b->ask.unit;
        b->unit = unit_index(f, b->ask.unit);
        b->due_ns = start_ns; /* the first at once, the others on the grid */
        b->phase_ns = start_ns - b->period_ns + phase_of(config, f->plan.channel[b->first], key, b->period_ns);
    }
    for (int i = 0; i < config->outputs; i++)
        if (config->output[i].line_index == line_index && (unit < 0 || config->output[i].unit == unit))
            unit_index(f, config->output[i].unit);
    return TAUT_OK;
}

void tautd_feed_destroy(struct tautd_feed *f)
{
    free(f->plan.block);
    free(f->plan.channel);
    free(f->want);
    free(f->health);
    pthread_mutex_destroy(&f->lock);
}

void tautd_feed_stats(struct tautd_feed *f, struct tautd_bus_stats *sum)
{
    int64_t second = tautd_clock_real_ns() / 1000000000, busy = 0;
    pthread_mutex_lock(&f->lock);
    const struct tautd_bus_stats *s = &f->stats;
    sum->requests += s->requests;
    sum->answers += s->answers;
    sum->timeouts += s->timeouts;
    sum->exceptions += s->exceptions;
    sum->bad_frames += s->bad_frames;
    sum->reconnects += s->reconnects;
    sum->late += s->late;
    sum->lost += s->lost;
    sum->skipped += s->skipped;
    sum->up = sum->up && s->up;
    for (int i = 0; i < TAUTD_BUSY_BINS; i++)
        if (second - f->busy_second[i] < TAUTD_BUSY_BINS)
            busy += f->busy_ns[i];
    pthread_mutex_unlock(&f->lock);
    double frac = (double)busy / (TAUTD_BUSY_BINS * 1e9);
    sum->busy_frac = frac > sum->busy_frac ? frac : sum->busy_frac;
}

void tautd_feed_thread(const char *name, int priority)
{
    static atomic_bool told;
    prctl(PR_SET_TIMERSLACK, 1000UL, 0UL, 0UL, 0UL); /* 1 us: the silence on a serial line is some 2 ms */
    prctl(PR_SET_NAME, name, 0UL, 0UL, 0UL);
    if (priority <= 0)
        return;
    struct sched_param param = {.sched_priority = priority};
    int error = pthread_setschedparam(pthread_self(), SCHED_FIFO, &param);
    if (error && !atomic_exchange(&told, true))
        tautd_log(TAUTD_WARNING, "no real-time priority for the lines (%s); going on without (LimitRTPRIO in the unit file?)",
                  strerror(error));
}
