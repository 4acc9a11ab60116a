/**
 * One connection to the database with its prepared statements, and the few calls over
 * SQLite that this room needs. Internal to server/store. A connection is used by one
 * thread at a time.
 */
#ifndef SERVER_STORE_STORE_SQL_H
#define SERVER_STORE_STORE_SQL_H

#include <stdbool.h>
#include <stdint.h>

#include <sqlite3.h>

#include "server/base/problem.h"

/** The columns that store_capture and store_analysis are read from, in this order. */
#define STORE_SQL_CAPTURE_COLUMNS                                                        \
    "seq, id, name, note, tester, received_ms, bytes, sha256, format, warnings, "        \
    "pinned, audio, content_mtime_ns, signal, health_state, health_attempts, health, "   \
    "suggested, health_problem, quarantined"
#define STORE_SQL_ANALYSIS_COLUMNS                                                       \
    "seq, id, capture, measurement, settings, tester, state, attempts, created_ms, "     \
    "started_ms, finished_ms, problem, floor_capture, signal"

enum store_sql_statement {
    STORE_SQL_CAPTURE_ADD,
    STORE_SQL_CAPTURE_GET,
    STORE_SQL_CAPTURE_CHANGE,
    STORE_SQL_CAPTURE_QUARANTINE,
    STORE_SQL_CAPTURE_UNWELL, /* all whose health is queued, oldest first */
    STORE_SQL_CAPTURE_REMOVE,
    STORE_SQL_CAPTURE_CONTENT, /* is there a capture with this content */
    STORE_SQL_CAPTURE_FILES,   /* every capture's content and length */
    STORE_SQL_CONTENT_FOUND,   /* sets that of all captures of a content */
    STORE_SQL_CAPTURE_AUDIO,   /* sets what was found of its content */
    STORE_SQL_HEALTH_FINISH,
    STORE_SQL_HEALTH_ATTEMPT,
    STORE_SQL_HEALTH_AGAIN,
    STORE_SQL_ANALYSIS_ADD,
    STORE_SQL_ANALYSIS_GET,
    STORE_SQL_ANALYSIS_FINISH,
    STORE_SQL_ANALYSIS_ATTEMPT,
    STORE_SQL_ANALYSIS_REMOVE,
    STORE_SQL_ANALYSIS_RESULTS,    /* ids of all that are done */
    STORE_SQL_ANALYSIS_QUEUED,     /* all queued, oldest first */
    STORE_SQL_ANALYSIS_ORDERED,    /* those made with their capture, oldest first */
    STORE_SQL_ANALYSIS_OF_CAPTURE, /* those that waited or run first */
    STORE_SQL_ANALYSIS_OF_FLOOR,   /* of other captures, one of them */
    STORE_SQL_ANALYSIS_FORGET,     /* removes all of a capture */
    STORE_SQL_KEY_ADD,
    STORE_SQL_KEY_GET,
    STORE_SQL_KEY_EXPIRE,
    STORE_SQL_STATEMENTS,
};

struct store_sql {
    sqlite3 *db;
    sqlite3_stmt *prepared[STORE_SQL_STATEMENTS];
};

/** Opens the file at `path`, made with mode 0600 if missing. A reader may only query. */
bool store_sql_open(const char *path, bool reader, struct store_sql *ret,
                    struct server_problem *problem) __attribute__((warn_unused_result));
/** Accepts one that never opened. */
void store_sql_close(struct store_sql *sql);

/** The statement, prepared once, ready to be bound; NULL with the problem. Give it back
 * with sqlite3_reset as soon as its rows are read: it keeps a snapshot open until then.
 */
sqlite3_stmt *store_sql_statement(struct store_sql *sql, enum store_sql_statement which,
                                  struct server_problem *problem);
/** Runs a text without parameters and rows. */
bool store_sql_run(struct store_sql *sql, const char *text,
                   struct server_problem *problem) __attribute__((warn_unused_result));
/** Steps a bound statement that yields no rows to its end and resets it. */
bool store_sql_finish(struct store_sql *sql, sqlite3_stmt *statement,
                      struct server_problem *problem) __attribute__((warn_unused_result));

/** Runs a statement about the row called `id` that yields no rows. */
bool store_sql_apply(struct store_sql *sql, enum store_sql_statement which,
                     const char *id, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Runs one whose first row is left for the caller to read, who resets it (NULL is fine):
 * SQLITE_ROW, SQLITE_DONE, or the problem. */
int store_sql_look(struct store_sql *sql, enum store_sql_statement which, const char *id,
                   sqlite3_stmt **row, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Fills *problem from the connection's last error (disk full, damaged, unavailable);
 * false. */
bool store_sql_problem(const struct store_sql *sql, struct server_problem *problem);

/** Binds a text that lives until the statement is reset; NULL binds NULL. */
bool store_sql_bind_text(sqlite3_stmt *statement, int parameter, const char *text)
    __attribute__((warn_unused_result));
bool store_sql_bind_number(sqlite3_stmt *statement, int parameter, int64_t number)
    __attribute__((warn_unused_result));
/** Gives a copy of a column's text (free), NULL for NULL; *whole becomes false when
 * memory ran out. */
char *store_sql_text(sqlite3_stmt *row, int column, bool *whole);

#endif
