/** @file answer.h  From a question (method, path, headers, body) to an answer. */
#ifndef TAUTD_WEB_ANSWER_H
#define TAUTD_WEB_ANSWER_H

#include <microhttpd.h>

#include "web/api.h"
#include "web/live.h"
#include "web/render.h"

/** What answers are made from. */
struct tautd_answer {
    const struct tautd_api_host *borrowed_host;
    struct tautd_live *live;
    struct tautd_render render;
};

/** One question while it comes in. */
struct tautd_question;

/** @param target  raw request target, before any decoding.  @return NULL for want of memory */
struct tautd_question *tautd_question_new(const char *target);
void tautd_question_free(struct tautd_question *question);

struct tautd_asked {
    struct MHD_Connection *connection;
    const char *path, *method;
    bool local; /* over the Unix socket */
};

enum tautd_answered {
    TAUTD_ANSWER_WAIT,   /* more of the body is to come */
    TAUTD_ANSWER_DONE,   /* the answer is queued */
    TAUTD_ANSWER_STREAM, /* an endless answer is queued */
    TAUTD_ANSWER_CUT     /* close the connection */
};

/** Take the next piece of a question; MHD calls this once with the headers, then with pieces of the body, then with *size 0. */
enum tautd_answered tautd_answer_take(struct tautd_answer *answer, struct tautd_question *question,
                                      const struct tautd_asked *asked, const char *data, size_t *size);

/** Give back what is kept between answers. */
void tautd_answer_reset(struct tautd_answer *answer);

#endif
