/* Damaged configurations: bytes changed, cut, doubled, joined from two files. Whatever comes in, the parser ends, gives
 * either a configuration or findings that can be printed, and leaks nothing (run it in the asan preset). Seeded: the
 * number of a failing round is printed. TAUT_FUZZ_ROUNDS sets how many; the default keeps within a few seconds. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <dirent.h>
#include <limits.h>

#include "support.h"

enum { CORPUS_MAX = 256, TEXT_MAX = 65536 };

static struct {
    char *text;
    size_t size;
} corpus[CORPUS_MAX];
static int corpus_count, good_count; /* the first good_count are without mistakes */

static void load_folder(const char *name)
{
    char folder[PATH_MAX], path[2 * PATH_MAX];
    snprintf(folder, sizeof folder, "%s/%s", TAUT_SOURCE, name);
    DIR *dir = opendir(folder);
    assert_non_null(dir);
    for (struct dirent *entry; (entry = readdir(dir)) && corpus_count < CORPUS_MAX;) {
        size_t n = strlen(entry->d_name);
        if (n < 6 || strcmp(entry->d_name + n - 5, ".yaml") != 0)
            continue;
        snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
        corpus[corpus_count].text = read_file(path, &corpus[corpus_count].size);
        corpus_count++;
    }
    closedir(dir);
}

static int load_corpus(void **state)
{
    (void)state;
    load_folder("config");
    load_folder("config/examples");
    load_folder("tests/config/warned");
    good_count = corpus_count;
    load_folder("tests/config/wrong");
    return corpus_count > 50 ? 0 : -1;
}

static int free_corpus(void **state)
{
    (void)state;
    for (int i = 0; i < corpus_count; i++)
        free(corpus[i].text);
    return 0;
}

static uint64_t next_random(uint64_t *seed)
{
    uint64_t z = (*seed += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

static size_t below(uint64_t *seed, size_t n)
{
    return n ? (size_t)(next_random(seed) % n) : 0;
}

/* Insert `n` bytes at a random place, as far as there is room. */
static size_t insert(uint64_t *seed, char *text, size_t size, const char *bytes, size_t n)
{
    size_t at = below(seed, size + 1);
    if (size + n > TEXT_MAX)
        return size;
    memmove(text + at + n, text + at, size - at);
    memcpy(text + at, bytes, n);
    return size + n;
}

/* What a hand, or malice, puts into such a file. "" stands for a NUL byte. */
/* clang-format off */
static const char *const words[] = {
    ":", ": ", "- ", "\n", "\n  ", "\t", "{", "}", "[", "]", "&a ", "*a", "!t ", "\"", "'", "|\n", ">\n", "? ", "#", "---\n",
    "...\n", "", "\xff", "\xc3", "\xe2\x80\xa8", "\\", "%YAML 1.1\n", "<<: ", "~", "nan", "1e999", "-1", "name: A", "kind: rtu",
    "99999999999999999999",
};
/* clang-format on */

static size_t mutate(uint64_t *seed, char *text, size_t size)
{
    size_t at = below(seed, size), n = below(seed, 40);
    char chunk[64];
    switch (below(seed, 6)) {
    case 0: /* one byte */
        if (size)
            text[at] = (char)next_random(seed);
        return size;
    case 1: /* one bit */
        if (size)
            text[at] = (char)(text[at] ^ (1 << below(seed, 8)));
        return size;
    case 2: /* a piece gone */
        n = n < size - at ? n : size - at;
        memmove(text + at, text + at + n, size - at - n);
        return size - n;
    case 3: /* a piece twice */
        n = n < size - at ? n : size - at;
        memcpy(chunk, text + at, n);
        return insert(seed, text, size, chunk, n);
    case 4: { /* a piece of another file */
        size_t other = below(seed, (size_t)corpus_count), from = below(seed, corpus[other].size);
        n = n < corpus[other].size - from ? n : corpus[other].size - from;
        return insert(seed, text, size, corpus[other].text + from, n);
    }
    default: {
        const char *word = words[below(seed, sizeof words / sizeof words[0])];
        return insert(seed, text, size, word, word[0] ? strlen(word) : 1);
    }
    }
}

/* Findings that a person can read: a place inside the file, text on one line. */
static void check_findings(const struct tautd_findings *findings, uint64_t round)
{
    for (int i = 0; i < findings->count && i < TAUTD_FINDINGS_MAX; i++) {
        const struct taut_diag *diag = &findings->finding[i];
        if (!diag->text[0] || strchr(diag->text, '\n') || diag->line < 0 || diag->column < 0)
            fail_msg("round %llu: finding %d is not readable: %s", (unsigned long long)round, i, diag->text);
        if (i > 0 && diag->line < findings->finding[i - 1].line)
            fail_msg("round %llu: findings out of order", (unsigned long long)round);
    }
}

static void damaged_files_end_in_findings_or_a_whole_configuration(void **state)
{
    (void)state;
    static struct tautd_findings findings, again_findings;
    static char text[TEXT_MAX + 1];
    const char *wanted = getenv("TAUT_FUZZ_ROUNDS");
    uint64_t rounds = wanted ? strtoull(wanted, NULL, 10) : 4000, whole = 0;
    for (uint64_t round = 0; round < rounds; round++) {
        uint64_t seed = round;
        size_t pick = below(&seed, (size_t)(below(&seed, 2) ? good_count : corpus_count));
        size_t size = corpus[pick].size < TEXT_MAX ? corpus[pick].size : TEXT_MAX;
        memcpy(text, corpus[pick].text, size);
        for (size_t changes = 1 + below(&seed, 4); changes > 0; changes--)
            size = mutate(&seed, text, size);
        /* a block of its own size, so that the sanitizer sees one byte too far */
        char *exact = malloc(size ? size : 1);
        assert_non_null(exact);
        memcpy(exact, text, size);
        struct tautd_config *config = tautd_config_parse("fuzz.yaml", exact, size, &findings);
        free(exact);
        if ((config != NULL) != (findings.count == 0))
            fail_msg("round %llu: neither a configuration nor findings", (unsigned long long)round);
        check_findings(&findings, round);
        if (config) {
            char *out = printed(config);
            struct tautd_config *again = tautd_config_parse("fuzz.yaml", out, strlen(out), &again_findings);
            if (!again)
                fail_msg("round %llu: what was printed does not read back: %s\n%s", (unsigned long long)round,
                         again_findings.finding[0].text, out);
            assert_same_config(config, again);
            tautd_config_free(again);
            tautd_config_free(config);
            free(out);
            whole++;
        }
    }
    print_message("%llu rounds, %llu still whole\n", (unsigned long long)rounds, (unsigned long long)whole);
    assert_true(rounds < 1000 || whole > rounds / 100); /* else the damage is too coarse to reach the checks */
}

static void every_prefix_of_the_example_ends_in_findings_or_a_whole_configuration(void **state)
{
    (void)state;
    static struct tautd_findings findings;
    for (size_t size = 0; size < corpus[0].size; size += 7) {
        struct tautd_config *config = tautd_config_parse("cut.yaml", corpus[0].text, size, &findings);
        assert_true((config != NULL) == (findings.count == 0));
        tautd_config_free(config);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(damaged_files_end_in_findings_or_a_whole_configuration),
        cmocka_unit_test(every_prefix_of_the_example_ends_in_findings_or_a_whole_configuration),
    };
    return cmocka_run_group_tests_name("config fuzz", tests, load_corpus, free_corpus);
}
