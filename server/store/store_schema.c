#include "server/store/store_schema.h"

#include <glob.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "server/store/store.h"

/* The states are numbers of the file format: changing one needs a new version. */
_Static_assert(STORE_QUEUED == 0 && STORE_RUNNING == 1 && STORE_DONE == 2 &&
                   STORE_FAILED == 3 && STORE_CANCELLED == 4,
               "stored numbers of the states");
_Static_assert(STORE_AUDIO_PRESENT == 0 && STORE_AUDIO_MISSING == 1 &&
                   STORE_AUDIO_CHANGED == 2,
               "stored numbers of what was found of a content");

/* seq is the order of arrival and the cursor of lists; AUTOINCREMENT never uses one
 * twice. Every index ends in seq by itself (it is the rowid), so each serves "newest
 * first". */
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
    "CREATE INDEX analysis_state ON analysis(state);";

/* The index of floors serves the deletion of a capture, which looks for those who refer
 * to it. What a key made may be deleted: the key remembers it all the same. */
static const char version_2[] =
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
    "CREATE INDEX idempotency_created ON idempotency(created_ms);";

/* Every recording that there is gets its health looked at: one whose file is gone fails
 * then. */
static const char version_3[] =
    "ALTER TABLE capture ADD COLUMN signal TEXT;"
    "ALTER TABLE capture ADD COLUMN"
    " health_state INTEGER NOT NULL DEFAULT 0 CHECK(health_state IN (0, 2, 3));"
    "ALTER TABLE capture ADD COLUMN health_attempts INTEGER NOT NULL DEFAULT 0;"
    "ALTER TABLE capture ADD COLUMN health TEXT;"
    "ALTER TABLE capture ADD COLUMN suggested TEXT;"
    "ALTER TABLE capture ADD COLUMN health_problem TEXT;"
    "ALTER TABLE capture ADD COLUMN"
    " quarantined INTEGER NOT NULL DEFAULT 0 CHECK(quarantined IN (0, 1));"
    "CREATE INDEX capture_health ON capture(health_state);";

/* What was played, copied when the analysis is ordered: older ones were ordered without.
 */
static const char version_4[] = "ALTER TABLE analysis ADD COLUMN signal TEXT;";

/* Step n makes version n + 1 from version n, so a new database and one brought up to date
 * are the same. */
static const char *const steps[] = {version_1, version_2, version_3, version_4};
enum { VERSION = sizeof steps / sizeof steps[0] };

/* The first row's first column of a query; its text is cut to `size`. */
static bool ask(struct store_sql *sql, const char *query, char *ret, size_t size,
                struct server_problem *problem)
{
    sqlite3_stmt *statement = NULL;
    bool answered =
        sqlite3_prepare_v2(sql->db, query, -1, &statement, NULL) == SQLITE_OK &&
        sqlite3_step(statement) == SQLITE_ROW;
    if (answered)
        snprintf(ret, size, "%s", (const char *)sqlite3_column_text(statement, 0));
    else
        store_sql_problem(sql, problem);
    sqlite3_finalize(statement);
    return answered;
}

/* Refuses versions that this program does not know, and files that it did not make. An
 * empty file has version 0. */
static bool check_version(struct store_sql *sql, int *ret, struct server_problem *problem)
{
    char version[24], tables_found[24];
    if (!ask(sql, "PRAGMA user_version", version, sizeof version, problem) ||
        !ask(sql, "SELECT count(*) FROM sqlite_schema", tables_found, sizeof tables_found,
             problem))
        return false;
    bool empty = strcmp(tables_found, "0") == 0;
    long number = strtol(version, NULL, 10); /* a number of 32 bits */
    *ret = (int)number;
    if (number == 0 ? empty : number > 0 && number <= VERSION)
        return true;
    if (number == 0)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The file residuum.db in the state folder was made by "
                                  "another program (%s tables, no version); move it away "
                                  "or name another folder with --state.",
                                  tables_found);
    return server_problem_set(
        problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
        "The database residuum.db has version %s, but this program "
        "knows versions up to %d; run the newer residuumd that wrote "
        "it or name another folder with --state.",
        version, VERSION);
}

static bool check_pages(struct store_sql *sql, struct server_problem *problem)
{
    char verdict[160];
    if (!ask(sql, "PRAGMA quick_check(1)", verdict, sizeof verdict, problem))
        return false;
    if (strcmp(verdict, "ok") == 0)
        return true;
    for (char *at = verdict; (at = strchr(at, '\n')) != NULL;)
        *at = ' ';
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                              "The database residuum.db is damaged (%s); stop residuumd, "
                              "remove residuum.db-wal and residuum.db-shm, and put the "
                              "residuum.db of a backup in its place.",
                              verdict);
}

/* Recordings beside a database that knows none would all be orphans. */
static bool check_no_recordings(const char *state_folder, struct server_problem *problem)
{
    char pattern[PATH_MAX];
    glob_t found = {0};
    snprintf(pattern, sizeof pattern, "%s/objects/[0-9a-f][0-9a-f]/*", state_folder);
    bool any = glob(pattern, GLOB_NOSORT, NULL, &found) == 0;
    size_t count = found.gl_pathc;
    globfree(&found);
    if (!any)
        return true;
    return server_problem_set(
        problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
        "The state folder holds %zu recordings in objects, but "
        "residuum.db, which says what they are, is missing or empty; put "
        "it back where it was with its -wal, or remove "
        "residuum.db-wal and residuum.db-shm and put that of a "
        "backup in its place, or move objects away to begin anew.",
        count);
}

bool store_schema_before(const char *path, const char *state_folder,
                         struct server_problem *problem)
{
    struct stat facts;
    bool there = stat(path, &facts) == 0 && facts.st_size > 0;
    return there || check_no_recordings(state_folder, problem);
}

/* All steps that are missing, in one transaction: broken off, they leave what was. */
static bool bring_up_to_date(struct store_sql *writer, int version,
                             struct server_problem *problem)
{
    char last[64];
    snprintf(last, sizeof last, "PRAGMA user_version = %d; COMMIT", VERSION);
    bool made = store_sql_run(writer, "BEGIN IMMEDIATE", problem);
    for (int step = version; made && step < VERSION; step++)
        made = store_sql_run(writer, steps[step], problem);
    return made && store_sql_run(writer, last, problem);
}

bool store_schema_ready(struct store_sql *writer, const char *state_folder,
                        struct server_problem *problem)
{
    int version = 0;
    char mode[16];
    if (!check_version(writer, &version, problem) || !check_pages(writer, problem) ||
        !ask(writer, "PRAGMA journal_mode = WAL", mode, sizeof mode, problem))
        return false;
    if (strcmp(mode, "wal") != 0)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The file system of the state folder cannot hold a "
                                  "database with a write-ahead log (journal mode is %s); "
                                  "name a folder on a local disk with --state.",
                                  mode);
    return store_sql_run(writer, "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON",
                         problem) &&
           (version > 0 || check_no_recordings(state_folder, problem)) &&
           (version == VERSION || bring_up_to_date(writer, version, problem));
}
