/** What every test uses: closeness checks that fail on NaN, seeded random numbers, files.
 */
#ifndef TESTS_SUPPORT_SUPPORT_H
#define TESTS_SUPPORT_SUPPORT_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

/** Fails unless |got − want| ≤ tolerance; a NaN on either side fails. Prints both. */
#define assert_close(got, want, tolerance)                                               \
    support_assert_close((got), (want), (tolerance), #got, __FILE__, __LINE__)
/** Fails unless low ≤ got ≤ high; a NaN fails. */
#define assert_between(got, low, high)                                                   \
    support_assert_between((got), (low), (high), #got, __FILE__, __LINE__)

void support_assert_close(double got, double want, double tolerance, const char *what,
                          const char *file, int line);
void support_assert_between(double got, double low, double high, const char *what,
                            const char *file, int line);

/** A small reproducible generator (xorshift64*), so that a printed seed repeats a test.
 */
struct support_random {
    uint64_t state;
};
struct support_random support_random_seed(uint64_t seed);
/** Uniform in [0, 1). */
double support_uniform(struct support_random *random);
/** Gaussian, mean 0, standard deviation 1. */
double support_gaussian(struct support_random *random);

/** Fills path (PATH_MAX bytes) with a fresh folder below TMPDIR; removed at exit. */
void support_temporary_folder(char *path);

#endif
