#include "analysis/measurements/registry.h"

#include "analysis/signals/signal.h"
#include "tests/support/support.h"

static void list_finds_every_measurement_by_name(void **state)
{
    (void)state;
    assert_non_null(registry_find("distortion"));
    assert_null(registry_find("Distortion"));
    assert_null(registry_find(""));
    for (int i = 0; i < registry_count(); i++)
        assert_ptr_equal(registry_find(registry_get(i)->description.name),
                         registry_get(i));
}

static void signals_are_made_for_measurements_that_are_there(void **state)
{
    (void)state;
    for (int i = 0; i < signal_count(); i++) {
        const char *name = signal_get(i)->measured_by;
        if (name && !registry_find(name))
            fail_msg("%s: there is no %s", signal_get(i)->description.name, name);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(list_finds_every_measurement_by_name),
        cmocka_unit_test(signals_are_made_for_measurements_that_are_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
