/* Opening and closing: what is refused, what outlasts. */
#include "server/store/store_sqlite.h"

#include <fcntl.h>
#include <limits.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/server/store/rows.h"
#include "tests/support/support.h"

static void database_path(const char *folder, char path[PATH_MAX])
{
    assert_true(snprintf(path, PATH_MAX, "%s/residuum.db", folder) < PATH_MAX);
}

/* Runs a text on the file by a connection of its own, as another program would. */
static void run_sql(const char *folder, const char *text)
{
    char path[PATH_MAX];
    database_path(folder, path);
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, text, NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

static void assert_refused(const char *folder, const char *words)
{
    struct store *store = NULL;
    struct server_problem problem = {0};
    assert_false(store_open(folder, &store, &problem));
    assert_null(store);
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    if (strstr(problem.detail, words) == NULL)
        fail_msg("\"%s\" does not say \"%s\"", problem.detail, words);
}

static void store_open_makes_a_private_durable_database(void **state)
{
    (void)state;
    char folder[PATH_MAX], path[PATH_MAX];
    support_temporary_folder(folder);
    struct store *store = NULL;
    struct server_problem problem = {0};
    assert_true(store_open(folder, &store, &problem));
    struct stat facts;
    database_path(folder, path);
    assert_int_equal(stat(path, &facts), 0);
    assert_int_equal(facts.st_mode & 0777, 0600);
    strcat(path, "-wal");
    assert_int_equal(stat(path, &facts), 0);
    assert_int_equal(facts.st_mode & 0777, 0600);

    /* FULL is 2 (sqlite.org, PRAGMA synchronous). */
    static const struct {
        const char *question, *writer, *reader;
    } settings[] = {
        {"PRAGMA journal_mode", "wal", "wal"}, {"PRAGMA synchronous", "2", NULL},
        {"PRAGMA foreign_keys", "1", NULL},    {"PRAGMA query_only", "0", "1"},
        {"PRAGMA user_version", "4", "4"},     {"PRAGMA temp_store", "2", "2"}};
    for (size_t i = 0; i < sizeof settings / sizeof settings[0]; i++) {
        sqlite3 *connections[] = {store->writing.db, store->readers[0].db};
        const char *wanted[] = {settings[i].writer, settings[i].reader};
        for (int k = 0; k < 2 && wanted[k] != NULL; k++) {
            sqlite3_stmt *answer = NULL;
            assert_int_equal(sqlite3_prepare_v2(connections[k], settings[i].question, -1,
                                                &answer, NULL),
                             SQLITE_OK);
            assert_int_equal(sqlite3_step(answer), SQLITE_ROW);
            assert_string_equal((const char *)sqlite3_column_text(answer, 0), wanted[k]);
            sqlite3_finalize(answer);
        }
    }
    assert_int_equal(
        sqlite3_exec(store->readers[0].db, "DELETE FROM capture", NULL, NULL, NULL),
        SQLITE_READONLY);
    store_close(store);
}

static void store_rows_outlast_close_and_crash(void **state)
{
    (void)state;
    char folder[PATH_MAX], copy[PATH_MAX], command[3 * PATH_MAX];
    support_temporary_folder(folder);
    support_temporary_folder(copy);
    struct store *store = NULL;
    struct server_problem problem = {0};
    assert_true(store_open(folder, &store, &problem));
    struct store_capture capture = rows_capture(1);
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
    /* What a crash at this moment leaves: the files as they are, log and all. */
    snprintf(command, sizeof command, "cp '%s'/* '%s'", folder, copy);
    assert_int_equal(system(command), 0);
    store_close(store);

    const char *const folders[] = {folder, copy};
    for (int i = 0; i < 2; i++) {
        assert_true(store_open(folders[i], &store, &problem));
        struct store_capture got;
        assert_true(store_capture_get(store, capture.id, &got, NULL));
        assert_string_equal(got.note, capture.note);
        store_capture_free(&got);
        store_close(store);
    }
}

/* What is not there and what cannot be told are two answers. */
static void store_tells_a_failure_from_nothing(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    support_temporary_folder(folder);
    struct store *store = NULL;
    struct server_problem problem = {0};
    assert_true(store_open(folder, &store, &problem));
    struct store_capture capture = rows_capture(1), got_capture;
    struct store_analysis analysis = rows_analysis(1, 1), got_analysis;
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
    assert_true(store_analysis_add(store, &analysis, &problem));

    assert_false(store_capture_get(store, "cap_none", &got_capture, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NONE);
    assert_false(store_analysis_get(store, "ana_none", &got_analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NONE);

    run_sql(folder, "ALTER TABLE capture RENAME COLUMN note TO hidden;"
                    "ALTER TABLE analysis RENAME COLUMN tester TO hidden");
    assert_false(store_capture_get(store, capture.id, &got_capture, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    problem = (struct server_problem){0};
    assert_false(store_analysis_get(store, analysis.id, &got_analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    store_close(store);
}

static void store_open_refuses_a_newer_version(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    support_temporary_folder(folder);
    run_sql(folder, "CREATE TABLE capture(x); PRAGMA user_version = 5");
    assert_refused(folder, "has version 5, but this program knows versions up to 4");
}

static void store_open_refuses_recordings_without_their_database(void **state)
{
    (void)state;
    char folder[PATH_MAX], path[PATH_MAX + 80];
    support_temporary_folder(folder);
    snprintf(path, sizeof path, "%s/objects", folder);
    assert_int_equal(mkdir(path, 0700), 0);
    strcat(path, "/ab");
    assert_int_equal(mkdir(path, 0700), 0);
    strcat(path, "/abcdef");
    int file = open(path, O_WRONLY | O_CREAT, 0600);
    assert_true(file >= 0);
    close(file);
    assert_refused(folder, "holds 1 recordings");
    assert_int_equal(access(path, F_OK), 0);
    /* An empty file of that name is no better, nor is one without tables. */
    assert_refused(folder, "missing or empty");
    run_sql(folder, "PRAGMA journal_mode = WAL");
    assert_refused(folder, "missing or empty");
}

static void store_open_refuses_another_programs_file(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    support_temporary_folder(folder);
    run_sql(folder, "CREATE TABLE shelf(x); CREATE TABLE loan(x)");
    assert_refused(folder, "made by another program (2 tables");
}

static void store_open_refuses_what_is_no_database(void **state)
{
    (void)state;
    char folder[PATH_MAX], path[PATH_MAX];
    support_temporary_folder(folder);
    database_path(folder, path);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    for (int i = 0; i < 1000; i++)
        fputs("not a database ", file);
    fclose(file);
    assert_refused(folder, "is damaged");
}

/* Overwrites one page of 4096 bytes of a database with rows. */
static void store_open_refuses_a_damaged_page(void **state)
{
    (void)state;
    char folder[PATH_MAX], path[PATH_MAX];
    support_temporary_folder(folder);
    struct store *store = NULL;
    struct server_problem problem = {0};
    assert_true(store_open(folder, &store, &problem));
    for (int i = 0; i < 100; i++) {
        struct store_capture capture = rows_capture(i);
        assert_true(store_capture_add(store, &(struct store_upload){.capture = &capture},
                                      &problem));
    }
    store_close(store);
    database_path(folder, path);
    int file = open(path, O_RDWR);
    assert_true(file >= 0);
    char garbage[4096];
    memset(garbage, 0xa5, sizeof garbage);
    assert_int_equal(pwrite(file, garbage, sizeof garbage, 4096), sizeof garbage);
    close(file);
    assert_refused(folder, "is damaged");
}

static void store_open_says_what_it_cannot_open(void **state)
{
    (void)state;
    char folder[PATH_MAX], path[PATH_MAX];
    support_temporary_folder(folder);
    database_path(folder, path);
    assert_int_equal(mkdir(path, 0700), 0);
    assert_refused(folder, "Is a directory");
    strcat(folder, "/absent");
    assert_refused(folder, "No such file or directory");
    memset(path, 'x', sizeof path - 1);
    path[sizeof path - 1] = '\0';
    assert_refused(path,
                   "longer than 4083 bytes"); /* 4096 − "/residuum.db" and its zero */
}

static void store_states_are_spelt_both_ways(void **state)
{
    (void)state;
    static const char *const words[] = {"queued", "running", "done", "failed",
                                        "cancelled"};
    for (int i = 0; i < 5; i++) {
        assert_string_equal(store_state_text((enum store_state)i), words[i]);
        assert_int_equal(store_state_from_text(words[i]), i);
    }
    assert_int_equal(store_state_from_text("Queued"), -1);
    assert_int_equal(store_state_from_text(""), -1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(store_open_makes_a_private_durable_database),
        cmocka_unit_test(store_rows_outlast_close_and_crash),
        cmocka_unit_test(store_tells_a_failure_from_nothing),
        cmocka_unit_test(store_open_refuses_a_newer_version),
        cmocka_unit_test(store_open_refuses_recordings_without_their_database),
        cmocka_unit_test(store_open_refuses_another_programs_file),
        cmocka_unit_test(store_open_refuses_what_is_no_database),
        cmocka_unit_test(store_open_refuses_a_damaged_page),
        cmocka_unit_test(store_open_says_what_it_cannot_open),
        cmocka_unit_test(store_states_are_spelt_both_ways),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
