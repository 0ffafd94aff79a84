/* Serves the made-up bench until its standard input ends, for clients in other languages.
 *
 *   web_bench SOCKET [--tcp ADDRESS] [--port N] [--group NAME]
 *
 * The first line of output is JSON with socket and port. Lines on standard input:
 *   publish STATION WHAT | pressure STATION PA | age CHANNEL SECONDS | last | quit
 * "last" answers with the last command that reached the host. */
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "bench.h"
#include "clock.h"
#include "taut/taut.h"

static struct bench bench;

static void print_last(void)
{
    char storage[2048];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    taut_text_addf(&text, "{\"commands\":%d,\"verb\":\"%s\",\"alarm\":%d,\"number\":", bench.commands,
                   taut_verb_text(bench.last.verb), (int)bench.last.alarm);
    taut_text_add_double(&text, bench.last.number);
    const struct {
        const char *key, *value;
    } texts[] = {
        {"who",     bench.last.who      },
        {"text",    bench.last.text     },
        {"part",    bench.last_part     },
        {"recipe",  bench.last_recipe   },
        {"account", bench.last_peer.name}
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        taut_text_addf(&text, ",\"%s\":", texts[i].key);
        taut_text_add_json_string(&text, texts[i].value);
    }
    printf("%s,\"uid\":%u,\"local\":%s}\n", storage, bench.last_peer.uid, bench.last_peer.local ? "true" : "false");
}

/* false = end */
static bool obey(struct tautd_api *api, char *line)
{
    char what[32];
    int index;
    double value;
    if (sscanf(line, "publish %d %31s", &index, what) == 2)
        tautd_api_publish(api, index, what);
    else if (sscanf(line, "pressure %d %lf", &index, &value) == 2)
        bench.station[index].latest[TAUT_ROLE_VENT].value = value;
    else if (sscanf(line, "age %d %lf", &index, &value) == 2)
        bench.live[index].mono_ns = tautd_clock_mono_ns() - taut_ns(value);
    else if (strncmp(line, "last", 4) == 0)
        print_last();
    else
        return false;
    fflush(stdout);
    return true;
}

static bool take_input(struct tautd_api *api)
{
    static char input[4096];
    static size_t used;
    ssize_t n = read(STDIN_FILENO, input + used, sizeof input - 1 - used);
    if (n <= 0)
        return false;
    used += (size_t)n;
    input[used] = '\0';
    for (char *end; (end = strchr(input, '\n')) != NULL;) {
        *end = '\0';
        if (!obey(api, input))
            return false;
        used -= (size_t)(end + 1 - input);
        memmove(input, end + 1, used + 1);
    }
    return true;
}

int main(int argc, char **argv)
{
    signal(SIGPIPE, SIG_IGN);
    if (argc < 2)
        return 64;
    bench_init(&bench);
    snprintf(bench.config.api.socket, sizeof bench.config.api.socket, "%s", argv[1]);
    for (int i = 2; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--tcp") == 0)
            snprintf(bench.config.api.listen, sizeof bench.config.api.listen, "%s", argv[i + 1]);
        if (strcmp(argv[i], "--port") == 0)
            bench.config.api.port = atoi(argv[i + 1]);
        if (strcmp(argv[i], "--group") == 0)
            snprintf(bench.config.api.group, sizeof bench.config.api.group, "%s", argv[i + 1]);
    }
    struct tautd_api_host host = bench_host(&bench);
    struct taut_diag diag = {0};
    struct tautd_api *api = tautd_api_new(&bench.config, &host, &diag);
    if (!api) {
        fprintf(stderr, "%s\n", diag.text);
        return 1;
    }
    printf("{\"socket\":\"%s\",\"port\":%d}\n", argv[1], tautd_api_port(api));
    fflush(stdout);
    for (bool go = true; go;) {
        struct pollfd wait[5] = {
            {.fd = STDIN_FILENO, .events = POLLIN}
        };
        int fds[4], n = tautd_api_fds(api, fds, 4);
        for (int i = 0; i < n; i++)
            wait[1 + i] = (struct pollfd){.fd = fds[i], .events = POLLIN};
        poll(wait, (nfds_t)(1 + n), tautd_api_timeout_ms(api));
        if (wait[0].revents)
            go = take_input(api);
        tautd_api_run(api);
    }
    tautd_api_free(api);
    return 0;
}
