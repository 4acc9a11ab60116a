/* Expected: RFC 9110, section 14.1.2 (byte ranges, satisfiable or not) and 14.2 (a server
 * may ignore a Range that is malformed). */
#include "tests/support/support.h"

#include "server/http/ranges.h"

enum { WHOLE = RANGES_WHOLE, PART = RANGES_PART, UNSATISFIABLE = RANGES_UNSATISFIABLE };

static const struct {
    const char *header;
    uint64_t size;
    int want;
    uint64_t first, count;
} cases[] = {
    {NULL, 1000, WHOLE, 0, 0},
    {"bytes=0-499", 1000, PART, 0, 500},
    {"bytes=500-999", 1000, PART, 500, 500},
    {"bytes=0-0", 1000, PART, 0, 1},
    {"bytes=500-", 1000, PART, 500, 500},
    {"bytes=999-", 1000, PART, 999, 1},
    {"bytes=-500", 1000, PART, 500, 500},
    {"bytes=-1", 1000, PART, 999, 1},
    /* beyond the end: cut, or the whole of it */
    {"bytes=900-2000", 1000, PART, 900, 100},
    {"bytes=0-999999999999999999999999", 1000, PART, 0, 1000},
    {"bytes=-2000", 1000, PART, 0, 1000},
    {"bytes=-18446744073709551616", 1000, PART, 0, 1000},
    {"bytes=1000-", 1000, UNSATISFIABLE, 0, 0},
    {"bytes=1000-1001", 1000, UNSATISFIABLE, 0, 0},
    {"bytes=18446744073709551616-", 1000, UNSATISFIABLE, 0, 0},
    {"bytes=-0", 1000, UNSATISFIABLE, 0, 0},
    {"bytes=18446744073709551613-", UINT64_MAX, PART, UINT64_MAX - 2, 2},
    /* the unit is case-insensitive; a list may hold blanks and empty members */
    {"BYTES=1-2", 1000, PART, 1, 2},
    {"bytes= 1-2 , ", 1000, PART, 1, 2},
    {"bytes=,1-2", 1000, PART, 1, 2},
    /* ignored: several, of another unit, malformed */
    {"bytes=0-1,3-4", 1000, WHOLE, 0, 0},
    {"bytes=0-1, -1", 1000, WHOLE, 0, 0},
    {"seconds=0-1", 1000, WHOLE, 0, 0},
    {"bytes=5-4", 1000, WHOLE, 0, 0},
    {"bytes=", 1000, WHOLE, 0, 0},
    {"bytes=-", 1000, WHOLE, 0, 0},
    {"bytes=1", 1000, WHOLE, 0, 0},
    {"bytes=1-2x", 1000, WHOLE, 0, 0},
    {"bytes=1 -2", 1000, WHOLE, 0, 0},
    {"bytes=1-2-3", 1000, WHOLE, 0, 0},
    {"bytes=+1-2", 1000, WHOLE, 0, 0},
    {"bytes=0x1-2", 1000, WHOLE, 0, 0},
    {"bytes=--1", 1000, WHOLE, 0, 0},
    {"bytes", 1000, WHOLE, 0, 0},
    {"", 1000, WHOLE, 0, 0},
};

static void ranges_are_read_as_the_standard_says(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct range range = {0, 0};
        enum ranges_kind kind = ranges_read(cases[i].header, cases[i].size, &range);
        if ((int)kind != cases[i].want || range.first != cases[i].first ||
            range.count != cases[i].count)
            fail_msg("\"%s\" of %llu: kind %d, %llu + %llu", cases[i].header,
                     (unsigned long long)cases[i].size, kind,
                     (unsigned long long)range.first, (unsigned long long)range.count);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ranges_are_read_as_the_standard_says),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
