#include "server/base/ids.h"

#include <string.h>

#include "tests/support/support.h"

static void id_new_has_the_shape(void **state)
{
    (void)state;
    char id[ID_BYTES];
    id_new("cap", id);
    assert_int_equal(strlen(id), 3 + 1 + 20);
    assert_int_equal(strncmp(id, "cap_", 4), 0);
    assert_int_equal(strspn(id + 4, "abcdefghijklmnopqrstuvwxyz234567"), 20);
    assert_true(id_valid("cap", id));
    assert_false(id_valid("ana", id));
}

/* 2000 ids of 20 characters: each of the 32 is expected 1250 times, standard deviation 35
 * (binomial); 8 of them off has a chance below 1e-13. */
static void id_new_uses_all_characters_evenly(void **state)
{
    (void)state;
    int counts[128] = {0};
    for (int i = 0; i < 2000; i++) {
        char id[ID_BYTES];
        id_new("ana", id);
        for (const char *at = id + 4; *at != '\0'; at++)
            counts[(int)*at]++;
    }
    for (const char *at = "abcdefghijklmnopqrstuvwxyz234567"; *at != '\0'; at++)
        assert_in_range(counts[(int)*at], 1250 - 280, 1250 + 280);
}

static void id_valid_refuses_other_shapes(void **state)
{
    (void)state;
    static const char *const wrong[] = {
        "",
        "cap",
        "cap_",
        "cap_aaaaaaaaaaaaaaaaaaa",    /* 19 */
        "cap_aaaaaaaaaaaaaaaaaaaaa",  /* 21 */
        "cap_aaaaaaaaaaaaaaaaaaa1",   /* 1 is no base32 character */
        "cap_aaaaaaaaaaaaaaaaaaaA",   /* capital */
        "cap_../../../../etc/pass",   /* a path */
        "cap-aaaaaaaaaaaaaaaaaaaa",   /* another separator */
        "xcap_aaaaaaaaaaaaaaaaaaaa",  /* another prefix */
        "cap_aaaaaaaaaaaaaaaaaaaa\n", /* one character too many */
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        assert_false(id_valid("cap", wrong[i]));
    assert_true(id_valid("cap", "cap_aaaaaaaaaaaaaaaaaa27"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(id_new_has_the_shape),
        cmocka_unit_test(id_new_uses_all_characters_evenly),
        cmocka_unit_test(id_valid_refuses_other_shapes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
