/* What the files of the drop test share. */
#ifndef TAUT_JUDGE_DROPTEST_CORE_H
#define TAUT_JUDGE_DROPTEST_CORE_H

#include "judge/rise_core.h"
#include "taut/droptest.h"

/* droptest_blocks.c: readings into blocks of fixed number */
void droptest_heap_add(struct taut_droptest_heap *heap, double t_s, double p_pa, double manifold_pa);
struct taut_droptest_block droptest_heap_mean(const struct taut_droptest_heap *heap);
void droptest_block_add(struct taut_droptest *test, double t_s, double p_pa, double manifold_pa);
void droptest_before_add(struct taut_droptest *test, double t_s, double p_pa, double manifold_pa);
void droptest_blocks_drop(struct taut_droptest *test, uint32_t count);

/* Straight line over blocks with t in [from_s, to_s). */
struct droptest_line {
    double n, span_s, mean_t_s, mean_pa, slope_pa_per_s;
};
struct droptest_line droptest_line_of(const struct taut_droptest_block *block, uint32_t n, double from_s, double to_s);

/* droptest_fit.c: numbers for a decision, from the first n blocks */
struct droptest_bounds {
    double value, u;
    double low, high;           /* everything in: noise, colour, transient, quantisation, drift */
    double high_line, low_line; /* if the rise were a straight line */
    double low_95, high_95;     /* two-sided, in the favoured model */
};
struct droptest_fit {
    struct droptest_bounds rate, rise; /* rise: NaN without that limit */
    enum taut_rise_model model;
    double amplitude_pa, tau_s, p0_pa;
    double long_run_pa2_s; /* noise: variance of a mean times its duration */
    double runs_z;
    double span_s;
    bool transient;                       /* favoured by the evidence */
    bool unresolved;                      /* tau at the end of its range, or flat */
    bool bends_upward;                    /* a transient of the wrong sign: gas taken up, or a growing leak */
    bool incomplete;                      /* not to decide on: scan and fit again */
    bool stepped;                         /* the converter's steps outweigh the noise: residuals are stairs */
    double line_rise_pa, certain_rise_pa; /* rise of the straight line over the span; from where on it is beyond doubt */
    double sure_multiple;                 /* standard errors for evidence about the valve */
};
void droptest_noise(struct taut_droptest *test, uint32_t n, int from_colour, int to_colour);
void droptest_mix(struct taut_droptest *test, uint32_t n); /* after all colours */
void droptest_scan(struct taut_droptest *test, uint32_t n);
void droptest_fit(struct taut_droptest *test, uint32_t n, struct droptest_fit *out);
/* Cheap look at the straight line alone: by what factor its span must grow before it could pass (error falls as
 * span^-1.5); 1 or less: a whole fit might pass now. Without the bound on what the converter's step hides. */
double droptest_line_growth(const struct taut_droptest *test, uint32_t n);

/* for a plan */
double droptest_long_run_pa2_s(const struct taut_droptest_block *block, uint32_t n, uint32_t per_block);
double droptest_phi(double long_run_pa2_s, double difference, double interval_s);
double droptest_score(const struct taut_droptest_rule *rule, double variance, double scale);
double droptest_hidden_pa(double step_pa, double noise_pa, bool lively);

/* droptest_decide.c */
void droptest_decide(struct taut_droptest *test, const struct droptest_fit *fit);
void droptest_end(struct taut_droptest *test, enum taut_verdict verdict, enum taut_droptest_why why);

#endif
