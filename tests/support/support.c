#include "tests/support/support.h"

#include <ftw.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void support_assert_close(double got, double want, double tolerance, const char *what,
                          const char *file, int line)
{
    if (!(fabs(got - want) <= tolerance)) {
        print_error("%s: got %.12g, want %.12g within %.3g (off by %.3g)\n", what, got,
                    want, tolerance, got - want);
        _fail(file, line);
    }
}

void support_assert_between(double got, double low, double high, const char *what,
                            const char *file, int line)
{
    if (!(got >= low && got <= high)) {
        print_error("%s: got %.12g, want %.12g to %.12g\n", what, got, low, high);
        _fail(file, line);
    }
}

struct support_random support_random_seed(uint64_t seed)
{
    return (struct support_random){seed * 0x9E3779B97F4A7C15u + 0x1234567u};
}

double support_uniform(struct support_random *random)
{
    random->state ^= random->state >> 12;
    random->state ^= random->state << 25;
    random->state ^= random->state >> 27;
    return (double)((random->state * 0x2545F4914F6CDD1Du) >> 11) * 0x1p-53;
}

double support_gaussian(struct support_random *random)
{
    double u = support_uniform(random) + 0x1p-54;
    return sqrt(-2 * log(u)) * cos(2 * M_PI * support_uniform(random));
}

static char folders[64][PATH_MAX];
static int folder_count;

static int remove_one(const char *path, const struct stat *info, int type,
                      struct FTW *ftw)
{
    (void)info;
    (void)type;
    (void)ftw;
    return remove(path);
}

static void remove_folders(void)
{
    for (int i = 0; i < folder_count; i++)
        nftw(folders[i], remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

void support_temporary_folder(char *path)
{
    const char *base = getenv("TMPDIR");
    assert_true(folder_count < 64);
    snprintf(path, PATH_MAX, "%s/residuum-test-XXXXXX", base ? base : "/tmp");
    assert_non_null(mkdtemp(path));
    if (folder_count == 0)
        atexit(remove_folders);
    memcpy(folders[folder_count++], path, PATH_MAX);
}
