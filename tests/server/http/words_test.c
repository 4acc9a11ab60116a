#include "server/http/words.h"

#include <string.h>

#include "tests/support/support.h"

static void items_are_given_one_by_one(void **state)
{
    (void)state;
    static const struct {
        const char *list;
        char separator;
        const char *want[3];
    } cases[] = {
        {"a! bc d", ' ', {"a!", "bc", "d"}},
        {"201 capture, 204 -,200 a/b", ',', {"201 capture", "204 -", "200 a/b"}},
        {"/v1/{id}", '/', {"v1", "{id}", NULL}},
        {"", ' ', {NULL}},
        {NULL, ' ', {NULL}},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char item[WORDS_BYTES];
        const char *at = cases[i].list;
        for (int k = 0; k < 3 && cases[i].want[k] != NULL; k++) {
            assert_true(words_next(&at, cases[i].separator, item));
            assert_string_equal(item, cases[i].want[k]);
        }
        assert_false(words_next(&at, cases[i].separator, item));
    }
}

static void a_word_that_does_not_fit_is_left_out(void **state)
{
    (void)state;
    char list[8] = "";
    words_append("abc", list, sizeof list);
    words_append("defg", list, sizeof list);
    assert_string_equal(list, "abc");
    words_append("de", list, sizeof list);
    assert_string_equal(list, "abc de");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(items_are_given_one_by_one),
        cmocka_unit_test(a_word_that_does_not_fit_is_left_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
