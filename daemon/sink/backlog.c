#include "sink/backlog.h"

#include <stdlib.h>
#include <string.h>

/* A turn of the loop adds one row of some 100 bytes; 4 KiB with the allocator's and our own head. */
enum { BLOCK = 4096 - 64 };

bool tautd_backlog_push(struct tautd_backlog *queue, const char *bytes, size_t n, size_t *held, size_t bound)
{
    struct tautd_block *block = queue->tail;
    if (!block || block->capacity - block->used < n) {
        size_t capacity = n > BLOCK ? n : BLOCK;
        if (capacity > bound || *held > bound - capacity)
            return false;
        block = malloc(sizeof *block + capacity);
        if (!block)
            return false;
        *block = (struct tautd_block){.capacity = capacity};
        *held += capacity;
        if (queue->tail)
            queue->tail->next = block;
        else
            queue->head = block;
        queue->tail = block;
    }
    memcpy(block->bytes + block->used, bytes, n);
    block->used += n;
    return true;
}

/* An empty head is possible: a block that was written whole and kept, or one whose successor was made for want of room. */
const char *tautd_backlog_front(const struct tautd_backlog *queue, size_t *n)
{
    const struct tautd_block *block = queue->head;
    while (block && block->done == block->used)
        block = block->next;
    if (!block)
        return NULL;
    *n = block->used - block->done;
    return block->bytes + block->done;
}

/* The last block is kept while it is empty: the next row goes there without asking for memory. */
static void drop_empty(struct tautd_backlog *queue, size_t *held)
{
    struct tautd_block *block;
    while ((block = queue->head) && block->done == block->used && block->next) {
        queue->head = block->next;
        *held -= block->capacity;
        free(block);
    }
    if (block && block->done == block->used)
        block->done = block->used = 0;
}

void tautd_backlog_done(struct tautd_backlog *queue, size_t n, size_t *held)
{
    struct tautd_block *block = queue->head;
    while (block->done == block->used)
        block = block->next;
    block->done += n;
    drop_empty(queue, held);
}

bool tautd_backlog_empty(const struct tautd_backlog *queue)
{
    size_t n;
    return tautd_backlog_front(queue, &n) == NULL;
}

void tautd_backlog_free(struct tautd_backlog *queue, size_t *held)
{
    for (struct tautd_block *block = queue->head, *next; block; block = next) {
        next = block->next;
        *held -= block->capacity;
        free(block);
    }
    *queue = (struct tautd_backlog){0};
}
