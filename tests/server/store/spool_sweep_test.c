/* The sweep at start-up, after every kind of broken-off work. */
#include "server/store/spool.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/server/store/rows.h"
#include "tests/support/support.h"

struct fixture {
    char folder[PATH_MAX];
    struct spool *spool;
    struct store *store;
};

static struct fixture fixture;

static int start(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    support_temporary_folder(fixture.folder);
    return spool_open(fixture.folder, &fixture.spool, &problem) &&
                   store_open(fixture.folder, &fixture.store, &problem)
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

static void put(const char *name, const char *text)
{
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/%s", fixture.folder, name);
    int file = open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_true(file >= 0);
    assert_int_equal(write(file, text, strlen(text)), strlen(text));
    close(file);
}

static bool exists(const char *name)
{
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/%s", fixture.folder, name);
    return access(path, F_OK) == 0;
}

/* Capture n with a content of its own in objects/ and in a row; fills the content's name.
 */
static struct store_capture kept(int n, const char *text, char name[128])
{
    struct server_problem problem = {0};
    struct spool_upload *upload = NULL;
    assert_true(spool_upload_begin(fixture.spool, -1, 1000, &upload, &problem));
    spool_upload_write(upload, text, strlen(text));
    assert_true(spool_upload_finish(upload, NULL, &problem));
    assert_true(spool_upload_keep(upload, &problem));
    struct store_capture capture = rows_capture(n);
    capture.bytes = strlen(text);
    strcpy(capture.sha256, spool_upload_sha256(upload));
    snprintf(name, 128, "objects/%.2s/%s", capture.sha256, capture.sha256);
    assert_true(store_capture_add(fixture.store,
                                  &(struct store_upload){.capture = &capture}, &problem));
    spool_upload_free(upload);
    assert_true(exists(name));
    return capture;
}

static void sweep(void)
{
    struct server_problem problem = {0};
    if (!spool_sweep(fixture.spool, fixture.store, &problem))
        fail_msg("%s", problem.detail);
}

static enum store_audio audio(const struct store_capture *capture)
{
    struct store_capture got;
    assert_true(store_capture_get(fixture.store, capture->id, &got, NULL));
    enum store_audio audio = got.audio;
    store_capture_free(&got);
    return audio;
}

#define RENDERED_KEY "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"

static void sweep_removes_partial_files(void **state)
{
    (void)state;
    put("incoming/up_abcdefghijklmnopqrst.part", "half an upload");
    put("results/ana_abcdefghijklmnopqrst.1.part", "half a result");
    put("rendered/tmp_abcdefghijklmnopqrst", "half a tone");
    put("rendered/" RENDERED_KEY ".12", "half a tone");
    put("rendered/" RENDERED_KEY ".11", "whole tones");
    sweep();
    assert_false(exists("incoming/up_abcdefghijklmnopqrst.part"));
    assert_false(exists("results/ana_abcdefghijklmnopqrst.1.part"));
    assert_false(exists("rendered/tmp_abcdefghijklmnopqrst"));
    assert_false(exists("rendered/" RENDERED_KEY ".12"));
    assert_true(exists("rendered/" RENDERED_KEY ".11"));
}

static void sweep_moves_contents_without_a_row_aside(void **state)
{
    (void)state;
    char name[128];
    struct store_capture capture = kept(1, "a recording", name);
    static const char orphan[] =
        "objects/ba/ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    put(orphan, "abc");
    sweep();
    assert_false(exists(orphan));
    assert_true(exists(
        "orphans/ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"));
    assert_true(exists(name));
    assert_int_equal(audio(&capture), STORE_AUDIO_PRESENT);
}

static void sweep_moves_results_without_a_row_aside(void **state)
{
    (void)state;
    char name[128];
    struct server_problem problem = {0};
    kept(1, "a recording", name);
    const struct store_analysis analysis = rows_analysis(2, 1);
    assert_true(store_analysis_add(fixture.store, &analysis, &problem));
    snprintf(name, sizeof name, "results/%s", analysis.id);
    put(name, "a result");
    put("results/ana_abcdefghijklmnopqrst", "another");
    put("results/notes.txt", "");
    sweep();
    assert_true(exists(name));
    assert_false(exists("results/ana_abcdefghijklmnopqrst"));
    assert_true(exists("orphans/ana_abcdefghijklmnopqrst"));
    assert_true(exists("results/notes.txt"));
}

static void sweep_leaves_alone_what_is_not_ours(void **state)
{
    (void)state;
    put("objects/ba/notes.txt", "");
    put("objects/notes.txt", "");
    put("notes.txt", "");
    sweep();
    assert_true(exists("objects/ba/notes.txt"));
    assert_true(exists("objects/notes.txt"));
    assert_true(exists("notes.txt"));
}

static void sweep_marks_captures_without_their_content(void **state)
{
    (void)state;
    char missing[128], short_one[128], whole[128];
    struct store_capture captures[] = {
        kept(1, "first", missing), kept(2, "second", short_one), kept(3, "third", whole)};
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/%s", fixture.folder, missing);
    assert_int_equal(unlink(path), 0);
    snprintf(path, sizeof path, "%s/%s", fixture.folder, short_one);
    assert_int_equal(truncate(path, 3), 0);
    sweep();
    assert_int_equal(audio(&captures[0]), STORE_AUDIO_MISSING);
    assert_int_equal(audio(&captures[1]), STORE_AUDIO_CHANGED);
    assert_int_equal(audio(&captures[2]), STORE_AUDIO_PRESENT);
    assert_true(exists(short_one)); /* what is left of it stays for a rescue */

    put(missing, "first"); /* restored from a backup */
    sweep();
    assert_int_equal(audio(&captures[0]), STORE_AUDIO_MISSING); /* until it is hashed */
    assert_int_equal(audio(&captures[1]), STORE_AUDIO_CHANGED);
}

/* One with a row that is done, one with a row that waits (it was killed before its end
 * was recorded), one without a row. */
static void sweep_keeps_results_that_have_a_row(void **state)
{
    (void)state;
    char content[128];
    struct server_problem problem = {0};
    kept(1, "a recording", content);
    for (int n = 1; n <= 2; n++) {
        struct store_analysis analysis = rows_analysis(n, 1);
        char name[128];
        assert_true(store_analysis_add(fixture.store, &analysis, &problem));
        if (n == 1) {
            analysis.state = STORE_DONE;
            assert_true(store_analysis_finish(fixture.store, &analysis, &problem));
        }
        snprintf(name, sizeof name, "results/%s", analysis.id);
        put(name, "a result");
    }
    put("results/ana_abcdefghijklmnopqrst", "nobody's");
    put("results/notes.txt", "");
    sweep();
    char name[128];
    for (int n = 1; n <= 2; n++) {
        snprintf(name, sizeof name, "results/%s", rows_analysis(n, 1).id);
        assert_true(exists(name));
    }
    assert_false(exists("results/ana_abcdefghijklmnopqrst"));
    assert_true(exists("orphans/ana_abcdefghijklmnopqrst"));
    assert_true(exists("results/notes.txt"));
}

static void sweep_of_an_unreadable_folder_is_a_problem(void **state)
{
    (void)state;
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/incoming/folder", fixture.folder);
    assert_int_equal(mkdir(path, 0700), 0); /* cannot be removed as a file */
    struct server_problem problem = {0};
    assert_false(spool_sweep(fixture.spool, fixture.store, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(problem.detail, strerror(EISDIR)));
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(sweep_removes_partial_files),
        TEST(sweep_moves_contents_without_a_row_aside),
        TEST(sweep_moves_results_without_a_row_aside),
        TEST(sweep_leaves_alone_what_is_not_ours),
        TEST(sweep_keeps_results_that_have_a_row),
        TEST(sweep_marks_captures_without_their_content),
        TEST(sweep_of_an_unreadable_folder_is_a_problem),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
