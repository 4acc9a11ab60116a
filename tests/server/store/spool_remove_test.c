/* Files that no row names any more, and those that one still does. */
#include "server/store/spool.h"

#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#include "tests/server/store/rows.h"
#include "tests/support/support.h"

struct fixture {
    struct spool *spool;
    struct store *store;
};

static struct fixture fixture;

static int start(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    struct server_problem problem = {0};
    support_temporary_folder(folder);
    return spool_open(folder, &fixture.spool, &problem) &&
                   store_open(folder, &fixture.store, &problem)
               ? 0
               : -1;
}

static int stop(void **state)
{
    (void)state;
    store_close(fixture.store);
    spool_close(fixture.spool);
    return 0;
}

/* An upload that is kept, its row not yet added. */
static struct spool_upload *keep(const char *text)
{
    struct server_problem problem = {0};
    struct spool_upload *upload = NULL;
    assert_true(spool_upload_begin(fixture.spool, -1, 1000, &upload, &problem));
    spool_upload_write(upload, text, strlen(text));
    assert_true(spool_upload_finish(upload, NULL, &problem));
    assert_true(spool_upload_keep(upload, &problem));
    return upload;
}

static void add_row(const struct spool_upload *upload)
{
    struct server_problem problem = {0};
    struct store_capture capture = rows_capture(1);
    strcpy(capture.sha256, spool_upload_sha256(upload));
    assert_true(store_capture_add(fixture.store,
                                  &(struct store_upload){.capture = &capture}, &problem));
}

static bool has(const char *sha256)
{
    int file = spool_open_content(fixture.spool, sha256);
    if (file >= 0)
        close(file);
    return file >= 0;
}

/* sha256sum of these texts (GNU coreutils). */
static const char first[] = /* first */
    "a7937b64b8caa58f03721bb6bacf5c78cb235febe0e70b1b84cd99541461a08e";
static const char second[] = /* second */
    "16367aacb67a4a017c8da8ab95682ccb390863780f7114dda0a0e0c55644c7c4";

static void content_without_a_row_goes(void **state)
{
    (void)state;
    spool_upload_free(keep("first"));
    assert_true(has(first));
    spool_remove_content(fixture.spool, fixture.store, first);
    assert_false(has(first));
    spool_remove_content(fixture.spool, fixture.store, first); /* again: nothing */
}

static void content_with_a_row_stays(void **state)
{
    (void)state;
    struct spool_upload *upload = keep("first");
    add_row(upload);
    spool_upload_free(upload);
    spool_remove_content(fixture.spool, fixture.store, first);
    assert_true(has(first));
}

/* Two uploads of the same: the first's row is removed before the second's is there. */
static void content_whose_row_is_on_its_way_stays(void **state)
{
    (void)state;
    struct spool_upload *uploads[] = {keep("first"), keep("second"), keep("first")};
    spool_upload_free(uploads[0]);
    spool_remove_content(fixture.spool, fixture.store, first);
    assert_true(has(first));
    spool_upload_free(uploads[2]);
    spool_remove_content(fixture.spool, fixture.store, first);
    assert_false(has(first));
    assert_true(has(second));
    spool_upload_free(uploads[1]);
}

static void nothing_goes_while_held(void **state)
{
    (void)state;
    static const char id[] = "ana_abcdefghijklmnopqrst";
    struct server_problem problem = {0};
    close(spool_result_begin(fixture.spool, id, 1, &problem));
    assert_true(spool_result_keep(fixture.spool, id, 1, &problem));
    spool_upload_free(keep("first"));
    spool_upload_free(keep("second"));
    spool_hold(fixture.spool);
    spool_remove_content(fixture.spool, fixture.store, first);
    spool_remove_content(fixture.spool, fixture.store, second);
    spool_remove_result(fixture.spool, id);
    assert_true(has(first) && has(second));
    int result = spool_open_result(fixture.spool, id);
    assert_true(result >= 0);
    close(result);
    struct spool_upload *upload = keep("second"); /* has a row by the time of release */
    add_row(upload);
    spool_upload_free(upload);
    spool_release(fixture.spool, fixture.store);
    assert_false(has(first));
    assert_true(has(second));
    assert_int_equal(spool_open_result(fixture.spool, id), -1);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(content_without_a_row_goes),
        TEST(content_with_a_row_stays),
        TEST(content_whose_row_is_on_its_way_stays),
        TEST(nothing_goes_while_held),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
