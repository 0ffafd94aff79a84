/** @file learn.h  What a bag's own quiet hold tells of its noise: size, memory, and the slow wander of the level.
 *
 *  Model of equally spaced readings (bins):  y = level + n,  n an AR(1) with standard deviation sigma and lag-1
 *  correlation phi,  level a random walk of `wander` per root second, on any straight trend.
 *  A chart tuned on the noise alone cries wolf as soon as the level wanders, so both are learnt.
 *
 *  Method: block means over 1, 2, 4, ... bins; mean squares of their second differences (blind to a straight trend)
 *  against their expectation under the model, by a chi-square likelihood on a grid of phi and wander. */
#ifndef TAUT_LEARN_H
#define TAUT_LEARN_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

enum { TAUT_LEARN_SCALES = 10 };

/** Noise of equally spaced bins. */
struct taut_noise {
    double spacing_s;
    double sigma_pa; /* of one bin, without the wander */
    double phi;      /* from one bin to the next */
    double wander_pa_per_sqrt_s;
    double learnt_s; /* so much quiet hold lies behind it; 0 for the cautious default */
};

struct taut_learn_scale {
    double before[2]; /* the two block means before */
    double half;      /* first half of a block of the next scale */
    double sum_sq;    /* of second differences */
    uint32_t n;
    uint8_t have;
    bool have_half;
};

struct taut_learn_set {
    struct taut_learn_scale scale[TAUT_LEARN_SCALES];
    uint64_t from; /* bins pushed before this set began */
};

/** Working storage; plain, no destroy. Private inside. Two sets: the older one is dropped when the hold has become
 *  three times as long as its start, so that the relaxing first part of a hold does not pass for wander. */
struct taut_learn {
    struct taut_learn_set older, newer;
    uint64_t bins;
};

/** Start with nothing learnt.  Pure. */
void taut_learn_init(struct taut_learn *learn);

/** One bin's mean; bins follow each other at equal spacing.  O(1) amortised. */
void taut_learn_push(struct taut_learn *learn, double mean_pa);

/** Readings are missing or the bag is held otherwise from here on: nothing is compared across this point. */
void taut_learn_gap(struct taut_learn *learn);

/** Noise so far.
 *  @param spacing_s   of the bins
 *  @param floor_pa    least standard deviation of a bin to believe in (quantisation); 0 for none
 *  @param quantile    of the wander's posterior, 0.5 for the median, more to be careful
 *  @param noise       receives the result; with under 20 bins a cautious default
 *  O(scales x grid), some 10^4 operations: call it when a hold begins, not per reading. */
void taut_learn_noise(const struct taut_learn *learn, double spacing_s, double floor_pa, double quantile,
                      struct taut_noise *noise);

/** Expected mean square of second differences of means over m bins, for sigma 1: an AR(1) of phi, and (separately)
 *  a random walk with unit step variance.  Exact sums; exposed for its test. */
double taut_learn_ar1_ms(double phi, int m);
double taut_learn_walk_ms(int m);

#ifdef __cplusplus
}
#endif
#endif
