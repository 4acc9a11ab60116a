/* Files that are missing, changed, put back, or only have another time. */
#include "server/store/content.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "tests/server/store/rows.h"
#include "tests/support/support.h"

struct fixture {
    struct spool *spool;
    struct store *store;
    char path[3 * PATH_MAX]; /* of the content */
    struct store_capture capture;
    int reads; /* bytes that were hashed */
};

static struct fixture fixture;
static int read_error;

ssize_t pread(int file, void *bytes, size_t count, off_t at)
{
    if (read_error != 0) {
        errno = read_error;
        return -1;
    }
    ssize_t got = syscall(SYS_pread64, file, bytes, count, at);
    fixture.reads += got > 0 ? (int)got : 0;
    return got;
}

static const char text[] = "a recording";

/* One capture, as an upload leaves it. */
static int start(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    struct server_problem problem = {0};
    struct spool_upload *upload = NULL;
    read_error = 0;
    support_temporary_folder(folder);
    assert_true(spool_open(folder, &fixture.spool, &problem));
    assert_true(store_open(folder, &fixture.store, &problem));
    assert_true(spool_upload_begin(fixture.spool, -1, 1000, &upload, &problem));
    spool_upload_write(upload, text, strlen(text));
    assert_true(spool_upload_finish(upload, NULL, &problem));
    assert_true(spool_upload_keep(upload, &problem));
    fixture.capture = rows_capture(1);
    fixture.capture.bytes = strlen(text);
    fixture.capture.content_mtime_ns = spool_upload_mtime_ns(upload);
    strcpy(fixture.capture.sha256, spool_upload_sha256(upload));
    assert_true(store_capture_add(
        fixture.store, &(struct store_upload){.capture = &fixture.capture}, &problem));
    spool_upload_free(upload);
    snprintf(fixture.path, sizeof fixture.path, "%s/objects/%.2s/%s", folder,
             fixture.capture.sha256, fixture.capture.sha256);
    fixture.reads = 0;
    return 0;
}

static int stop(void **state)
{
    (void)state;
    store_close(fixture.store);
    spool_close(fixture.spool);
    return 0;
}

static void put(const char *bytes)
{
    int file = open(fixture.path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    assert_true(file >= 0);
    assert_int_equal(write(file, bytes, strlen(bytes)), strlen(bytes));
    close(file);
}

static void set_time(long s)
{
    struct timespec times[] = {{s, 0}, {s, 0}};
    assert_int_equal(utimensat(AT_FDCWD, fixture.path, times, 0), 0);
}

/* Opens it by its row; true when it could. */
static bool open_content(struct server_problem *problem)
{
    struct store_capture capture;
    *problem = (struct server_problem){0};
    assert_true(store_capture_get(fixture.store, fixture.capture.id, &capture, problem));
    int file = content_open(fixture.spool, fixture.store, &capture, "capture", problem);
    store_capture_free(&capture);
    if (file >= 0) {
        char bytes[sizeof text] = "";
        assert_int_equal(read(file, bytes, sizeof bytes), strlen(text));
        assert_string_equal(bytes, text);
        close(file);
    }
    return file >= 0;
}

static enum store_audio audio(void)
{
    struct store_capture got;
    assert_true(store_capture_get(fixture.store, fixture.capture.id, &got, NULL));
    enum store_audio audio = got.audio;
    store_capture_free(&got);
    return audio;
}

static void unchanged_file_is_not_read(void **state)
{
    (void)state;
    struct server_problem problem;
    assert_true(open_content(&problem));
    assert_int_equal(fixture.reads, 0);
}

static void file_of_another_time_is_hashed_once(void **state)
{
    (void)state;
    struct server_problem problem;
    set_time(1600000000);
    assert_true(open_content(&problem));
    assert_int_equal(fixture.reads, strlen(text));
    assert_true(open_content(&problem));
    assert_int_equal(fixture.reads, strlen(text));
    assert_int_equal(audio(), STORE_AUDIO_PRESENT);
}

static void file_of_other_bytes_is_refused_by_name(void **state)
{
    (void)state;
    struct server_problem problem;
    put("b recording"); /* the same length */
    set_time(1600000000);
    assert_false(open_content(&problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_AUDIO_EXPIRED);
    assert_string_equal(problem.field, "capture");
    assert_non_null(strstr(problem.detail, fixture.capture.id));
    assert_non_null(strstr(problem.detail, fixture.capture.sha256));
    assert_non_null(strstr(problem.detail, "changed"));
    assert_int_equal(audio(), STORE_AUDIO_CHANGED);
    put("a recording or more");
    assert_false(open_content(&problem));
    assert_non_null(strstr(problem.detail, "changed"));
    put(text); /* from a backup */
    assert_true(open_content(&problem));
    assert_int_equal(audio(), STORE_AUDIO_PRESENT);
}

/* As a file system that keeps no fine times may show it. */
static void file_marked_changed_is_hashed_even_with_a_known_time(void **state)
{
    (void)state;
    struct server_problem problem;
    struct store_finding finding = {fixture.capture.sha256, STORE_AUDIO_CHANGED,
                                    fixture.capture.content_mtime_ns, -1};
    assert_true(store_content_found(fixture.store, &finding, &problem));
    assert_true(open_content(&problem));
    assert_int_equal(fixture.reads, strlen(text));
}

static void file_that_is_missing_is_refused_by_name(void **state)
{
    (void)state;
    struct server_problem problem;
    assert_int_equal(unlink(fixture.path), 0);
    assert_false(open_content(&problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_AUDIO_EXPIRED);
    assert_non_null(strstr(problem.detail, "missing"));
    assert_int_equal(audio(), STORE_AUDIO_MISSING);
    put(text);
    assert_true(open_content(&problem));
    assert_int_equal(audio(), STORE_AUDIO_PRESENT);
}

static void errors_of_reading_are_told_apart(void **state)
{
    (void)state;
    struct server_problem problem;
    set_time(1600000000);
    read_error = EIO; /* for good */
    assert_false(open_content(&problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_AUDIO_EXPIRED);
    assert_non_null(strstr(problem.detail, "cannot be read"));
    read_error = ENOMEM; /* passes */
    assert_false(open_content(&problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_int_equal(audio(), STORE_AUDIO_PRESENT); /* nothing is known of it */
    read_error = 0;
    assert_true(open_content(&problem));
}

/* Start-up: the sweep notes what it cannot judge, the checks' thread reads it. */
static void check_at_start(enum store_audio want)
{
    struct server_problem problem = {0};
    struct content_checks *checks = NULL;
    assert_true(spool_sweep(fixture.spool, fixture.store, &problem));
    assert_true(content_checks_start(fixture.spool, fixture.store, &checks, &problem));
    for (int i = 0; i < 2000 && audio() != want; i++)
        poll(NULL, 0, 5);
    content_checks_stop(checks);
    assert_int_equal(audio(), want);
}

static void start_finds_changed_and_restored_files(void **state)
{
    (void)state;
    put("c recording");
    set_time(1600000000);
    check_at_start(STORE_AUDIO_CHANGED);
    put(text);
    check_at_start(STORE_AUDIO_PRESENT);
    assert_int_equal(unlink(fixture.path), 0);
    check_at_start(STORE_AUDIO_MISSING);
    put(text);
    check_at_start(STORE_AUDIO_PRESENT);
}

static void start_reads_no_unchanged_file(void **state)
{
    (void)state;
    check_at_start(STORE_AUDIO_PRESENT);
    assert_int_equal(fixture.reads, 0);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(unchanged_file_is_not_read),
        TEST(file_of_another_time_is_hashed_once),
        TEST(file_of_other_bytes_is_refused_by_name),
        TEST(file_marked_changed_is_hashed_even_with_a_known_time),
        TEST(file_that_is_missing_is_refused_by_name),
        TEST(errors_of_reading_are_told_apart),
        TEST(start_finds_changed_and_restored_files),
        TEST(start_reads_no_unchanged_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
