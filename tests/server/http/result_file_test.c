/* The layout is that of analysis/worker/wire.h, whose structure writes the files here. */
#include "tests/support/support.h"

#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "analysis/worker/wire.h"
#include "server/http/result_file.h"

struct parts {
    struct wire_result_header header;
    const char *rest;
};

static struct parts good_parts(void)
{
    /* body, index, series */
    static const char rest[] = "{\"a\":1}[]12345678";
    struct parts parts = {
        .header = {.body_bytes = 7, .index_bytes = 2, .series_bytes = 8}, .rest = rest};
    memcpy(parts.header.magic, WIRE_RESULT_MAGIC, sizeof parts.header.magic);
    return parts;
}

static int write_parts(const struct parts *parts, size_t header_bytes)
{
    int file = memfd_create("result", MFD_CLOEXEC);
    assert_true(file >= 0);
    assert_int_equal(write(file, &parts->header, header_bytes), (ssize_t)header_bytes);
    assert_int_equal(write(file, parts->rest, strlen(parts->rest)),
                     (ssize_t)strlen(parts->rest));
    return file;
}

static void parts_are_where_the_worker_put_them(void **state)
{
    (void)state;
    struct parts parts = good_parts();
    struct server_problem problem = {0};
    struct result_file result;
    char bytes[8];
    json_t *index;
    assert_int_equal(sizeof parts.header, 32);
    assert_true(result_file_open(write_parts(&parts, 32), &result, &problem));
    assert_true(result.body_bytes == 7 && result.series_bytes == 8);
    assert_true(result_file_read(&result, result.body_offset, bytes, 7));
    assert_memory_equal(bytes, "{\"a\":1}", 7);
    assert_true(result_file_read(&result, result.series_offset, bytes, 8));
    assert_memory_equal(bytes, "12345678", 8);
    assert_false(result_file_read(&result, result.series_offset + 1, bytes, 8));
    assert_true(result_file_index(&result, &index, &problem));
    assert_int_equal(json_array_size(index), 0);
    json_decref(index);
    result_file_close(&result);
}

static void expect_damaged(struct parts parts, size_t header_bytes, const char *what)
{
    struct server_problem problem = {0};
    struct result_file result;
    if (result_file_open(write_parts(&parts, header_bytes), &result, &problem))
        fail_msg("%s was taken", what);
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
}

static void what_does_not_add_up_is_damaged(void **state)
{
    (void)state;
    struct parts parts = good_parts();
    parts.header.magic[7] = '2';
    expect_damaged(parts, 32, "another version");
    parts = good_parts();
    parts.header.series_bytes = 9;
    expect_damaged(parts, 32, "series beyond the file");
    parts = good_parts();
    parts.header.series_bytes = 7;
    expect_damaged(parts, 32, "a byte too many");
    parts = good_parts();
    parts.header.series_bytes = UINT64_MAX;
    expect_damaged(parts, 32, "endless series");
    parts = good_parts();
    parts.header.body_bytes = UINT32_MAX;
    expect_damaged(parts, 32, "endless body");
    parts = good_parts();
    parts.header.index_bytes = WIRE_RESULT_INDEX_MAX_BYTES + 1;
    expect_damaged(parts, 32, "index over its limit");
    parts = good_parts();
    parts.header.body_bytes = 0;
    parts.header.series_bytes = 15;
    expect_damaged(parts, 32, "no body");
    parts = good_parts();
    parts.rest = "[\"a\",1][]12345678";
    expect_damaged(parts, 32, "a body that is no object");
    expect_damaged(good_parts(), 20, "a short header");
}

static void index_that_is_no_array_is_damaged(void **state)
{
    (void)state;
    struct parts parts = good_parts();
    struct server_problem problem = {0};
    struct result_file result;
    json_t *index;
    parts.rest = "{\"a\":1}{}12345678";
    assert_true(result_file_open(write_parts(&parts, 32), &result, &problem));
    assert_false(result_file_index(&result, &index, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    result_file_close(&result);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(parts_are_where_the_worker_put_them),
        cmocka_unit_test(what_does_not_add_up_is_damaged),
        cmocka_unit_test(index_that_is_no_array_is_damaged),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
