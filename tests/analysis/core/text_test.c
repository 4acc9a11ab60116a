#include "analysis/core/text.h"

#include <string.h>

#include "tests/support/support.h"

static void format(char *text, size_t size, const char *form, ...)
    __attribute__((format(printf, 3, 4)));

static void format(char *text, size_t size, const char *form, ...)
{
    va_list arguments;
    va_start(arguments, form);
    text_format(text, size, form, arguments);
    va_end(arguments);
}

static void whole_text_is_kept(void **state)
{
    (void)state;
    char text[8];
    format(text, sizeof text, "%d Hz", 997);
    assert_string_equal(text, "997 Hz");
    format(text, sizeof text, "%s", "1234567");
    assert_string_equal(text, "1234567");
}

static void long_text_is_cut(void **state)
{
    (void)state;
    char text[8];
    format(text, sizeof text, "%s", "12345678");
    assert_string_equal(text, "1234567");
}

/* UTF-8 (RFC 3629): µ has 2 bytes, − (minus) 3, 𝄞 4. A cut at any place must leave whole
 * characters only. */
static void cut_falls_between_characters(void **state)
{
    (void)state;
    static const char *const characters[] = {"µ", "−", "𝄞"};
    for (size_t c = 0; c < 3; c++) {
        size_t bytes = strlen(characters[c]);
        for (size_t room = 0; room <= bytes; room++) {
            char text[16];
            format(text, 3 + room + 1, "abc%sd", characters[c]);
            assert_int_equal(strlen(text), room < bytes ? 3 : 3 + bytes);
            assert_memory_equal(text, "abc", 3);
            if (room == bytes)
                assert_string_equal(text + 3, characters[c]);
        }
    }
}

static void one_byte_is_only_the_end(void **state)
{
    (void)state;
    char text[1] = {'x'};
    format(text, sizeof text, "%s", "µ");
    assert_int_equal(text[0], 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whole_text_is_kept),
        cmocka_unit_test(long_text_is_cut),
        cmocka_unit_test(cut_falls_between_characters),
        cmocka_unit_test(one_byte_is_only_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
