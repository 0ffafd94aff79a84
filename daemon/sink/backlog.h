/** @file backlog.h  Bytes that wait to be written, in blocks; what is queued in one call is never split over two. The
 *  owner locks. Memory is taken when needed and given back when written. */
#ifndef TAUTD_BACKLOG_H
#define TAUTD_BACKLOG_H

#include <stdbool.h>
#include <stddef.h>

struct tautd_block {
    struct tautd_block *next;
    size_t capacity, used, done; /* bytes [done, used) wait */
    char bytes[];
};

struct tautd_backlog {
    struct tautd_block *head, *tail;
};

/** Add bytes.
 *  @param held   bytes of storage taken by all queues that share the bound; updated
 *  @param bound  the most of it
 *  @return false: no room or no memory; nothing was added */
bool tautd_backlog_push(struct tautd_backlog *queue, const char *bytes, size_t n, size_t *held, size_t bound);

/** The bytes to write next; NULL when nothing waits.  They stay where they are until tautd_backlog_done. */
const char *tautd_backlog_front(const struct tautd_backlog *queue, size_t *n);

/** `n` of the front bytes are written. */
void tautd_backlog_done(struct tautd_backlog *queue, size_t n, size_t *held);

bool tautd_backlog_empty(const struct tautd_backlog *queue);
void tautd_backlog_free(struct tautd_backlog *queue, size_t *held);

#endif
