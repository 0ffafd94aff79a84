/* Temporary folders, files as text, and waiting for a sink, for tests. Include after cmocka.h. */
#ifndef TT_FOLDER_H
#define TT_FOLDER_H

#include <fcntl.h>
#include <ftw.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "sink/sink.h"

static inline int tt_remove(const char *path, const struct stat *info, int kind, struct FTW *walk)
{
    (void)info;
    (void)kind;
    (void)walk;
    return remove(path);
}

/* A fresh folder; remove it with tt_folder_remove. */
static inline void tt_folder_make(char path[64])
{
    snprintf(path, 64, "/tmp/taut-test-XXXXXX");
    assert_non_null(mkdtemp(path));
}

static inline void tt_folder_remove(const char *path)
{
    nftw(path, tt_remove, 16, FTW_DEPTH | FTW_PHYS);
}

/* A whole file; the caller frees. NULL when it is not there. */
static inline char *tt_file(const char *folder, const char *name, size_t *size)
{
    char path[4400];
    snprintf(path, sizeof path, "%.4096s/%.200s", folder, name);
    FILE *file = fopen(path, "rb");
    if (!file)
        return NULL;
    fseek(file, 0, SEEK_END);
    long n = ftell(file);
    rewind(file);
    char *text = malloc((size_t)n + 1);
    assert_non_null(text);
    assert_int_equal(fread(text, 1, (size_t)n, file), n);
    text[n] = '\0';
    fclose(file);
    if (size)
        *size = (size_t)n;
    return text;
}

static inline int tt_count(const char *text, char c)
{
    int n = 0;
    for (; *text; text++)
        n += *text == c;
    return n;
}

/* Take news until one of `kind` has come, at most `most_s` seconds.  False when it did not come. */
static inline bool tt_wait_news(struct tautd_sink *sink, enum tautd_sink_news_kind kind, double most_s,
                                struct tautd_sink_news *out)
{
    for (int i = 0; i < (int)(most_s * 50) + 1; i++) {
        struct tautd_sink_news news;
        while (tautd_sink_take(sink, &news, 1) == 1)
            if (news.kind == kind) {
                if (out)
                    *out = news;
                return true;
            }
        struct pollfd ready = {.fd = tautd_sink_fd(sink), .events = POLLIN};
        poll(&ready, 1, 20);
    }
    return false;
}

/* Wait until write() has taken `rows` rows, at most `most_s` seconds. */
static inline bool tt_wait_rows(struct tautd_folder *folder, uint64_t rows, double most_s)
{
    for (int i = 0; i < (int)(most_s * 1000) && tautd_folder_rows(folder) < rows; i++)
        usleep(1000);
    return tautd_folder_rows(folder) >= rows;
}

#endif
