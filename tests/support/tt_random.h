/* Seeded noise for tests: the same stream on every machine.  Generator: splitmix64 (Steele, Lea, Flood 2014), normal
 * deviates by Box and Muller 1958. */
#ifndef TT_RANDOM_H
#define TT_RANDOM_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>

struct tt_random {
    uint64_t state;
    double spare;
    bool have_spare;
};

static inline uint64_t tt_random_bits(struct tt_random *r)
{
    uint64_t z = (r->state += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

/* Streams of neighbouring seeds must not be one stream shifted: the seed is scrambled first. */
static inline struct tt_random tt_random_seed(uint64_t seed)
{
    struct tt_random r = {.state = seed ^ UINT64_C(0xD1B54A32D192ED03)};
    uint64_t high = tt_random_bits(&r);
    return (struct tt_random){.state = tt_random_bits(&r) ^ (high << 17)};
}

/* in (0, 1) */
static inline double tt_random_uniform(struct tt_random *r)
{
    return ((double)(tt_random_bits(r) >> 11) + 0.5) / 9007199254740992.0;
}

static inline double tt_random_normal(struct tt_random *r)
{
    if (r->have_spare) {
        r->have_spare = false;
        return r->spare;
    }
    double radius = sqrt(-2 * log(tt_random_uniform(r))), angle = 6.283185307179586 * tt_random_uniform(r);
    r->spare = radius * sin(angle);
    r->have_spare = true;
    return radius * cos(angle);
}

/* AR(1) noise with marginal deviation sigma */
struct tt_noise {
    double phi, sigma, value;
};

static inline struct tt_noise tt_noise_start(struct tt_random *r, double phi, double sigma)
{
    return (struct tt_noise){.phi = phi, .sigma = sigma, .value = sigma * tt_random_normal(r)};
}

static inline double tt_noise_next(struct tt_noise *n, struct tt_random *r)
{
    n->value = n->phi * n->value + n->sigma * sqrt(1 - n->phi * n->phi) * tt_random_normal(r);
    return n->value;
}

#endif
