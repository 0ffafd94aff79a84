/** @file queue.h  Bytes that wait to be written, in blocks; what is queued in one call is never split over two. The
 *  owner locks. Memory is taken when needed and given back when written. */
#ifndef TAUTD_QUEUE_H
#define TAUTD_QUEUE_H

#include <stdbool.h>
#include <stddef.h>

struct tautd_block {
    struct tautd_block *next;
    size_t capacity, used, done; /* bytes [done, used) wait */
    char bytes[];
};

struct tautd_queue {
    struct tautd_block *head, *tail;
};

/** Add bytes.
 *  @param held   bytes of storage taken by all queues that share the bound; updated
 *  @param bound  the most of it
 *  @return false: no room or no memory; nothing was added */
bool tautd_queue_push(struct tautd_queue *queue, const char *bytes, size_t n, size_t *held, size_t bound);

/** The bytes to write next; NULL when nothing waits.  They stay where they are until tautd_queue_done. */
const char *tautd_queue_front(const struct tautd_queue *queue, size_t *n);

/** `n` of the front bytes are written. */
void tautd_queue_done(struct tautd_queue *queue, size_t n, size_t *held);

bool tautd_queue_empty(const struct tautd_queue *queue);
void tautd_queue_free(struct tautd_queue *queue, size_t *held);

#endif
