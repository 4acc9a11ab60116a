/* Databases of older versions: brought up to date, or left as they were. The system's
 * pwrite64 and fdatasync, which SQLite calls, are replaced by ones that can be told to
 * end the process. */
#include "server/store/store_schema.h"

#include <limits.h>
#include <signal.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include "server/store/store.h"
#include "tests/server/store/rows.h"
#include "tests/support/support.h"

/* The tables as programs of version 1 made them, to the letter. */
static const char version_1[] =
    "CREATE TABLE capture("
    " seq INTEGER PRIMARY KEY AUTOINCREMENT,"
    " id TEXT NOT NULL UNIQUE,"
    " name TEXT NOT NULL,"
    " note TEXT NOT NULL,"
    " tester TEXT NOT NULL,"
    " received_ms INTEGER NOT NULL,"
    " bytes INTEGER NOT NULL CHECK(bytes >= 0),"
    " sha256 TEXT NOT NULL CHECK(length(sha256) = 64),"
    " format TEXT,"
    " warnings TEXT NOT NULL,"
    " lost INTEGER NOT NULL CHECK(lost IN (0, 1))"
    ") STRICT;"
    "CREATE INDEX capture_tester ON capture(tester);"
    "CREATE INDEX capture_sha256 ON capture(sha256);"
    "CREATE TABLE analysis("
    " seq INTEGER PRIMARY KEY AUTOINCREMENT,"
    " id TEXT NOT NULL UNIQUE,"
    " capture TEXT NOT NULL REFERENCES capture(id),"
    " floor_capture TEXT REFERENCES capture(id),"
    " measurement TEXT NOT NULL,"
    " settings TEXT NOT NULL,"
    " tester TEXT NOT NULL,"
    " state INTEGER NOT NULL CHECK(state IN (0, 2, 3, 4)),"
    " attempts INTEGER NOT NULL,"
    " created_ms INTEGER NOT NULL,"
    " started_ms INTEGER NOT NULL,"
    " finished_ms INTEGER NOT NULL,"
    " problem TEXT"
    ") STRICT;"
    "CREATE INDEX analysis_capture ON analysis(capture);"
    "CREATE INDEX analysis_tester ON analysis(tester);"
    "CREATE INDEX analysis_measurement ON analysis(measurement);"
    "CREATE INDEX analysis_state ON analysis(state);"
    "PRAGMA user_version = 1;";

static const char rows_1[] =
    "INSERT INTO capture(id, name, note, tester, received_ms, bytes, sha256, format,"
    " warnings, lost) VALUES"
    "('cap_aaaaaaaaaaaaaaaaaaab', 'unit A, take 1', 'desk 4', 'mina', 1764032523001,"
    " 1152044, '0000000000000000000000000000000000000000000000000000000000000001',"
    " '{\"container\":\"wav\"}', '[]', 0),"
    "('cap_aaaaaaaaaaaaaaaaaaac', '', '', 'jon', 1764032523002, 8,"
    " '0000000000000000000000000000000000000000000000000000000000000002', NULL,"
    " '[{\"code\":\"truncated\"}]', 1);"
    "INSERT INTO analysis(id, capture, floor_capture, measurement, settings, tester,"
    " state, attempts, created_ms, started_ms, finished_ms, problem) VALUES"
    "('ana_aaaaaaaaaaaaaaaaaaab', 'cap_aaaaaaaaaaaaaaaaaaab',"
    " 'cap_aaaaaaaaaaaaaaaaaaac', 'distortion', '{\"harmonics\":5}', 'mina', 0, 1,"
    " 1764032524001, 0, 0, NULL),"
    "('ana_aaaaaaaaaaaaaaaaaaac', 'cap_aaaaaaaaaaaaaaaaaaac', NULL, 'distortion',"
    " '{}', 'jon', 3, 0, 1764032524002, 1764032524003, 1764032524004,"
    " '{\"code\":\"no_audio\"}');";

/* What made version 3 of it, to the letter, with what a program of version 3 had. */
static const char version_3[] =
    "ALTER TABLE capture ADD COLUMN"
    " pinned INTEGER NOT NULL DEFAULT 0 CHECK(pinned IN (0, 1));"
    "ALTER TABLE capture ADD COLUMN"
    " audio INTEGER NOT NULL DEFAULT 0 CHECK(audio IN (0, 1, 2));"
    "ALTER TABLE capture ADD COLUMN content_mtime_ns INTEGER NOT NULL DEFAULT 0;"
    "UPDATE capture SET audio = lost;"
    "ALTER TABLE capture DROP COLUMN lost;"
    "CREATE INDEX analysis_floor ON analysis(floor_capture)"
    " WHERE floor_capture IS NOT NULL;"
    "CREATE TABLE idempotency("
    " tester TEXT NOT NULL,"
    " path TEXT NOT NULL,"
    " key TEXT NOT NULL,"
    " asked TEXT NOT NULL CHECK(length(asked) = 64),"
    " made TEXT NOT NULL,"
    " created_ms INTEGER NOT NULL,"
    " PRIMARY KEY(tester, path, key)"
    ") STRICT, WITHOUT ROWID;"
    "CREATE INDEX idempotency_created ON idempotency(created_ms);"
    "ALTER TABLE capture ADD COLUMN signal TEXT;"
    "ALTER TABLE capture ADD COLUMN"
    " health_state INTEGER NOT NULL DEFAULT 0 CHECK(health_state IN (0, 2, 3));"
    "ALTER TABLE capture ADD COLUMN health_attempts INTEGER NOT NULL DEFAULT 0;"
    "ALTER TABLE capture ADD COLUMN health TEXT;"
    "ALTER TABLE capture ADD COLUMN suggested TEXT;"
    "ALTER TABLE capture ADD COLUMN health_problem TEXT;"
    "ALTER TABLE capture ADD COLUMN"
    " quarantined INTEGER NOT NULL DEFAULT 0 CHECK(quarantined IN (0, 1));"
    "CREATE INDEX capture_health ON capture(health_state);"
    "PRAGMA user_version = 3;";

static const char rows_3[] =
    "UPDATE capture SET signal = '{\"name\":\"tone\",\"parameters\":{}}',"
    " health_state = 2, health = '{}', suggested = '[]'"
    " WHERE id = 'cap_aaaaaaaaaaaaaaaaaaab';"
    "INSERT INTO idempotency(tester, path, key, asked, made, created_ms) VALUES"
    "('mina', '/v1/analyses', 'once', printf('%064d', 7), 'ana_aaaaaaaaaaaaaaaaaaab',"
    " 1764032524001);";

static int calls_left = -1; /* until the process ends; −1: it does not */

static void count_call(void)
{
    if (calls_left > 0 && --calls_left == 0)
        _exit(9);
}

ssize_t pwrite64(int file, const void *bytes, size_t count, off64_t offset)
{
    count_call();
    return syscall(SYS_pwrite64, file, bytes, count, offset);
}

int fdatasync(int file)
{
    count_call();
    return (int)syscall(SYS_fdatasync, file);
}

static sqlite3 *open_file(const char *folder)
{
    char path[PATH_MAX + 16];
    snprintf(path, sizeof path, "%s/residuum.db", folder);
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    return db;
}

static void run_sql(const char *folder, const char *text)
{
    sqlite3 *db = open_file(folder);
    char *error = NULL;
    if (sqlite3_exec(db, text, NULL, NULL, &error) != SQLITE_OK)
        fail_msg("%s", error);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

/* Every row's first column of a query, one a line. */
static void ask(const char *folder, const char *query, char *ret, size_t size)
{
    sqlite3 *db = open_file(folder);
    sqlite3_stmt *row = NULL;
    size_t used = 0;
    ret[0] = '\0';
    if (sqlite3_prepare_v2(db, query, -1, &row, NULL) != SQLITE_OK)
        fail_msg("%s", sqlite3_errmsg(db));
    while (sqlite3_step(row) == SQLITE_ROW) {
        used += (size_t)snprintf(ret + used, size - used, "%s\n",
                                 (const char *)sqlite3_column_text(row, 0));
        assert_true(used < size);
    }
    sqlite3_finalize(row);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

static void make_version_1(char folder[PATH_MAX])
{
    support_temporary_folder(folder);
    run_sql(folder, version_1);
    run_sql(folder, rows_1);
}

static void make_version_3(char folder[PATH_MAX])
{
    make_version_1(folder);
    run_sql(folder, version_3);
    run_sql(folder, rows_3);
}

/* Opens, closes and asserts that nothing failed. */
static struct store *open_store(const char *folder)
{
    struct store *store = NULL;
    struct server_problem problem = {0};
    if (!store_open(folder, &store, &problem))
        fail_msg("%s", problem.detail);
    return store;
}

static void schema_version_1_keeps_its_captures(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    make_version_1(folder);
    struct store *store = open_store(folder);
    struct store_capture first, second;
    assert_true(store_capture_get(store, "cap_aaaaaaaaaaaaaaaaaaab", &first, NULL));
    assert_string_equal(first.name, "unit A, take 1");
    assert_string_equal(first.note, "desk 4");
    assert_string_equal(first.tester, "mina");
    assert_true(first.received_ms == 1764032523001);
    assert_true(first.bytes == 1152044);
    assert_string_equal(first.sha256, "000000000000000000000000000000000000000000000000"
                                      "0000000000000001");
    assert_string_equal(first.format, "{\"container\":\"wav\"}");
    assert_int_equal(first.audio, STORE_AUDIO_PRESENT);
    assert_true(store_capture_get(store, "cap_aaaaaaaaaaaaaaaaaaac", &second, NULL));
    assert_null(second.format);
    assert_string_equal(second.warnings, "[{\"code\":\"truncated\"}]");
    assert_int_equal(second.audio, STORE_AUDIO_MISSING); /* it was `lost` */
    const struct store_capture *both[] = {&first, &second};
    for (int i = 0; i < 2; i++) {
        assert_false(both[i]->pinned);
        assert_true(both[i]->content_mtime_ns == 0);
        /* looked at by the next start, whether the file is there or not */
        assert_int_equal(both[i]->health.state, STORE_QUEUED);
        assert_int_equal(both[i]->health.attempts, 0);
        assert_null(both[i]->health.report);
        assert_null(both[i]->signal);
        assert_false(both[i]->quarantined);
    }
    store_capture_free(&first);
    store_capture_free(&second);
    store_close(store);
}

static void schema_version_1_keeps_its_analyses_and_order(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    make_version_1(folder);
    struct store *store = open_store(folder);
    struct server_problem problem = {0};
    struct store_analysis waiting, failed;
    assert_true(store_analysis_get(store, "ana_aaaaaaaaaaaaaaaaaaab", &waiting, NULL));
    assert_string_equal(waiting.floor_capture, "cap_aaaaaaaaaaaaaaaaaaac");
    assert_int_equal(waiting.state, STORE_QUEUED);
    assert_int_equal(waiting.attempts, 1);
    assert_true(store_analysis_get(store, "ana_aaaaaaaaaaaaaaaaaaac", &failed, NULL));
    assert_int_equal(failed.state, STORE_FAILED);
    assert_string_equal(failed.problem, "{\"code\":\"no_audio\"}");
    assert_null(waiting.signal);
    assert_null(failed.signal);
    store_analysis_free(&waiting);
    store_analysis_free(&failed);

    /* What comes now is newer than all that was. */
    struct store_capture added = rows_capture(9);
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &added}, &problem));
    struct store_capture_page page;
    const struct store_query query = {.state = -1, .limit = 5};
    assert_true(store_capture_list(store, &query, &page, &problem));
    assert_int_equal(page.count, 3);
    assert_string_equal(page.items[0].id, added.id);
    assert_string_equal(page.items[2].id, "cap_aaaaaaaaaaaaaaaaaaab");
    store_capture_page_free(&page);
    store_close(store);
}

/* What was ordered before analyses had a signal is measured as it was ordered. */
static void schema_version_3_keeps_its_signals_and_keys(void **state)
{
    (void)state;
    char folder[PATH_MAX], made[ID_BYTES];
    make_version_3(folder);
    struct store *store = open_store(folder);
    struct server_problem problem = {0};
    struct store_capture capture;
    assert_true(store_capture_get(store, "cap_aaaaaaaaaaaaaaaaaaab", &capture, NULL));
    assert_string_equal(capture.signal, "{\"name\":\"tone\",\"parameters\":{}}");
    assert_int_equal(capture.health.state, STORE_DONE);
    assert_string_equal(capture.health.report, "{}");
    store_capture_free(&capture);
    struct store_analysis waiting, added = rows_analysis(9, 1), got;
    assert_true(store_analysis_get(store, "ana_aaaaaaaaaaaaaaaaaaab", &waiting, NULL));
    assert_int_equal(waiting.state, STORE_QUEUED);
    assert_int_equal(waiting.attempts, 1);
    assert_string_equal(waiting.settings, "{\"harmonics\":5}");
    assert_null(waiting.signal);
    store_analysis_free(&waiting);
    const struct store_key key = {.tester = "mina",
                                  .path = "/v1/analyses",
                                  .key = "once",
                                  .asked = "000000000000000000000000000000000000000000000"
                                           "0000000000000000007",
                                  .now_ms = 1764032524002};
    assert_true(store_key_find(store, &key, made, &problem));
    assert_string_equal(made, "ana_aaaaaaaaaaaaaaaaaaab");
    added.signal = (char *)"{\"name\":\"silence\",\"parameters\":{}}";
    assert_true(store_analysis_add(store, &added, &problem));
    assert_true(store_analysis_get(store, added.id, &got, NULL));
    assert_string_equal(got.signal, added.signal);
    store_analysis_free(&got);
    store_close(store);
}

/* Brought up to date or made anew: the same tables, to the letter. */
static void schema_of_both_ways_is_the_same(void **state)
{
    (void)state;
    static const char question[] = "SELECT sql FROM sqlite_schema ORDER BY name";
    static void (*const makers[])(char[PATH_MAX]) = {make_version_1, make_version_3};
    char older[PATH_MAX], fresh[PATH_MAX], texts[2][8192], version[16];
    support_temporary_folder(fresh);
    store_close(open_store(fresh));
    ask(fresh, question, texts[1], sizeof texts[1]);
    for (size_t i = 0; i < sizeof makers / sizeof makers[0]; i++) {
        makers[i](older);
        store_close(open_store(older));
        ask(older, question, texts[0], sizeof texts[0]);
        assert_string_equal(texts[0], texts[1]);
        assert_non_null(strstr(texts[0], "idempotency"));
        ask(older, "PRAGMA user_version", version, sizeof version);
        assert_string_equal(version, "4\n");
    }
}

/* Everything that version 1 knew, by one text. */
static void contents_of_version_1(const char *folder, char ret[8192])
{
    char rows[2048], tables[4096], version[16];
    ask(folder,
        "SELECT count(*) || max(seq) || max(id || name || note || tester || received_ms "
        "||"
        " bytes || sha256 || ifnull(format, '-') || warnings || lost) || sum(lost)"
        " FROM capture",
        rows, sizeof rows);
    ask(folder, "SELECT ifnull(sql, name) FROM sqlite_schema ORDER BY name", tables,
        sizeof tables);
    ask(folder, "PRAGMA user_version", version, sizeof version);
    snprintf(ret, 8192, "%s%s%s", rows, tables, version);
}

/* A step that fails in the middle: the last statement meets a table of its name. */
static void schema_that_cannot_be_brought_up_to_date_stays(void **state)
{
    (void)state;
    char folder[PATH_MAX], before[8192], after[8192];
    make_version_1(folder);
    run_sql(folder, "CREATE TABLE idempotency(x)");
    contents_of_version_1(folder, before);
    struct store *store = NULL;
    struct server_problem problem = {0};
    assert_false(store_open(folder, &store, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(problem.detail, "idempotency already exists"));
    contents_of_version_1(folder, after);
    assert_string_equal(before, after);

    run_sql(folder, "DROP TABLE idempotency");
    store_close(open_store(folder));
}

/* No file may grow beyond what the database has now, as on a full disk. */
static void schema_on_a_full_disk_stays(void **state)
{
    (void)state;
    char folder[PATH_MAX], before[8192], after[8192];
    make_version_1(folder);
    run_sql(folder,
            "PRAGMA journal_mode = WAL;"
            "WITH RECURSIVE n(i) AS (VALUES(10) UNION ALL SELECT i + 1 FROM n LIMIT 500)"
            " INSERT INTO capture(id, name, note, tester, received_ms, bytes, sha256,"
            " warnings, lost) SELECT 'cap_' || i, '', hex(zeroblob(200)), 'mina', i, 8,"
            " printf('%064d', i), '[]', 0 FROM n;");
    contents_of_version_1(folder, before);
    struct rlimit whole, small;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &whole), 0);
    small = whole;
    small.rlim_cur = 40960; /* 9 pages of the log; the rows take 50 */
    signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    struct store *store = NULL;
    struct server_problem problem = {0};
    bool opened = store_open(folder, &store, &problem);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &whole), 0);
    assert_false(opened);
    assert_non_null(strstr(problem.detail, "could not be read or written"));
    contents_of_version_1(folder, after);
    assert_string_equal(before, after);
    store_close(open_store(folder));
}

/* Opens the database in a process of its own that ends, as if killed, at its n-th call
 * that writes or syncs. False when it came to the end before. */
static bool is_killed(const char *folder, int n)
{
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct store *store = NULL;
        struct server_problem problem = {0};
        calls_left = n;
        _exit(store_open(folder, &store, &problem) ? 0 : 8);
    }
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_true(WEXITSTATUS(status) == 9 || WEXITSTATUS(status) == 0);
    return WEXITSTATUS(status) == 9;
}

/* The old version whole or the new one whole, and the next start ends what was begun. */
static void schema_survives_a_kill_at_any_call(void **state)
{
    (void)state;
    bool killed = true;
    int old = 0, new = 0;
    for (int n = 1; killed; n++) {
        char folder[PATH_MAX], before[8192], after[8192], version[16];
        make_version_1(folder);
        contents_of_version_1(folder, before);
        killed = is_killed(folder, n);
        ask(folder, "PRAGMA user_version", version, sizeof version);
        if (strcmp(version, "1\n") == 0) {
            contents_of_version_1(folder, after);
            assert_string_equal(before, after);
            old++;
        } else {
            assert_string_equal(version, "4\n");
            new ++;
        }
        struct store *store = open_store(folder);
        struct store_capture capture;
        assert_true(store_capture_get(store, "cap_aaaaaaaaaaaaaaaaaaac", &capture, NULL));
        assert_int_equal(capture.audio, STORE_AUDIO_MISSING);
        store_capture_free(&capture);
        store_close(store);
        assert_true(n < 1000);
    }
    print_message("%d kills left version 1, %d starts version 4\n", old, new);
    assert_true(old >= 3 && new >= 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(schema_version_1_keeps_its_captures),
        cmocka_unit_test(schema_version_1_keeps_its_analyses_and_order),
        cmocka_unit_test(schema_version_3_keeps_its_signals_and_keys),
        cmocka_unit_test(schema_of_both_ways_is_the_same),
        cmocka_unit_test(schema_that_cannot_be_brought_up_to_date_stays),
        cmocka_unit_test(schema_on_a_full_disk_stays),
        cmocka_unit_test(schema_survives_a_kill_at_any_call),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
