#include "server/base/clock.h"

#include <time.h>

#include "tests/support/support.h"

static void clock_text_spells_known_instants(void **state)
{
    (void)state;
    char text[CLOCK_TEXT_BYTES];
    clock_text(0, text);
    assert_string_equal(text, "1970-01-01T00:00:00.000Z");
    /* 10^9 s: date -u -d @1000000000 (GNU coreutils). */
    clock_text(1000000000007, text);
    assert_string_equal(text, "2001-09-09T01:46:40.007Z");
    /* A leap day: date -u -d '2024-02-29 23:59:59' +%s gives 1709251199. */
    clock_text(1709251199999, text);
    assert_string_equal(text, "2024-02-29T23:59:59.999Z");
    clock_text(-1, text); /* closed form: 1 ms before 1970 */
    assert_string_equal(text, "1969-12-31T23:59:59.999Z");
}

static void clock_wall_agrees_with_time(void **state)
{
    (void)state;
    int64_t before_ms = (int64_t)time(NULL) * 1000;
    int64_t now_ms = clock_wall_ms();
    int64_t after_ms = ((int64_t)time(NULL) + 1) * 1000;
    /* time() may lag by a tick of the kernel's clock (10 ms at most). */
    assert_true(now_ms >= before_ms && now_ms <= after_ms + 10);
}

static void clock_monotonic_counts_milliseconds(void **state)
{
    (void)state;
    int64_t before_ms = clock_monotonic_ms();
    nanosleep(&(struct timespec){0, 30 * 1000 * 1000}, NULL);
    int64_t passed_ms = clock_monotonic_ms() - before_ms;
    assert_between((double)passed_ms, 29, 5000); /* slept 30 ms; a busy machine adds */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clock_text_spells_known_instants),
        cmocka_unit_test(clock_wall_agrees_with_time),
        cmocka_unit_test(clock_monotonic_counts_milliseconds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
