/* The writing thread: batches, savepoints, and what a failing disk does to them. The
 * system's pwrite64 and fdatasync, which SQLite calls, are replaced by ones that can be
 * told to fail. */
#include "server/store/store_writer.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <semaphore.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "tests/support/support.h"

static atomic_int write_error, sync_error, syncs;

struct fixture {
    struct store_sql sql;
    int folder;
    struct store_writer *writer;
    char path[PATH_MAX];
};

static struct fixture fixture;
static atomic_bool ballast_helps; /* writes fail only as long as it is there */

static bool has_ballast(void)
{
    return faccessat(fixture.folder, "ballast", F_OK, 0) == 0;
}

ssize_t pwrite64(int file, const void *bytes, size_t count, off64_t offset)
{
    if (write_error != 0 && (!ballast_helps || has_ballast())) {
        errno = write_error;
        return -1;
    }
    return syscall(SYS_pwrite64, file, bytes, count, offset);
}

int fdatasync(int file)
{
    syncs++;
    if (sync_error != 0) {
        errno = sync_error;
        return -1;
    }
    return (int)syscall(SYS_fdatasync, file);
}

static int start(void **state)
{
    char folder[PATH_MAX];
    (void)state;
    struct server_problem problem = {0};
    write_error = sync_error = 0;
    ballast_helps = false;
    support_temporary_folder(folder);
    fixture.folder = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    snprintf(fixture.path, sizeof fixture.path, "%.4000s/test.db", folder);
    return store_sql_open(fixture.path, false, &fixture.sql, &problem) &&
                   store_sql_run(&fixture.sql,
                                 "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
                                 "CREATE TABLE number(n INTEGER UNIQUE)",
                                 &problem) &&
                   store_writer_start(&fixture.sql, fixture.folder, &fixture.writer,
                                      &problem)
               ? 0
               : -1;
}

static int stop(void **state)
{
    (void)state;
    store_writer_stop(fixture.writer);
    store_sql_close(&fixture.sql);
    close(fixture.folder);
    return 0;
}

static bool insert(struct store_sql *sql, const void *context,
                   struct server_problem *problem)
{
    char text[64];
    snprintf(text, sizeof text, "INSERT INTO number VALUES(%d)", *(const int *)context);
    return store_sql_run(sql, text, problem);
}

/* Inserts, then fails for a reason of its own: the insertion must go. */
static bool insert_and_fail(struct store_sql *sql, const void *context,
                            struct server_problem *problem)
{
    return insert(sql, context, problem) &&
           server_problem_set(problem, SERVER_PROBLEM_CONFLICT, NULL, "not this one");
}

static int count_rows(const char *where)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *row = NULL;
    char text[128];
    snprintf(text, sizeof text, "SELECT count(*) FROM number WHERE %s", where);
    assert_int_equal(sqlite3_open_v2(fixture.path, &db, SQLITE_OPEN_READWRITE, NULL), 0);
    assert_int_equal(sqlite3_prepare_v2(db, text, -1, &row, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_step(row), SQLITE_ROW);
    int count = sqlite3_column_int(row, 0);
    sqlite3_finalize(row);
    sqlite3_close(db);
    return count;
}

/* Holds the writing thread until `go`, so that what comes meanwhile makes one batch. */
static sem_t held, go;

static bool hold(struct store_sql *sql, const void *context,
                 struct server_problem *problem)
{
    (void)sql, (void)context, (void)problem;
    sem_post(&held);
    sem_wait(&go);
    return true;
}

struct client {
    store_writer_change *change;
    int number;
    bool made;
    struct server_problem problem;
};

static void *make(void *context)
{
    struct client *client = context;
    client->made = store_writer_make(fixture.writer, client->change, &client->number,
                                     &client->problem);
    return NULL;
}

enum { BATCH = 8, SETTLE_MS = 100 };

/* Lets clients 1…BATCH − 1 arrive while client 0 holds the thread. Their order within the
 * batch is open, and so is whether a late one misses it: no test depends on either. */
static void make_as_one_batch(struct client clients[BATCH])
{
    pthread_t threads[BATCH];
    sem_init(&held, 0, 0);
    sem_init(&go, 0, 0);
    clients[0] = (struct client){.change = hold};
    pthread_create(&threads[0], NULL, make, &clients[0]);
    sem_wait(&held);
    for (int i = 1; i < BATCH; i++)
        pthread_create(&threads[i], NULL, make, &clients[i]);
    usleep(SETTLE_MS * 1000);
    sem_post(&go);
    for (int i = 0; i < BATCH; i++)
        pthread_join(threads[i], NULL);
}

static void writer_keeps_the_others_of_a_failed_change(void **state)
{
    (void)state;
    struct client clients[BATCH];
    for (int i = 1; i < BATCH; i++)
        clients[i] = (struct client){i == 3 ? insert_and_fail : insert, i, false, {0}};
    clients[5].number = 4; /* meets client 4's number: one of the two is refused */
    make_as_one_batch(clients);
    assert_true(clients[0].made);
    assert_false(clients[3].made);
    assert_int_equal(clients[3].problem.code, SERVER_PROBLEM_CONFLICT);
    assert_string_equal(clients[3].problem.detail, "not this one");
    assert_true(clients[4].made != clients[5].made);
    for (int i = 1; i < BATCH; i++)
        if (i < 3 || i > 5)
            assert_true(clients[i].made);
    assert_int_equal(count_rows("n IN (1, 2, 4, 6, 7)"), 5);
    assert_int_equal(count_rows("1"), 5);
}

static void writer_syncs_once_for_a_batch(void **state)
{
    (void)state;
    struct client clients[BATCH];
    for (int i = 1; i < BATCH; i++)
        clients[i] = (struct client){insert, i, false, {0}};
    syncs = 0;
    make_as_one_batch(clients);
    assert_int_equal(count_rows("1"), BATCH - 1);
    /* One for the batch, where each by itself would take seven; a client delayed by a
     * busy machine may have taken one or two more. */
    assert_in_range(syncs, 1, 3);
}

static void writer_tells_a_full_disk_and_goes_on_when_there_is_room(void **state)
{
    (void)state;
    struct client clients[BATCH];
    for (int i = 1; i < BATCH; i++)
        clients[i] = (struct client){insert, i, false, {0}};
    write_error = ENOSPC;
    make_as_one_batch(clients);
    for (int i = 1; i < BATCH; i++) {
        assert_false(clients[i].made);
        assert_int_equal(clients[i].problem.code, SERVER_PROBLEM_DISK_FULL);
    }
    write_error = 0;
    int number = 99;
    struct server_problem problem = {0};
    assert_true(store_writer_make(fixture.writer, insert, &number, &problem));
    assert_int_equal(count_rows("n = 99"), 1);
    assert_int_equal(count_rows("1"), 1);
}

static void writer_gives_up_the_ballast_on_a_full_disk(void **state)
{
    (void)state;
    int ballast = openat(fixture.folder, "ballast", O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_true(ballast >= 0);
    close(ballast);
    struct client clients[BATCH];
    for (int i = 1; i < BATCH; i++)
        clients[i] = (struct client){i == 3 ? insert_and_fail : insert, i, false, {0}};
    write_error = ENOSPC;
    ballast_helps = true;
    make_as_one_batch(clients);
    for (int i = 1; i < BATCH; i++)
        if (clients[i].made != (i != 3))
            fail_msg("client %d: %s", i, clients[i].problem.detail);
    assert_int_equal(clients[3].problem.code, SERVER_PROBLEM_CONFLICT);
    assert_false(has_ballast());
    assert_int_equal(count_rows("1"), BATCH - 2);
    /* There is no second one: the next full disk is told. */
    ballast_helps = false;
    int number = 99;
    struct server_problem problem = {0};
    assert_false(store_writer_make(fixture.writer, insert, &number, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
}

static void writer_stops_writing_after_a_failed_sync(void **state)
{
    (void)state;
    int number = 1;
    struct server_problem problem = {0};
    sync_error = EIO;
    assert_false(store_writer_make(fixture.writer, insert, &number, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(problem.detail, "disk I/O error"));
    sync_error = 0;
    number = 2;
    problem = (struct server_problem){0};
    assert_false(store_writer_make(fixture.writer, insert, &number, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(problem.detail, "start residuumd again"));
    assert_int_equal(count_rows("n = 2"), 0);
}

static void writer_needs_no_place_for_the_problem(void **state)
{
    (void)state;
    int number = 1;
    assert_true(store_writer_make(fixture.writer, insert, &number, NULL));
    assert_false(store_writer_make(fixture.writer, insert, &number, NULL));
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(writer_keeps_the_others_of_a_failed_change),
        TEST(writer_syncs_once_for_a_batch),
        TEST(writer_tells_a_full_disk_and_goes_on_when_there_is_room),
        TEST(writer_gives_up_the_ballast_on_a_full_disk),
        TEST(writer_stops_writing_after_a_failed_sync),
        TEST(writer_needs_no_place_for_the_problem),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
