/* Failure policy: a daemon that is not there, does not answer in time or answers nonsense is told apart, with the place
 * that was asked and what to do; nothing is asked twice by itself. */
#include "tautctl/client.h"

#include <curl/curl.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "taut/limits.h"
#include "tautctl/tautctl.h"

enum { CONNECT_MS = 2000, ANSWER_MS = 10000, SILENT_S = 40, BODY_MOST = 32 * 1024 * 1024 };

struct body {
    char *at;
    size_t size;
};

static size_t keep(char *data, size_t one, size_t n, void *ctx)
{
    struct body *body = ctx;
    (void)one;
    if (body->size + n > BODY_MOST)
        return 0;
    char *grown = realloc(body->at, body->size + n + 1);
    if (!grown)
        return 0;
    memcpy(grown + body->size, data, n);
    body->at = grown;
    body->size += n;
    body->at[body->size] = '\0';
    return n;
}

static CURL *open_curl(const char *path)
{
    char url[1200];
    CURL *curl = curl_easy_init();
    if (!curl)
        return NULL;
    snprintf(url, sizeof url, "http://localhost%s", path);
    curl_easy_setopt(curl, CURLOPT_URL, url);
    curl_easy_setopt(curl, CURLOPT_UNIX_SOCKET_PATH, tautctl_socket());
    curl_easy_setopt(curl, CURLOPT_PROXY, "");
    curl_easy_setopt(curl, CURLOPT_NOSIGNAL, 1L);
    curl_easy_setopt(curl, CURLOPT_CONNECTTIMEOUT_MS, (long)CONNECT_MS);
    return curl;
}

static int unreachable(const char *why)
{
    const char *path = tautctl_socket();
    if (access(path, F_OK) != 0)
        why = errno == ENOENT ? "there is no socket" : strerror(errno);
    else if (access(path, W_OK) != 0)
        return tautctl_say(TAUTCTL_UNREACHABLE,
                           "%s: your account may not use this socket.\n"
                           "Ask to be added to its group (ls -l shows which) and log in again.",
                           path);
    return tautctl_say(TAUTCTL_UNREACHABLE,
                       "no tautd answers at %s: %s.\n"
                       "Start it with 'systemctl start tautd' or 'tautd --config FILE', or say where it listens:\n"
                       "--socket PATH or TAUT_SOCKET=PATH.",
                       path, why);
}

static int check(CURL *curl, CURLcode result, const struct body *body)
{
    long code = 0;
    if (result == CURLE_OPERATION_TIMEDOUT)
        return unreachable("it does not answer in time");
    if (result == CURLE_COULDNT_CONNECT)
        return unreachable("nobody listens");
    if (result != CURLE_OK)
        return unreachable(curl_easy_strerror(result));
    curl_easy_getinfo(curl, CURLINFO_RESPONSE_CODE, &code);
    if (code == 200)
        return TAUTCTL_OK;
    cJSON *answer = body->at ? cJSON_ParseWithLength(body->at, body->size) : NULL;
    const char *error = tautctl_text(answer, "error");
    int exit_code = error[0] ? tautctl_say(TAUTCTL_REFUSED, "refused: %s", error)
                             : tautctl_say(TAUTCTL_TROUBLE, "%s answers with HTTP status %ld", tautctl_socket(), code);
    cJSON_Delete(answer);
    return exit_code;
}

static int ask(CURL *curl, char **raw, cJSON **out)
{
    struct body body = {0};
    curl_easy_setopt(curl, CURLOPT_TIMEOUT_MS, (long)ANSWER_MS);
    curl_easy_setopt(curl, CURLOPT_WRITEFUNCTION, keep);
    curl_easy_setopt(curl, CURLOPT_WRITEDATA, &body);
    int code = check(curl, curl_easy_perform(curl), &body);
    if (code == TAUTCTL_OK && out) {
        *out = body.at ? cJSON_ParseWithLength(body.at, body.size) : NULL;
        if (!*out)
            code = tautctl_say(TAUTCTL_TROUBLE, "the answer of %s is not JSON; is it another program?", tautctl_socket());
    }
    if (code == TAUTCTL_OK && raw)
        *raw = body.at;
    else
        free(body.at);
    return code;
}

int tautctl_get(const char *path, char **raw, cJSON **out)
{
    CURL *curl = open_curl(path);
    if (!curl)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    int code = ask(curl, raw, out);
    curl_easy_cleanup(curl);
    return code;
}

int tautctl_post(const char *path, const cJSON *body, cJSON **out)
{
    CURL *curl = open_curl(path);
    char *text = cJSON_PrintUnformatted(body);
    struct curl_slist *headers = curl_slist_append(NULL, "Content-Type: application/json");
    int code = TAUTCTL_TROUBLE;
    if (curl && text && headers) {
        curl_slist_append(headers, "X-Taut-Request: 1");
        curl_easy_setopt(curl, CURLOPT_HTTPHEADER, headers);
        curl_easy_setopt(curl, CURLOPT_POSTFIELDS, text);
        code = ask(curl, NULL, out);
    } else {
        tautctl_say(code, "no memory");
    }
    curl_slist_free_all(headers);
    cJSON_free(text);
    curl_easy_cleanup(curl);
    return code;
}

/* ---- streams: lines after the WHATWG HTML standard, "Server-sent events" ---- */

struct stream {
    tautctl_event *each;
    void *ctx;
    bool ended;
    char name[40];
    struct body line, data, all;
};

/* One line without its end. */
static void take_line(struct stream *stream)
{
    const char *line = stream->line.at ? stream->line.at : "";
    if (stream->line.size == 0) {
        if (stream->data.size > 0 && !stream->each(stream->ctx, stream->name[0] ? stream->name : "message", stream->data.at))
            stream->ended = true;
        stream->name[0] = '\0';
        stream->data.size = 0;
    } else if (strncmp(line, "event: ", 7) == 0) {
        snprintf(stream->name, sizeof stream->name, "%s", line + 7);
    } else if (strncmp(line, "data: ", 6) == 0) {
        keep(stream->line.at + 6, 1, stream->line.size - 6, &stream->data);
    }
    stream->line.size = 0;
}

static size_t take_piece(char *data, size_t one, size_t n, void *ctx)
{
    struct stream *stream = ctx;
    (void)one;
    if (stream->all.size < 4096)
        keep(data, 1, n, &stream->all); /* for the text of a refusal */
    for (size_t i = 0; i < n && !stream->ended;) {
        const char *end = memchr(data + i, '\n', n - i);
        size_t length = end ? (size_t)(end - data) - i : n - i;
        if (length > 0 && keep(data + i, 1, length, &stream->line) == 0)
            return 0;
        i += length;
        if (end) {
            take_line(stream);
            i++;
        }
    }
    return stream->ended ? 0 : n;
}

int tautctl_follow(const char *path, tautctl_event *each, void *ctx)
{
    struct stream stream = {.each = each, .ctx = ctx};
    CURL *curl = open_curl(path);
    if (!curl)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    curl_easy_setopt(curl, CURLOPT_WRITEFUNCTION, take_piece);
    curl_easy_setopt(curl, CURLOPT_WRITEDATA, &stream);
    curl_easy_setopt(curl, CURLOPT_LOW_SPEED_LIMIT, 1L); /* the daemon says something each 15 s */
    curl_easy_setopt(curl, CURLOPT_LOW_SPEED_TIME, (long)SILENT_S);
    CURLcode result = curl_easy_perform(curl);
    int code = TAUTCTL_OK;
    if (!stream.ended) {
        code = check(curl, result, &stream.all);
        if (code == TAUTCTL_OK)
            code = tautctl_say(TAUTCTL_UNREACHABLE, "tautd at %s has ended the stream", tautctl_socket());
    }
    curl_easy_cleanup(curl);
    free(stream.line.at);
    free(stream.data.at);
    free(stream.all.at);
    return code;
}

bool tautctl_station_path(const char *station, const char *what, char *out, size_t size)
{
    static const char allowed[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-";
    snprintf(out, size, "/v1/stations/%s%s%s", station, what[0] ? "/" : "", what);
    return station[0] && station[strspn(station, allowed)] == '\0' && strlen(station) < TAUT_NAME_MAX;
}

const char *tautctl_text(const cJSON *object, const char *key)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, key);
    return cJSON_IsString(item) ? item->valuestring : "";
}

double tautctl_number(const cJSON *object, const char *key)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, key);
    return cJSON_IsNumber(item) ? item->valuedouble : NAN;
}

bool tautctl_flag(const cJSON *object, const char *key)
{
    return cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(object, key));
}
