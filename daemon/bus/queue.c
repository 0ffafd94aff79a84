#include "bus/queue.h"

#include <stdlib.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include "clock.h"

enum taut_status tautd_queue_open(struct tautd_queue *queue, unsigned size)
{
    *queue = (struct tautd_queue){.size = size, .fd = -1};
    queue->slot = calloc(size, sizeof *queue->slot);
    if (!queue->slot)
        return TAUT_E_MEMORY;
    queue->fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (queue->fd < 0) {
        free(queue->slot);
        return TAUT_E_IO;
    }
    pthread_mutex_init(&queue->lock, NULL);
    return TAUT_OK;
}

void tautd_queue_close(struct tautd_queue *queue)
{
    close(queue->fd);
    free(queue->slot);
    pthread_mutex_destroy(&queue->lock);
}

void tautd_queue_wake(struct tautd_queue *queue)
{
    uint64_t one = 1;
    pthread_mutex_lock(&queue->lock);
    queue->told_ns = tautd_clock_real_ns();
    pthread_mutex_unlock(&queue->lock);
    ssize_t ignored = write(queue->fd, &one, sizeof one); /* fails only when the counter is full: then it is readable */
    (void)ignored;
}

int64_t tautd_queue_push(struct tautd_queue *queue, const struct tautd_reading *reading, int n, int *lost)
{
    int64_t now = tautd_clock_real_ns(), owed = 0;
    *lost = 0;
    pthread_mutex_lock(&queue->lock);
    for (int i = 0; i < n; i++) {
        if (queue->used == queue->size) {
            (*lost)++;
            continue;
        }
        queue->slot[(queue->head + queue->used++) % queue->size] = reading[i];
    }
    if (!queue->told) {
        queue->told = true;
        owed = queue->told_ns + TAUTD_QUEUE_HOLD_NS;
    }
    pthread_mutex_unlock(&queue->lock);
    if (owed == 0 || owed > now)
        return owed;
    tautd_queue_wake(queue);
    return 0;
}

int tautd_queue_take(struct tautd_queue *queue, struct tautd_reading *out, int most)
{
    /* First the wake-up, then the readings: what comes between wakes us again. Not under the lock, which the workers
     * would wait for. */
    uint64_t count = 1;
    ssize_t ignored = read(queue->fd, &count, sizeof count);
    int n = 0;
    pthread_mutex_lock(&queue->lock);
    for (; n < most && queue->used > 0; n++) {
        out[n] = queue->slot[queue->head];
        queue->head = (queue->head + 1) % queue->size;
        queue->used--;
    }
    bool left = queue->used > 0;
    if (!left)
        queue->told = false;
    pthread_mutex_unlock(&queue->lock);
    if (left) /* stay readable for a reader that does not come back at once */
        ignored = write(queue->fd, &count, sizeof count);
    (void)ignored;
    return n;
}
