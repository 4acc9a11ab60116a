/**
 * What the daemon remembers: captures and analyses. No SQL and no type of the database
 * leaks through here. All calls are thread-safe; every add and finish returns only when
 * the change is durable. Writers queue to the one writing thread, which commits what is
 * waiting together.
 */
#ifndef SERVER_STORE_STORE_H
#define SERVER_STORE_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "server/base/ids.h"
#include "server/base/problem.h"

struct store;

enum store_audio { /* the recording's file, as the start-up found it */
                   STORE_AUDIO_PRESENT,
                   STORE_AUDIO_MISSING,
                   STORE_AUDIO_CHANGED,
};

enum store_state {
    STORE_QUEUED,
    STORE_RUNNING, /* never in the database: known to the queue only */
    STORE_DONE,
    STORE_FAILED,
    STORE_CANCELLED,
};

/** Can the recording be trusted: what the job that looks left. */
struct store_health {
    enum store_state state; /* queued, done or failed */
    int attempts;           /* deaths of its worker since it was queued */
    char *report;           /* JSON {channels, warnings}; NULL unless it was done: one
                               queued again keeps the former */
    char *suggested;        /* JSON array; goes with the report */
    char *problem;          /* JSON object {code, title, detail, field?}; NULL unless
                               failed */
};

struct store_capture {
    char id[ID_BYTES];
    char *name;          /* never NULL; "" when not given */
    char *note;          /* never NULL */
    char *tester;        /* never NULL */
    int64_t received_ms; /* wall clock */
    uint64_t bytes;
    char sha256[65]; /* lower-case hex */
    char *format;    /* JSON object as `inspect` gave it, or NULL when it failed */
    char *warnings;  /* JSON array, never NULL */
    bool pinned;     /* not to be deleted */
    enum store_audio audio;
    int64_t content_mtime_ns; /* of its file when it was known to be right; 0: unknown */
    char *signal; /* JSON object {name, parameters}: what was played; or NULL */
    struct store_health health;
    bool quarantined; /* it has killed as many workers as it may: none may have it */
};

struct store_analysis {
    char id[ID_BYTES];
    char capture[ID_BYTES];
    char floor_capture[ID_BYTES]; /* the recorder on itself; "" when not given */
    char *measurement;
    char *settings; /* JSON object as validated: only what the tester gave */
    char *signal;   /* JSON object {name, parameters}: what was played; or NULL */
    char *tester;
    enum store_state state;
    int attempts; /* deaths of its worker so far */
    int64_t created_ms;
    int64_t started_ms;  /* 0: not yet */
    int64_t finished_ms; /* 0: not yet */
    char *problem;       /* JSON object {code, title, detail, field?} or NULL */
};

/** Opens STATE/residuum.db, made if missing, brought up to date if older. Refuses a newer
 * version and a damaged file, each with a sentence. The folder exists and is locked by
 * the caller (spool_open). */
bool store_open(const char *state_folder, struct store **ret,
                struct server_problem *problem) __attribute__((warn_unused_result));
void store_close(struct store *store);
/** False after a sync of the disk has failed: every change is refused until the next
 * start. */
bool store_takes_changes(const struct store *store);

/** A key by which a tester's request is obeyed once: given again with the same request
 * within LIMIT_KEY_S, it tells what was made then. */
struct store_key {
    const char *tester, *path, *key;
    char asked[65]; /* SHA-256 of what is asked, store_key_digest */
    int64_t now_ms; /* wall clock */
};

/** Fills `ret` with the SHA-256 of a text, as 64 lower-case hexadecimal digits. */
void store_key_digest(const char *text, char ret[65]);
/** Fills `made` with the id of what the key made. False with *problem untouched when the
 * key is new; KEY_REUSED when it came with another request. */
bool store_key_find(struct store *store, const struct store_key *key, char made[ID_BYTES],
                    struct server_problem *problem) __attribute__((warn_unused_result));

/** A capture and the analyses that are ordered with it: all is added, or nothing. Their
 * created_ms is the capture's received_ms. */
struct store_upload {
    const struct store_capture *capture;
    const struct store_analysis *analyses; /* of this capture */
    int count;
};
bool store_capture_add(struct store *store, const struct store_upload *upload,
                       struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Adds the upload and the key together and fills `made` with the capture's id; or adds
 * nothing and fills it with the id of what the key made before. KEY_REUSED as above. */
bool store_capture_add_once(struct store *store, const struct store_upload *upload,
                            const struct store_key *key, char made[ID_BYTES],
                            struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Changes what the tester says of it; NULL, false and −1 leave a part as it is.
 * NOT_FOUND; CONFLICT for a signal while it is quarantined and stays so.
 * Another signal queues the health again, and so does the end of a quarantine where the
 * health had failed. */
struct store_capture_change {
    const char *name, *note;
    int pinned;         /* 0, 1 or −1 */
    bool has_signal;    /* then the signal becomes … */
    const char *signal; /* … this, or none (NULL) */
    bool lift;          /* it is not quarantined any more */
};
bool store_capture_change(struct store *store, const char *id,
                          const struct store_capture_change *change,
                          struct server_problem *problem)
    __attribute__((warn_unused_result));

/** What has no row any more: its files are the caller's to remove. */
struct store_removed {
    char sha256[65]; /* the capture's content; another capture may have it, too */
    char (*analyses)[ID_BYTES];
    int count;
};

/** Removes a capture with its analyses. Gives *ret (store_removed_free). NOT_FOUND;
 * CONFLICT when it is pinned, while one of its analyses is queued or runs, or when an
 * analysis of another capture names it as its floor. */
bool store_capture_remove(struct store *store, const char *id, struct store_removed *ret,
                          struct server_problem *problem)
    __attribute__((warn_unused_result));
void store_removed_free(struct store_removed *removed);

/** False with *problem untouched when there is none, with it set when the database could
 * not tell. Free with store_capture_free. */
bool store_capture_get(struct store *store, const char *id, struct store_capture *ret,
                       struct server_problem *problem)
    __attribute__((warn_unused_result));
void store_capture_free(struct store_capture *capture);

/** The end of a health job. */
struct store_health_end {
    const char *id;     /* of the capture */
    const char *signal; /* that it was looked at with, or NULL */
    struct store_health health;
    const char *format; /* JSON: takes the place of the capture's; NULL leaves it */
    bool quarantined;   /* from now on */
};
/** Records it. NOT_FOUND when the capture has been deleted; CONFLICT when its health is
 * not queued any more, or its signal has changed since. */
bool store_health_finish(struct store *store, const struct store_health_end *end,
                         struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Records a death of its worker, the state staying queued. Fails as the above. */
bool store_health_attempt(struct store *store, const char *id, int attempts,
                          struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Health that had failed is queued anew, where the capture is not quarantined; else
 * nothing changes. */
bool store_health_again(struct store *store, const char *id,
                        struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Calls `each` for every capture whose health is queued, oldest first (start-up). */
bool store_each_unwell(struct store *store,
                       void (*each)(const struct store_capture *capture, void *context),
                       void *context, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** NOT_FOUND with field "capture" or "floor_capture" when there is no such capture. */
bool store_analysis_add(struct store *store, const struct store_analysis *analysis,
                        struct server_problem *problem)
    __attribute__((warn_unused_result));
/** As store_capture_add_once. */
bool store_analysis_add_once(struct store *store, const struct store_analysis *analysis,
                             const struct store_key *key, char made[ID_BYTES],
                             struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Removes one that has ended. NOT_FOUND; CONFLICT while it is queued or runs. */
bool store_analysis_remove(struct store *store, const char *id,
                           struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Records the end: state, attempts, started, finished and problem of *analysis. CONFLICT
 * when it has ended before (the first end stays), NOT_FOUND when there is none. */
bool store_analysis_finish(struct store *store, const struct store_analysis *analysis,
                           struct server_problem *problem)
    __attribute__((warn_unused_result));
/** The same, and quarantines its capture. */
bool store_analysis_quarantine(struct store *store, const struct store_analysis *analysis,
                               struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Records a death of its worker (attempts), the state staying queued. Fails as the
 * above. */
bool store_analysis_attempt(struct store *store, const char *id, int attempts,
                            struct server_problem *problem)
    __attribute__((warn_unused_result));
/** As store_capture_get. */
bool store_analysis_get(struct store *store, const char *id, struct store_analysis *ret,
                        struct server_problem *problem)
    __attribute__((warn_unused_result));
void store_analysis_free(struct store_analysis *analysis);

/** Which items of a list: NULL or −1 for "any". Newest first. `before` is the cursor of
 * the page before (0: from the newest). A limit outside 1…LIMIT_PAGE_ITEMS is
 * OUT_OF_RANGE. STORE_RUNNING finds nothing: running analyses are `queued` here, and
 * `ids` tells them apart. */
enum { STORE_QUERY_IDS_MAX = 64 };
struct store_query {
    const char *tester;
    const char *capture;     /* analyses only */
    const char *measurement; /* analyses only */
    int state;               /* analyses only: enum store_state or −1 */
    const char (
        *ids)[ID_BYTES]; /* analyses only: these alone, or all but these; NULL: any */
    int id_count;        /* at most STORE_QUERY_IDS_MAX */
    bool ids_excluded;
    int64_t before;
    int limit;
};

struct store_capture_page {
    struct store_capture *items;
    int count;
    int64_t next; /* cursor of the next page; 0: this is the last */
};
bool store_capture_list(struct store *store, const struct store_query *query,
                        struct store_capture_page *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
void store_capture_page_free(struct store_capture_page *page);

struct store_analysis_page {
    struct store_analysis *items;
    int count;
    int64_t next;
};
bool store_analysis_list(struct store *store, const struct store_query *query,
                         struct store_analysis_page *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
void store_analysis_page_free(struct store_analysis_page *page);

/** Calls `each` for every analysis that was added with the capture, oldest first. */
bool store_each_ordered(struct store *store, const struct store_capture *capture,
                        void (*each)(const struct store_analysis *analysis,
                                     void *context),
                        void *context, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Calls `each` for every queued analysis, oldest first (start-up). */
bool store_each_queued(struct store *store,
                       void (*each)(const struct store_analysis *analysis, void *context),
                       void *context, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** True when a capture row refers to this content, or when that cannot be told: "no" lets
 * the file be removed. */
bool store_has_content(struct store *store, const char *sha256);
/** The file of a capture, as its row knows it. */
struct store_content {
    const char *capture, *name, *sha256;
    uint64_t bytes;
    enum store_audio audio;
    int64_t mtime_ns; /* 0: unknown */
};
/** What is found of it now. Called on the writing thread: must not call the store. */
typedef enum store_audio store_look(const struct store_content *content, void *context);
/** Records of every capture what `look` finds of its file. */
bool store_mark_audio(struct store *store, store_look *look, void *context,
                      struct server_problem *problem) __attribute__((warn_unused_result));
/** What was found of a content. */
struct store_finding {
    const char *sha256;
    enum store_audio audio;
    int64_t mtime_ns;       /* of the file that was found right, else 0 */
    int64_t known_mtime_ns; /* as the row had it before; −1: whatever it had */
};
/** Records it of every capture of the content, but where an upload has replaced the file
 * since the row was read. */
bool store_content_found(struct store *store, const struct store_finding *finding,
                         struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Calls `each` for every analysis that is done. */
bool store_each_result(struct store *store,
                       void (*each)(const char *analysis_id, void *context),
                       void *context, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** A file that a row of a copy names: a content by its SHA-256, a result by its analysis.
 *  False ends the visits. */
typedef bool store_copy_visit(void *context, const char *name,
                              struct server_problem *problem);
struct store_copy_visitor {
    store_copy_visit *content, *result;
    void *context;
};
/** Copies the database, as it is at one instant, into the new file `path`, and then
 * visits every file that the copy names. Writing goes on meanwhile. */
bool store_copy(struct store *store, const char *path,
                const struct store_copy_visitor *visitor, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** A problem as rows keep it: {code, title, detail, field?}. Gives; NULL: no memory. */
char *store_failure_text(const struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Reads one; false where the text is NULL or tells of no problem. */
bool store_failure_read(const char *text, struct server_problem *ret)
    __attribute__((warn_unused_result));

/** "present", "missing", "changed". */
const char *store_audio_text(enum store_audio audio);

/** "queued", "running", "done", "failed", "cancelled"; and back (−1: none of them). */
const char *store_state_text(enum store_state state);
int store_state_from_text(const char *text);

#endif
