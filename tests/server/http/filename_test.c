/* Expected: RFC 6266 (Content-Disposition), RFC 8187 (filename*), and the characters that
 * file systems in use reserve (common practice, no source). */
#include "tests/support/support.h"

#include <stdio.h>
#include <string.h>

#include "server/base/limits.h"
#include "server/http/filename.h"

static const struct {
    const char *name, *want; /* behind "attachment; " */
} cases[] = {
    {"take 1", "filename=\"take 1.wav\""},
    {"take 1.wav", "filename=\"take 1.wav\""},
    {"TAKE.WAV", "filename=\"TAKE.WAV\""},
    {"take.flac", "filename=\"take.flac.wav\""},
    {"", "filename=\"cap_x.wav\""},
    {" . ..", "filename=\"cap_x.wav\""},
    {"???", "filename=\"cap_x.wav\""},
    {"../../etc/passwd", "filename=\"___.._etc_passwd.wav\""},
    {".hidden", "filename=\"_hidden.wav\""},
    {"a\"b\\c/d", "filename=\"a_b_c_d.wav\""},
    {"a\r\nSet-Cookie: b", "filename=\"a__Set-Cookie_ b.wav\""},
    {"Ger\xc3\xa4t", "filename=\"Ger__t.wav\"; filename*=UTF-8''Ger%C3%A4t.wav"},
};

static void names_are_safe(void **state)
{
    (void)state;
    char text[FILENAME_DISPOSITION_BYTES];
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        filename_disposition(cases[i].name, "cap_x", ".wav", text);
        assert_memory_equal(text, "attachment; ", 12);
        assert_string_equal(text + 12, cases[i].want);
    }
}

static void longest_name_fits(void **state)
{
    (void)state;
    char name[LIMIT_NAME_BYTES + 1] = "", text[FILENAME_DISPOSITION_BYTES];
    while (strlen(name) < LIMIT_NAME_BYTES)
        strcat(name, "\xc3\xa4");
    filename_disposition(name, "cap_x", ".flac", text);
    assert_string_equal(text + strlen(text) - 11, "%C3%A4.flac");
}

static void kinds_follow_the_container(void **state)
{
    (void)state;
    assert_string_equal(filename_kind("bw64").type, "audio/wav");
    assert_string_equal(filename_kind("flac").extension, ".flac");
    assert_string_equal(filename_kind("aiff").type, "audio/aiff");
    assert_string_equal(filename_kind("caf").type, "application/octet-stream");
    assert_string_equal(filename_kind("caf").extension, ".caf");
    assert_string_equal(filename_kind(NULL).type, "application/octet-stream");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(names_are_safe),
        cmocka_unit_test(longest_name_fits),
        cmocka_unit_test(kinds_follow_the_container),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
