/* Failure policy: without memory an event is not drawn; the listeners' next event carries the same state again. */
#include "web/live.h"

#include <assert.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "clock.h"
#include "taut/units.h"
#include "web/render.h"

enum { LISTENERS = 56, KEPT = 128, BLOCK = 16 * 1024 };
#define SWEEP_NS   (100 * TAUT_NS_PER_MS)
#define COMMENT_NS (15 * TAUT_NS_PER_S)

/* One event as sent; shared by all who are owed it. */
struct block {
    unsigned refs;
    uint64_t id; /* 0: carries no state (a comment) */
    int station;
    size_t n;
    char bytes[];
};

struct listener {
    struct tautd_live *live; /* NULL = free */
    struct MHD_Connection *connection;
    bool suspended;
    int station;
    uint64_t seen;
    struct block *snapshot; /* how the stations stood when it came; due after all that it missed before */
    struct block *sending;
    size_t sent;
    int64_t last_ns;
};

struct station_state {
    bool dirty;
    int64_t drawn_ns;
    struct block *sweep;
};

struct tautd_live {
    const struct tautd_api_host *borrowed_host;
    struct tautd_render render;
    uint64_t last_id;
    struct block *kept[KEPT]; /* ring, by count */
    uint64_t kept_count;
    struct station_state station[TAUTD_STATIONS_MAX];
    struct listener listener[LISTENERS];
    int listeners;
    bool fresh; /* something was drawn since the listeners were last woken */
    bool ending;
};

static void drop(struct block *block)
{
    if (block && --block->refs == 0)
        free(block);
}

static struct block *make_block(uint64_t id, int station, const char *bytes, size_t n)
{
    struct block *block = malloc(sizeof *block + n);
    if (!block)
        return NULL;
    *block = (struct block){.refs = 1, .id = id, .station = station, .n = n};
    memcpy(block->bytes, bytes, n);
    return block;
}

/* Append one event to `block` (NULL: a new one), which moves.  On failure the block stays as it was. */
static bool append(struct tautd_live *live, struct block **block, uint64_t id, int station, const char *what)
{
    char head[96];
    if (tautd_render_draw(&live->render, tautd_view_summary, live->borrowed_host, station) != TAUT_OK)
        return false;
    int n = snprintf(head, sizeof head, "id: %" PRIu64 "\nevent: %s\ndata: ", id, what);
    assert(n > 0 && (size_t)n < sizeof head);
    const size_t before = *block ? (*block)->n : 0, after = before + (size_t)n + live->render.length + 2;
    struct block *grown = realloc(*block, sizeof **block + after);
    if (!grown)
        return false;
    if (!*block)
        *grown = (struct block){.refs = 1};
    grown->id = id;
    grown->station = station;
    grown->n = after;
    memcpy(grown->bytes + before, head, (size_t)n);
    memcpy(grown->bytes + before + n, live->render.at, live->render.length);
    memcpy(grown->bytes + after - 2, "\n\n", 2);
    *block = grown;
    return true;
}

static struct block *draw(struct tautd_live *live, int station, const char *what)
{
    struct block *block = NULL;
    if (!append(live, &block, live->last_id + 1, station, what))
        return NULL;
    live->last_id++;
    live->fresh = true;
    return block;
}

static void draw_sweep(struct tautd_live *live, int station, int64_t now_ns)
{
    struct station_state *state = &live->station[station];
    struct block *block = draw(live, station, "sweep");
    if (block) {
        drop(state->sweep);
        state->sweep = block;
    }
    state->dirty = false;
    state->drawn_ns = now_ns;
}

struct tautd_live *tautd_live_new(const struct tautd_api_host *host)
{
    struct tautd_live *live = calloc(1, sizeof *live);
    if (!live)
        return NULL;
    live->borrowed_host = host;
    /* Ids grow over a restart, so an old Last-Event-ID is never taken for a new one; below 2^53 for any reader. */
    live->last_id = (uint64_t)(tautd_clock_wall_ns() / TAUT_NS_PER_S) * 1000000u;
    return live;
}

void tautd_live_publish(struct tautd_live *live, int station, const char *what)
{
    assert(station >= 0 && station < TAUTD_STATIONS_MAX);
    assert(what[strspn(what, "abcdefghijklmnopqrstuvwxyz-")] == '\0' && strlen(what) < 32);
    if (strcmp(what, "sweep") == 0) {
        live->station[station].dirty = true;
        return;
    }
    struct block *block = draw(live, station, what);
    if (!block)
        return;
    struct block **slot = &live->kept[live->kept_count++ % KEPT];
    drop(*slot);
    *slot = block;
}

/* ---- what a listener is owed ---- */

static void prefer(const struct listener *listener, struct block *block, struct block **best)
{
    if (block && block->id > listener->seen && (listener->station < 0 || listener->station == block->station) &&
        (!*best || block->id < (*best)->id))
        *best = block;
}

static struct block *owed(const struct tautd_live *live, const struct listener *listener)
{
    struct block *best = NULL;
    for (int i = 0; i < KEPT; i++)
        prefer(listener, live->kept[i], &best);
    for (int i = 0; i < TAUTD_STATIONS_MAX; i++)
        prefer(listener, live->station[i].sweep, &best);
    return best;
}

static bool take_next(struct listener *listener)
{
    struct block *next = owed(listener->live, listener), *snapshot = listener->snapshot;
    if (snapshot && (!next || next->id > snapshot->id)) {
        next = snapshot; /* its reference moves */
        listener->snapshot = NULL;
    } else if (next) {
        next->refs++;
    }
    if (!next)
        return false;
    listener->sending = next;
    listener->sent = 0;
    if (next->id > listener->seen)
        listener->seen = next->id;
    return true;
}

/* MHD asks for more of the stream. */
static ssize_t feed(void *cls, uint64_t position, char *out, size_t most)
{
    (void)position;
    struct listener *listener = cls;
    size_t filled = 0;
    while (filled < most && (listener->sending || take_next(listener))) {
        struct block *block = listener->sending;
        size_t n = block->n - listener->sent < most - filled ? block->n - listener->sent : most - filled;
        memcpy(out + filled, block->bytes + listener->sent, n);
        filled += n;
        listener->sent += n;
        if (listener->sent == block->n) {
            drop(block);
            listener->sending = NULL;
        }
    }
    if (filled > 0) {
        listener->last_ns = tautd_clock_real_ns();
        return (ssize_t)filled;
    }
    if (listener->live->ending)
        return MHD_CONTENT_READER_END_OF_STREAM;
    listener->suspended = true;
    MHD_suspend_connection(listener->connection);
    return 0;
}

static void gone(void *cls)
{
    struct listener *listener = cls;
    drop(listener->sending);
    drop(listener->snapshot);
    listener->live->listeners--;
    *listener = (struct listener){0};
}

static void wake(struct listener *listener)
{
    if (!listener->suspended)
        return;
    listener->suspended = false;
    MHD_resume_connection(listener->connection);
}

void tautd_live_run(struct tautd_live *live)
{
    if (live->listeners == 0)
        return;
    const int64_t now_ns = tautd_clock_real_ns();
    for (int i = 0; i < TAUTD_STATIONS_MAX; i++)
        if (live->station[i].dirty && now_ns - live->station[i].drawn_ns >= SWEEP_NS)
            draw_sweep(live, i, now_ns);
    live->fresh = false;
    for (int i = 0; i < LISTENERS; i++) {
        struct listener *listener = &live->listener[i];
        if (!listener->live || !listener->suspended)
            continue;
        if (now_ns - listener->last_ns >= COMMENT_NS && !listener->sending) {
            static const char comment[] = ": still here\n\n";
            listener->sending = make_block(0, -1, comment, sizeof comment - 1);
            listener->sent = 0;
            listener->last_ns = now_ns;
        }
        if (live->ending || listener->sending || owed(live, listener))
            wake(listener);
    }
}

static int64_t earlier(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

int tautd_live_timeout_ms(const struct tautd_live *live)
{
    if (live->listeners == 0)
        return -1;
    if (live->fresh)
        return 0;
    const int64_t now_ns = tautd_clock_real_ns();
    int64_t due_ns = INT64_MAX;
    for (int i = 0; i < TAUTD_STATIONS_MAX; i++)
        if (live->station[i].dirty)
            due_ns = earlier(due_ns, live->station[i].drawn_ns + SWEEP_NS);
    for (int i = 0; i < LISTENERS; i++)
        if (live->listener[i].live && live->listener[i].suspended)
            due_ns = earlier(due_ns, live->listener[i].last_ns + COMMENT_NS);
    if (due_ns == INT64_MAX)
        return -1;
    return due_ns <= now_ns ? 0 : (int)((due_ns - now_ns) / TAUT_NS_PER_MS) + 1;
}

bool tautd_live_has_room(const struct tautd_live *live)
{
    return live->listeners < LISTENERS && !live->ending;
}

/* A Last-Event-ID that is one of ours, else `otherwise`. */
static uint64_t parse_seen(const struct tautd_live *live, const char *text, uint64_t otherwise)
{
    if (!text || !text[0] || strlen(text) > 18 || text[strspn(text, "0123456789")])
        return otherwise;
    uint64_t id = strtoull(text, NULL, 10);
    return id <= live->last_id ? id : otherwise;
}

static struct block *draw_snapshot(struct tautd_live *live, int station)
{
    struct block *block = NULL;
    const int count = live->borrowed_host->config(live->borrowed_host->ctx)->stations;
    for (int i = 0; i < count; i++)
        if ((station < 0 || station == i) && append(live, &block, live->last_id, i, "sweep") && live->listeners == 0)
            live->station[i].dirty = false; /* nobody else waits for it */
    return block;
}

enum taut_status tautd_live_attach(struct tautd_live *live, struct MHD_Connection *connection, int station, const char *seen,
                                   struct MHD_Response **response)
{
    static const char start[] = "retry: 2000\n\n";
    struct listener *listener = NULL;
    for (int i = 0; i < LISTENERS && !listener; i++)
        if (!live->listener[i].live)
            listener = &live->listener[i];
    if (!listener || live->ending)
        return TAUT_E_FULL;
    struct block *first = make_block(0, -1, start, sizeof start - 1);
    *response = first ? MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, BLOCK, feed, listener, gone) : NULL;
    if (!*response) {
        drop(first);
        return TAUT_E_MEMORY;
    }
    *listener = (struct listener){
        .live = live,
        .connection = connection,
        .station = station,
        .seen = parse_seen(live, seen, live->last_id),
        .snapshot = draw_snapshot(live, station),
        .sending = first,
        .last_ns = tautd_clock_real_ns(),
    };
    live->listeners++;
    return TAUT_OK;
}

void tautd_live_end(struct tautd_live *live)
{
    live->ending = true;
    for (int i = 0; i < LISTENERS; i++)
        if (live->listener[i].live)
            wake(&live->listener[i]);
}

void tautd_live_free(struct tautd_live *live)
{
    if (!live)
        return;
    for (int i = 0; i < KEPT; i++)
        drop(live->kept[i]);
    for (int i = 0; i < TAUTD_STATIONS_MAX; i++)
        drop(live->station[i].sweep);
    tautd_render_free(&live->render);
    free(live);
}
