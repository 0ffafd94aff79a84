#include "judge/droptest_core.h"

#include <math.h>
#include <string.h>

static const double before_kept_s = 60;

void droptest_heap_add(struct taut_droptest_heap *heap, double t_s, double p_pa, double manifold_pa)
{
    heap->t_s += t_s;
    heap->p_pa += p_pa;
    heap->n++;
    if (isfinite(manifold_pa)) {
        heap->manifold_pa += manifold_pa;
        heap->n_manifold++;
    }
}

struct taut_droptest_block droptest_heap_mean(const struct taut_droptest_heap *heap)
{
    double n = (double)heap->n;
    return (struct taut_droptest_block){
        .t_s = heap->t_s / n,
        .p_pa = heap->p_pa / n,
        .manifold_pa = heap->n_manifold ? (float)(heap->manifold_pa / (double)heap->n_manifold) : NAN,
    };
}

/* Two by two; an even number of blocks of equal weight. */
static uint32_t merge(struct taut_droptest_block *block, uint32_t n)
{
    for (uint32_t i = 0; i < n / 2; i++) {
        const struct taut_droptest_block a = block[2 * i], b = block[2 * i + 1];
        block[i].t_s = 0.5 * (a.t_s + b.t_s);
        block[i].p_pa = 0.5 * (a.p_pa + b.p_pa);
        block[i].manifold_pa = isnan(a.manifold_pa)   ? b.manifold_pa
                               : isnan(b.manifold_pa) ? a.manifold_pa
                                                      : 0.5F * (a.manifold_pa + b.manifold_pa);
    }
    return n / 2;
}

void droptest_block_add(struct taut_droptest *test, double t_s, double p_pa, double manifold_pa)
{
    droptest_heap_add(&test->heap, t_s, p_pa, manifold_pa);
    if (test->heap.n < test->per_block)
        return;
    if (test->n_block == TAUT_DROPTEST_BLOCKS) {
        test->n_block = merge(test->block, test->n_block);
        test->per_block *= 2;
        test->job = 0; /* begins anew on the merged blocks */
        test->fresh_n /= 2;
        test->scan_n = 0;
        /* Correlation times are in blocks, each colour about twice the one before: until the noise is looked at again
         * the likeliest is one down. */
        if (test->colour > 1)
            test->colour--;
        test->noise_span_s *= 0.8;
        return; /* the heap now grows to the new size */
    }
    test->block[test->n_block++] = droptest_heap_mean(&test->heap);
    memset(&test->heap, 0, sizeof test->heap);
}

void droptest_before_add(struct taut_droptest *test, double t_s, double p_pa, double manifold_pa)
{
    droptest_heap_add(&test->before_heap, t_s, p_pa, manifold_pa);
    if (test->before_heap.n < test->per_before)
        return;
    if (test->n_before == TAUT_DROPTEST_BEFORE) {
        if (test->before[TAUT_DROPTEST_BEFORE - 1].t_s - test->before[0].t_s < before_kept_s) {
            test->n_before = merge(test->before, test->n_before);
            test->per_before *= 2;
            return;
        }
        memmove(test->before, test->before + 1, (TAUT_DROPTEST_BEFORE - 1) * sizeof test->before[0]);
        test->n_before--;
    }
    test->before[test->n_before++] = droptest_heap_mean(&test->before_heap);
    memset(&test->before_heap, 0, sizeof test->before_heap);
}

void droptest_blocks_drop(struct taut_droptest *test, uint32_t count)
{
    test->n_block -= count;
    memmove(test->block, test->block + count, test->n_block * sizeof test->block[0]);
    test->job = 0;
    test->fresh_n = test->scan_n = 0;
    test->noise_span_s = test->fit_span_s = 0;
}

struct droptest_line droptest_line_of(const struct taut_droptest_block *block, uint32_t n, double from_s, double to_s)
{
    struct droptest_line line = {0};
    double first = 0, last = 0;
    for (uint32_t i = 0; i < n; i++) {
        if (block[i].t_s < from_s || block[i].t_s >= to_s)
            continue;
        if (line.n < 1)
            first = block[i].t_s;
        last = block[i].t_s;
        line.n++;
        line.mean_t_s += (block[i].t_s - line.mean_t_s) / line.n;
        line.mean_pa += (block[i].p_pa - line.mean_pa) / line.n;
    }
    double tt = 0, tp = 0;
    for (uint32_t i = 0; i < n; i++) {
        if (block[i].t_s < from_s || block[i].t_s >= to_s)
            continue;
        double t = block[i].t_s - line.mean_t_s;
        tt += t * t;
        tp += t * (block[i].p_pa - line.mean_pa);
    }
    line.slope_pa_per_s = tt > 0 ? tp / tt : 0;
    line.span_s = line.n > 1 ? (last - first) * line.n / (line.n - 1) : 0;
    return line;
}
