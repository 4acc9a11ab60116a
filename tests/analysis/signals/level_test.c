#include "analysis/signals/level.h"

#include <math.h>

#include "tests/support/support.h"

/* Against the C library's long double. */
static void peaks_are_powers_of_ten(void **state)
{
    (void)state;
    for (int i = -2000; i <= 200; i++) {
        double want = (double)powl(10, (long double)(i / 10.0) / 20);
        assert_close(level_peak(i / 10.0) / want, 1, 0x1p-47);
    }
    assert_close(level_peak(0), 1, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(peaks_are_powers_of_ten),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
