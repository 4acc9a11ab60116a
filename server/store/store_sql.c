#include "server/store/store_sql.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { BUSY_TIMEOUT_MS = 5000 };

static const char *const texts[STORE_SQL_STATEMENTS] = {
    [STORE_SQL_CAPTURE_ADD] =
        "INSERT INTO capture(id, name, note, tester, received_ms, bytes, sha256, format,"
        " warnings, pinned, audio, content_mtime_ns, signal, health_state,"
        " health_attempts, health, suggested, health_problem, quarantined)"
        " VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16,"
        " ?17, ?18, ?19)",
    [STORE_SQL_CAPTURE_GET] =
        "SELECT " STORE_SQL_CAPTURE_COLUMNS " FROM capture WHERE id = ?1",
    [STORE_SQL_CAPTURE_CHANGE] =
        "UPDATE capture SET name = ifnull(?2, name), note = ifnull(?3, note),"
        " pinned = ifnull(?4, pinned), signal = iif(?5, ?6, signal),"
        /* the right-hand sides see the row as it was */
        " health_state = iif((?5 AND signal IS NOT ?6)"
        " OR (?7 AND quarantined AND health_state = 3), 0, health_state),"
        " health_attempts = iif((?5 AND signal IS NOT ?6) OR ?7, 0, health_attempts),"
        " health_problem = iif((?5 AND signal IS NOT ?6)"
        " OR (?7 AND quarantined AND health_state = 3), NULL, health_problem),"
        " quarantined = iif(?7, 0, quarantined)"
        " WHERE id = ?1 AND NOT (?5 AND quarantined AND NOT ?7)",
    [STORE_SQL_CAPTURE_QUARANTINE] = "UPDATE capture SET quarantined = 1 WHERE id = ?1",
    [STORE_SQL_CAPTURE_UNWELL] = "SELECT " STORE_SQL_CAPTURE_COLUMNS
                                 " FROM capture WHERE health_state = 0 ORDER BY seq",
    [STORE_SQL_CAPTURE_REMOVE] = "DELETE FROM capture WHERE id = ?1",
    [STORE_SQL_CAPTURE_CONTENT] = "SELECT 1 FROM capture WHERE sha256 = ?1 LIMIT 1",
    [STORE_SQL_CAPTURE_FILES] =
        "SELECT seq, id, name, sha256, bytes, audio, content_mtime_ns FROM capture",
    [STORE_SQL_CONTENT_FOUND] =
        "UPDATE capture SET audio = ?2, content_mtime_ns = ?3 WHERE sha256 = ?1"
        " AND (?4 < 0 OR content_mtime_ns = ?4)",
    [STORE_SQL_CAPTURE_AUDIO] = "UPDATE capture SET audio = ?2 WHERE seq = ?1",
    [STORE_SQL_HEALTH_FINISH] =
        "UPDATE capture SET health_state = ?2, health_attempts = ?3, health = ?4,"
        " suggested = ?5, health_problem = ?6, format = ifnull(?7, format),"
        " quarantined = quarantined OR ?8"
        " WHERE id = ?1 AND health_state = 0 AND signal IS ?9",
    [STORE_SQL_HEALTH_ATTEMPT] =
        "UPDATE capture SET health_attempts = ?2 WHERE id = ?1 AND health_state = 0",
    [STORE_SQL_HEALTH_AGAIN] =
        "UPDATE capture SET health_state = 0, health_attempts = 0, health_problem = NULL"
        " WHERE id = ?1 AND health_state = 3 AND NOT quarantined",
    [STORE_SQL_ANALYSIS_ADD] = "INSERT INTO analysis(id, capture, measurement, settings, "
                               "tester, state, attempts,"
                               " created_ms, started_ms, finished_ms, problem, "
                               "floor_capture, signal) VALUES(?1, ?2, ?3, ?4, ?5, ?6, "
                               "?7, ?8, ?9, ?10, ?11, ?12, ?13)",
    [STORE_SQL_ANALYSIS_GET] =
        "SELECT " STORE_SQL_ANALYSIS_COLUMNS " FROM analysis WHERE id = ?1",
    [STORE_SQL_ANALYSIS_FINISH] = "UPDATE analysis SET state = ?2, attempts = ?3, "
                                  "started_ms = ?4, finished_ms = ?5,"
                                  " problem = ?6 WHERE id = ?1 AND state = 0",
    [STORE_SQL_ANALYSIS_ATTEMPT] =
        "UPDATE analysis SET attempts = ?2 WHERE id = ?1 AND state = 0",
    [STORE_SQL_ANALYSIS_RESULTS] = "SELECT id FROM analysis WHERE state = 2",
    [STORE_SQL_ANALYSIS_QUEUED] = "SELECT " STORE_SQL_ANALYSIS_COLUMNS
                                  " FROM analysis WHERE state = 0 ORDER BY seq",
    [STORE_SQL_ANALYSIS_ORDERED] =
        "SELECT " STORE_SQL_ANALYSIS_COLUMNS
        " FROM analysis WHERE capture = ?1 AND created_ms = ?2 ORDER BY seq",
    [STORE_SQL_ANALYSIS_REMOVE] = "DELETE FROM analysis WHERE id = ?1",
    [STORE_SQL_ANALYSIS_OF_CAPTURE] =
        "SELECT id, state FROM analysis WHERE capture = ?1 ORDER BY state",
    [STORE_SQL_ANALYSIS_OF_FLOOR] = "SELECT id, capture FROM analysis"
                                    " WHERE floor_capture = ?1 AND capture <> ?1 LIMIT 1",
    [STORE_SQL_ANALYSIS_FORGET] = "DELETE FROM analysis WHERE capture = ?1",
    [STORE_SQL_KEY_ADD] = "INSERT INTO idempotency(tester, path, key, asked, made,"
                          " created_ms) VALUES(?1, ?2, ?3, ?4, ?5, ?6)",
    [STORE_SQL_KEY_GET] = "SELECT asked, made FROM idempotency WHERE tester = ?1"
                          " AND path = ?2 AND key = ?3 AND created_ms > ?4",
    [STORE_SQL_KEY_EXPIRE] = "DELETE FROM idempotency WHERE created_ms <= ?1",
};

/* SQLite would make the file readable for everybody; its -wal and -shm take over this
 * mode. */
static bool make_private(const char *path, struct server_problem *problem)
{
    int file = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (file < 0)
        return server_problem_set(
            problem,
            errno == ENOSPC || errno == EDQUOT ? SERVER_PROBLEM_DISK_FULL
                                               : SERVER_PROBLEM_UNAVAILABLE,
            NULL, "The database %.250s cannot be opened: %s.", path, strerror(errno));
    close(file);
    return true;
}

bool store_sql_open(const char *path, bool reader, struct store_sql *ret,
                    struct server_problem *problem)
{
    struct store_sql sql = {0};
    /* Readers come after the writer. Opening and closing the file here then would drop
     * SQLite's locks on it, which belong to the process (fcntl(2)). */
    if (!reader && !make_private(path, problem))
        return false;
    bool opened =
        sqlite3_open_v2(path, &sql.db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX,
                        NULL) == SQLITE_OK;
    if (!opened)
        store_sql_problem(&sql, problem);
    if (!opened || sqlite3_busy_timeout(sql.db, BUSY_TIMEOUT_MS) != SQLITE_OK ||
        sqlite3_extended_result_codes(sql.db, 1) != SQLITE_OK ||
        /* No temporary files: savepoints and sorting must work on a full disk. */
        !store_sql_run(&sql, "PRAGMA temp_store = MEMORY", problem) ||
        (reader && !store_sql_run(&sql, "PRAGMA query_only = ON", problem))) {
        store_sql_close(&sql);
        return false;
    }
    *ret = sql;
    return true;
}

void store_sql_close(struct store_sql *sql)
{
    for (int i = 0; i < STORE_SQL_STATEMENTS; i++)
        sqlite3_finalize(sql->prepared[i]);
    sqlite3_close(sql->db);
    *sql = (struct store_sql){0};
}

sqlite3_stmt *store_sql_statement(struct store_sql *sql, enum store_sql_statement which,
                                  struct server_problem *problem)
{
    sqlite3_stmt **slot = &sql->prepared[which];
    if (*slot == NULL &&
        sqlite3_prepare_v3(sql->db, texts[which], -1, SQLITE_PREPARE_PERSISTENT, slot,
                           NULL) != SQLITE_OK) {
        store_sql_problem(sql, problem);
        return NULL;
    }
    return *slot;
}

bool store_sql_run(struct store_sql *sql, const char *text,
                   struct server_problem *problem)
{
    return sqlite3_exec(sql->db, text, NULL, NULL, NULL) == SQLITE_OK ||
           store_sql_problem(sql, problem);
}

bool store_sql_finish(struct store_sql *sql, sqlite3_stmt *statement,
                      struct server_problem *problem)
{
    bool done = sqlite3_step(statement) == SQLITE_DONE;
    if (!done)
        store_sql_problem(sql, problem);
    sqlite3_reset(statement);
    return done;
}

bool store_sql_apply(struct store_sql *sql, enum store_sql_statement which,
                     const char *id, struct server_problem *problem)
{
    sqlite3_stmt *row = store_sql_statement(sql, which, problem);
    return row != NULL && store_sql_bind_text(row, 1, id) &&
           store_sql_finish(sql, row, problem);
}

int store_sql_look(struct store_sql *sql, enum store_sql_statement which, const char *id,
                   sqlite3_stmt **row, struct server_problem *problem)
{
    *row = store_sql_statement(sql, which, problem);
    if (*row == NULL || !store_sql_bind_text(*row, 1, id))
        return SQLITE_ERROR;
    int step = sqlite3_step(*row);
    if (step != SQLITE_ROW && step != SQLITE_DONE)
        store_sql_problem(sql, problem);
    return step;
}

bool store_sql_problem(const struct store_sql *sql, struct server_problem *problem)
{
    int code = sqlite3_errcode(sql->db);
    int system_error = sql->db != NULL ? sqlite3_system_errno(sql->db) : ENOMEM;
    /* A failure that SQLite knows nothing of: there was no memory for a copy of a row. */
    bool ours = code == SQLITE_OK || code == SQLITE_ROW || code == SQLITE_DONE;
    const char *words = ours ? sqlite3_errstr(SQLITE_NOMEM) : sqlite3_errmsg(sql->db);
    switch (code & 0xff) {
    case SQLITE_FULL:
        return server_problem_set(problem, SERVER_PROBLEM_DISK_FULL, NULL,
                                  "The disk of the state folder is full, so the database "
                                  "could not be written; free some space and try again.");
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The database residuum.db is damaged (%.150s); stop "
                                  "residuumd, remove residuum.db-wal and "
                                  "residuum.db-shm, and put the residuum.db of a backup "
                                  "in its place.",
                                  words);
    case SQLITE_IOERR:
    case SQLITE_CANTOPEN:
        return server_problem_set(problem,
                                  system_error == ENOSPC || system_error == EDQUOT
                                      ? SERVER_PROBLEM_DISK_FULL
                                      : SERVER_PROBLEM_UNAVAILABLE,
                                  NULL,
                                  "The database residuum.db could not be read or written "
                                  "(%.100s, code %d: %.100s); check the disk and the "
                                  "folder's permissions.",
                                  words, code, strerror(system_error));
    default:
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The database residuum.db refused (%.200s, code %d).",
                                  words, code);
    }
}

bool store_sql_bind_text(sqlite3_stmt *statement, int parameter, const char *text)
{
    return sqlite3_bind_text(statement, parameter, text, -1, SQLITE_STATIC) == SQLITE_OK;
}

bool store_sql_bind_number(sqlite3_stmt *statement, int parameter, int64_t number)
{
    return sqlite3_bind_int64(statement, parameter, number) == SQLITE_OK;
}

char *store_sql_text(sqlite3_stmt *row, int column, bool *whole)
{
    if (sqlite3_column_type(row, column) == SQLITE_NULL)
        return NULL;
    const unsigned char *text = sqlite3_column_text(row, column);
    char *copy = text != NULL ? strdup((const char *)text) : NULL;
    if (copy == NULL)
        *whole = false;
    return copy;
}
