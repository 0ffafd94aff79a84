#include "web/answer.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "log.h"
#include "taut/units.h"
#include "web/guard.h"
#include "web/listen.h"
#include "web/order.h"
#include "web/page.h"

enum { BODY_MAX = 64 * 1024, BODY_CUT = 1024 * 1024, STREAM_IDLE_S = 30 };

struct tautd_question {
    bool good_target, begun;
    size_t size;
    char *body;
};

struct tautd_question *tautd_question_new(const char *target)
{
    struct tautd_question *question = calloc(1, sizeof *question);
    if (question)
        question->good_target = tautd_guard_target(target);
    return question;
}

void tautd_question_free(struct tautd_question *question)
{
    free(question->body);
    free(question);
}

void tautd_answer_reset(struct tautd_answer *answer)
{
    tautd_render_free(&answer->render);
}

/* ---- answers ---- */

/* No outside request, no inline script, no frame, no cache, no guessing of types. */
static const char *const headers[][2] = {
    {"Content-Security-Policy",
     "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
     "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"},
    {"X-Content-Type-Options",       "nosniff"                    },
    {"Cache-Control",                "no-store"                   },
    {"Referrer-Policy",              "no-referrer"                },
    {"Cross-Origin-Resource-Policy", "same-origin"                },
};

static bool queue(const struct tautd_asked *asked, unsigned code, const char *type, const char *allow,
                  struct MHD_Response *response)
{
    if (!response)
        return false;
    for (size_t i = 0; i < sizeof headers / sizeof headers[0]; i++)
        MHD_add_response_header(response, headers[i][0], headers[i][1]);
    MHD_add_response_header(response, "Content-Type", type);
    if (allow)
        MHD_add_response_header(response, "Allow", allow);
    bool queued = MHD_queue_response(asked->connection, code, response) == MHD_YES;
    MHD_destroy_response(response);
    return queued;
}

static enum tautd_answered send_bytes(const struct tautd_asked *asked, unsigned code, const char *type, const char *allow,
                                      const char *bytes, size_t n, enum MHD_ResponseMemoryMode mode)
{
    struct MHD_Response *response = MHD_create_response_from_buffer(n, (void *)(uintptr_t)bytes, mode);
    return queue(asked, code, type, allow, response) ? TAUTD_ANSWER_DONE : TAUTD_ANSWER_CUT;
}

static enum tautd_answered send_json(const struct tautd_asked *asked, unsigned code, const char *bytes, size_t n)
{
    return send_bytes(asked, code, "application/json", NULL, bytes, n, MHD_RESPMEM_MUST_COPY);
}

static enum tautd_answered refuse(const struct tautd_asked *asked, unsigned code, const char *allow, const char *why)
{
    char storage[1024];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    taut_text_add(&text, "{\"error\":");
    taut_text_add_json_string(&text, why);
    taut_text_add_char(&text, '}');
    if (text.full)
        return TAUTD_ANSWER_CUT;
    return send_bytes(asked, code, "application/json", allow, storage, text.length, MHD_RESPMEM_MUST_COPY);
}

static enum tautd_answered draw(struct tautd_answer *answer, const struct tautd_asked *asked, tautd_render_view *view,
                                int station)
{
    if (tautd_render_draw(&answer->render, view, answer->borrowed_host, station) != TAUT_OK)
        return refuse(asked, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, "the answer does not fit into memory");
    return send_json(asked, MHD_HTTP_OK, answer->render.at, answer->render.length);
}

/* ---- guards ---- */

static const char *header(const struct tautd_asked *asked, const char *name)
{
    return MHD_lookup_connection_value(asked->connection, MHD_HEADER_KIND, name);
}

static enum MHD_Result count_hosts(void *cls, enum MHD_ValueKind kind, const char *key, const char *value)
{
    (void)kind;
    (void)value;
    if (strcasecmp(key, "Host") == 0)
        ++*(int *)cls;
    return MHD_YES;
}

/* NULL when the question may be answered, else why not; *code is set then. */
static const char *guard(const struct tautd_question *question, const struct tautd_asked *asked, unsigned *code)
{
    const char *host = header(asked, "Host"), *origin = header(asked, "Origin"), *mark = header(asked, "X-Taut-Request");
    int hosts = 0;
    *code = MHD_HTTP_BAD_REQUEST;
    if (!question->good_target)
        return "the address must be printable ASCII of at most 1024 bytes";
    MHD_get_connection_values(asked->connection, MHD_HEADER_KIND, count_hosts, &hosts);
    if (hosts > 1)
        return "more than one Host header";
    *code = MHD_HTTP_FORBIDDEN;
    if (!asked->local && !tautd_guard_host(host))
        return "the Host header must be localhost, a 127 address or [::1]";
    if (origin && (!host || !tautd_guard_origin(origin, host)))
        return "the question comes from a page of another origin";
    /* A browser lets a foreign page send a plain POST, but not one with a header of its own. */
    bool browser = !asked->local || origin;
    if (browser && strcmp(asked->method, "POST") == 0 && (!mark || strcmp(mark, "1") != 0))
        return "a command needs the header X-Taut-Request: 1";
    return NULL;
}

/* ---- routes ---- */

static const struct {
    const char *path;
    tautd_render_view *view;
} views[] = {
    {"/v1/status",   tautd_view_status  },
    {"/v1/stations", tautd_view_stations},
    {"/v1/channels", tautd_view_channels},
    {"/v1/lines",    tautd_view_lines   },
    {"/v1/config",   tautd_view_config  },
};

enum route { ROUTE_NONE, ROUTE_PAGE, ROUTE_VIEW, ROUTE_LIVE, ROUTE_STATION, ROUTE_COMMAND };

struct found {
    enum route route;
    tautd_render_view *view;
    const struct tautd_page_file *file;
    int station; /* -1: no station of that name */
};

static int station_index(const struct tautd_answer *answer, const char *name, size_t n)
{
    const struct tautd_config *config = answer->borrowed_host->config(answer->borrowed_host->ctx);
    for (int i = 0; i < config->stations; i++)
        if (strlen(config->station[i].name) == n && memcmp(config->station[i].name, name, n) == 0)
            return i;
    return -1;
}

static struct found find(const struct tautd_answer *answer, const char *path)
{
    static const char stations[] = "/v1/stations/";
    struct found found = {.file = tautd_page_find(path), .station = -1};
    if (found.file)
        found.route = ROUTE_PAGE;
    else if (strcmp(path, "/v1/live") == 0)
        found.route = ROUTE_LIVE;
    else if (strncmp(path, stations, sizeof stations - 1) == 0) {
        const char *name = path + sizeof stations - 1, *rest = name + strcspn(name, "/");
        found.station = station_index(answer, name, (size_t)(rest - name));
        found.route = *rest == '\0' ? ROUTE_STATION : strcmp(rest, "/commands") == 0 ? ROUTE_COMMAND : ROUTE_NONE;
    }
    for (size_t i = 0; i < sizeof views / sizeof views[0]; i++)
        if (strcmp(views[i].path, path) == 0) {
            found.route = ROUTE_VIEW;
            found.view = views[i].view;
        }
    return found;
}

static const char *const methods[] = {
    [ROUTE_NONE] = "",    [ROUTE_PAGE] = "GET, HEAD",    [ROUTE_VIEW] = "GET, HEAD",
    [ROUTE_LIVE] = "GET", [ROUTE_STATION] = "GET, HEAD", [ROUTE_COMMAND] = "POST",
};

static bool allowed(enum route route, const char *method)
{
    const char *at = methods[route];
    size_t n = strlen(method);
    while (n > 0 && at && *at) {
        if (strncmp(at, method, n) == 0 && (at[n] == ',' || at[n] == '\0'))
            return true;
        at = strchr(at, ' ');
        at = at ? at + 1 : NULL;
    }
    return false;
}

static enum tautd_answered stream(struct tautd_answer *answer, const struct tautd_asked *asked)
{
    const char *name = MHD_lookup_connection_value(asked->connection, MHD_GET_ARGUMENT_KIND, "station");
    int station = name ? station_index(answer, name, strlen(name)) : -1;
    if (name && station < 0)
        return refuse(asked, MHD_HTTP_NOT_FOUND, NULL, "there is no station of that name");
    struct MHD_Response *response = NULL;
    enum taut_status status =
        tautd_live_attach(answer->live, asked->connection, station, header(asked, "Last-Event-ID"), &response);
    if (status == TAUT_E_FULL)
        return refuse(asked, MHD_HTTP_SERVICE_UNAVAILABLE, NULL, "too many listeners; close a page that is not needed");
    if (status != TAUT_OK)
        return refuse(asked, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, taut_status_text(status));
    MHD_set_connection_option(asked->connection, MHD_CONNECTION_OPTION_TIMEOUT, (unsigned)STREAM_IDLE_S);
    return queue(asked, MHD_HTTP_OK, "text/event-stream", NULL, response) ? TAUTD_ANSWER_STREAM : TAUTD_ANSWER_CUT;
}

/* ---- commands ---- */

static unsigned http_code(enum taut_status status)
{
    static const struct {
        enum taut_status status;
        unsigned code;
    } codes[] = {
        {TAUT_OK,       MHD_HTTP_OK         },
        {TAUT_E_STATE,  MHD_HTTP_CONFLICT   },
        {TAUT_E_EXISTS, MHD_HTTP_CONFLICT   },
        {TAUT_E_ARG,    MHD_HTTP_BAD_REQUEST},
        {TAUT_E_FORMAT, MHD_HTTP_BAD_REQUEST},
        {TAUT_E_RANGE,  MHD_HTTP_BAD_REQUEST},
        {TAUT_E_NOENT,  MHD_HTTP_BAD_REQUEST}, /* the station was found: some name in the command was not */
        {TAUT_E_DENIED, MHD_HTTP_FORBIDDEN  },
    };
    for (size_t i = 0; i < sizeof codes / sizeof codes[0]; i++)
        if (codes[i].status == status)
            return codes[i].code;
    return MHD_HTTP_INTERNAL_SERVER_ERROR;
}

static void find_peer(const struct tautd_asked *asked, struct tautd_api_peer *peer)
{
    const union MHD_ConnectionInfo *info = MHD_get_connection_info(asked->connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    if (asked->local && info)
        tautd_listen_peer(info->connect_fd, peer);
    else
        *peer = (struct tautd_api_peer){.name = "tcp"};
}

static enum tautd_answered command(struct tautd_answer *answer, struct tautd_question *question, const struct tautd_asked *asked,
                                   int station)
{
    const struct tautd_api_host *host = answer->borrowed_host;
    struct tautd_order order;
    struct tautd_api_peer peer;
    struct taut_diag diag = {0};
    find_peer(asked, &peer);
    enum taut_status status = tautd_order_parse(question->body ? question->body : "", question->size, &peer, &order, &diag);
    if (status == TAUT_OK)
        status = host->command(host->ctx, station, &order.command, order.part, order.recipe, &peer, &diag);
    if (status != TAUT_OK)
        return refuse(asked, http_code(status), NULL, diag.text[0] ? diag.text : taut_status_text(status));
    return draw(answer, asked, tautd_view_summary, station);
}

/* ---- one question ---- */

/* Headers are there: what can be refused is refused now, before a body is read. */
static enum tautd_answered begin(struct tautd_answer *answer, struct tautd_question *question, const struct tautd_asked *asked)
{
    unsigned code;
    const char *why = guard(question, asked, &code);
    if (why) {
        tautd_log_sparse(TAUTD_WARNING, "api-refused", "api: refused: %s", why);
        return refuse(asked, code, NULL, why);
    }
    const struct found found = find(answer, asked->path);
    if (found.route == ROUTE_NONE)
        return refuse(asked, MHD_HTTP_NOT_FOUND, NULL, "there is nothing at this address");
    if (!allowed(found.route, asked->method))
        return refuse(asked, MHD_HTTP_METHOD_NOT_ALLOWED, methods[found.route], "this method is not allowed here");
    if ((found.route == ROUTE_STATION || found.route == ROUTE_COMMAND) && found.station < 0)
        return refuse(asked, MHD_HTTP_NOT_FOUND, NULL, "there is no station of that name");
    const char *type = header(asked, "Content-Type"), *length = header(asked, "Content-Length");
    if (length && strtoull(length, NULL, 10) > BODY_MAX)
        return refuse(asked, MHD_HTTP_CONTENT_TOO_LARGE, NULL, "a body may have at most 64 KiB");
    if (found.route == ROUTE_COMMAND && type && strncasecmp(type, "application/json", 16) != 0)
        return refuse(asked, MHD_HTTP_UNSUPPORTED_MEDIA_TYPE, NULL, "a command must be application/json");
    return TAUTD_ANSWER_WAIT;
}

static enum tautd_answered take_body(struct tautd_question *question, const char *data, size_t *size)
{
    const size_t n = *size;
    *size = 0;
    if (question->size + n > BODY_CUT)
        return TAUTD_ANSWER_CUT;
    if (question->size + n <= BODY_MAX) {
        if (!question->body && !(question->body = malloc(BODY_MAX)))
            return TAUTD_ANSWER_CUT;
        memcpy(question->body + question->size, data, n);
    }
    question->size += n;
    return TAUTD_ANSWER_WAIT;
}

static enum tautd_answered finish(struct tautd_answer *answer, struct tautd_question *question, const struct tautd_asked *asked)
{
    const struct found found = find(answer, asked->path);
    if (question->size > BODY_MAX)
        return refuse(asked, MHD_HTTP_CONTENT_TOO_LARGE, NULL, "a body may have at most 64 KiB");
    switch (found.route) {
    case ROUTE_PAGE:
        return send_bytes(asked, MHD_HTTP_OK, found.file->content_type, NULL, found.file->bytes,
                          (size_t)(found.file->end - found.file->bytes), MHD_RESPMEM_PERSISTENT);
    case ROUTE_VIEW:
        return draw(answer, asked, found.view, 0);
    case ROUTE_STATION:
        return draw(answer, asked, tautd_view_station, found.station);
    case ROUTE_LIVE:
        return stream(answer, asked);
    case ROUTE_COMMAND:
        return command(answer, question, asked, found.station);
    case ROUTE_NONE:
        break;
    }
    return TAUTD_ANSWER_CUT;
}

enum tautd_answered tautd_answer_take(struct tautd_answer *answer, struct tautd_question *question,
                                      const struct tautd_asked *asked, const char *data, size_t *size)
{
    if (!question->begun) {
        question->begun = true;
        return begin(answer, question, asked);
    }
    if (*size > 0)
        return take_body(question, data, size);
    return finish(answer, question, asked);
}
