/* Keys of requests that are obeyed once: store_key_* and *_add_once of store.h. */
#include "server/store/store_sqlite.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <gnutls/crypto.h>

#include "server/base/limits.h"

void store_key_digest(const char *text, char ret[65])
{
    uint8_t digest[32];
    /* Fails only where the library lacks the algorithm or memory: no key is safe then. */
    if (gnutls_hash_fast(GNUTLS_DIG_SHA256, text, strlen(text), digest) < 0)
        abort();
    for (size_t i = 0; i < sizeof digest; i++)
        snprintf(ret + 2 * i, 3, "%02x", digest[i]);
}

/* As store_key_find. */
static bool find(struct store_sql *sql, const struct store_key *key, char made[ID_BYTES],
                 struct server_problem *problem)
{
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_KEY_GET, problem);
    if (row == NULL)
        return false;
    bool bound = store_sql_bind_text(row, 1, key->tester) &&
                 store_sql_bind_text(row, 2, key->path) &&
                 store_sql_bind_text(row, 3, key->key) &&
                 store_sql_bind_number(row, 4, key->now_ms - LIMIT_KEY_S * INT64_C(1000));
    int step = bound ? sqlite3_step(row) : SQLITE_NOMEM;
    bool found = false;
    if (step == SQLITE_ROW) {
        const char *asked = (const char *)sqlite3_column_text(row, 0);
        sqlite3_snprintf(ID_BYTES, made, "%s", sqlite3_column_text(row, 1));
        found = asked != NULL && strcmp(asked, key->asked) == 0;
        if (!found)
            server_problem_set(problem, SERVER_PROBLEM_KEY_REUSED, "Idempotency-Key",
                               "This key came with another request before, which made "
                               "%s; give each request a key of its own.",
                               made);
    } else if (step != SQLITE_DONE) {
        store_sql_problem(sql, problem);
    }
    sqlite3_reset(row);
    return found;
}

bool store_key_find(struct store *store, const struct store_key *key, char made[ID_BYTES],
                    struct server_problem *problem)
{
    struct store_sql *reader = store_sqlite_take_reader(store);
    bool found = find(reader, key, made, problem);
    store_sqlite_give_back(store, reader);
    return found;
}

struct adding {
    store_writer_change *add;
    const void *row;
    const char *id; /* of the row */
    const struct store_key *key;
    char *made;
};

static bool expire(struct store_sql *sql, const struct store_key *key,
                   struct server_problem *problem)
{
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_KEY_EXPIRE, problem);
    return row != NULL &&
           store_sql_bind_number(row, 1, key->now_ms - LIMIT_KEY_S * INT64_C(1000)) &&
           store_sql_finish(sql, row, problem);
}

static bool add_key(struct store_sql *sql, const struct adding *adding,
                    struct server_problem *problem)
{
    const struct store_key *key = adding->key;
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_KEY_ADD, problem);
    return row != NULL && store_sql_bind_text(row, 1, key->tester) &&
           store_sql_bind_text(row, 2, key->path) &&
           store_sql_bind_text(row, 3, key->key) &&
           store_sql_bind_text(row, 4, key->asked) &&
           store_sql_bind_text(row, 5, adding->id) &&
           store_sql_bind_number(row, 6, key->now_ms) &&
           store_sql_finish(sql, row, problem);
}

static bool add_once(struct store_sql *sql, const void *context,
                     struct server_problem *problem)
{
    const struct adding *adding = context;
    if (find(sql, adding->key, adding->made, problem))
        return true;
    if (problem->code != SERVER_PROBLEM_NONE || !expire(sql, adding->key, problem) ||
        !adding->add(sql, adding->row, problem) || !add_key(sql, adding, problem))
        return false;
    snprintf(adding->made, ID_BYTES, "%s", adding->id);
    return true;
}

bool store_capture_add_once(struct store *store, const struct store_upload *upload,
                            const struct store_key *key, char made[ID_BYTES],
                            struct server_problem *problem)
{
    struct adding adding = {store_sqlite_add_upload, upload, upload->capture->id, key,
                            made};
    return store_writer_make(store->writer, add_once, &adding, problem);
}

bool store_analysis_add_once(struct store *store, const struct store_analysis *analysis,
                             const struct store_key *key, char made[ID_BYTES],
                             struct server_problem *problem)
{
    struct adding adding = {store_sqlite_add_analysis, analysis, analysis->id, key, made};
    return store_writer_make(store->writer, add_once, &adding, problem);
}
