#include "analysis/worker/json_build.h"

#include <math.h>
#include <stdlib.h>

#include "tests/support/support.h"

/* Takes over the value. */
static void assert_text(json_t *value, const char *want)
{
    char *text = json_dumps(value, JSON_BUILD_FLAGS | JSON_ENCODE_ANY);
    assert_string_equal(text, want);
    free(text);
    json_decref(value);
}

static void numbers_are_written_plainly(void **state)
{
    (void)state;
    assert_text(json_build_number(20000), "20000");
    assert_text(json_build_number(-0.0), "0");
    assert_text(json_build_number(0.1), "0.1");
    assert_text(json_build_number(997.123456789), "997.123456789");
    assert_text(json_build_number(1e300), "1e300");
}

static void reals_are_finite_or_null(void **state)
{
    (void)state;
    assert_text(json_build_real(-0.0), "0.0");
    assert_text(json_build_real(-1.0 / 3), "-0.333333333333");
    assert_text(json_build_real(NAN), "null");
    assert_text(json_build_real(INFINITY), "null");
    assert_text(json_build_real(-INFINITY), "null");
}

static void order_is_that_of_adding(void **state)
{
    (void)state;
    json_t *array = json_build_appended(json_array(), json_integer(2));
    array = json_build_appended(array, json_integer(1));
    json_t *object = json_build_with(json_object(), "z", array);
    assert_text(json_build_with(object, "a", json_null()), "{\"z\":[2,1],\"a\":null}");
}

/* The sanitizer's leak check watches what is freed. */
static void null_anywhere_makes_the_whole_null(void **state)
{
    (void)state;
    assert_null(json_build_with(json_object(), "a", NULL));
    assert_null(json_build_with(NULL, "a", json_integer(1)));
    assert_null(json_build_with(NULL, "a", NULL));
    assert_null(json_build_appended(json_array(), NULL));
    assert_null(json_build_appended(NULL, json_integer(1)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_are_written_plainly),
        cmocka_unit_test(reals_are_finite_or_null),
        cmocka_unit_test(order_is_that_of_adding),
        cmocka_unit_test(null_anywhere_makes_the_whole_null),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
