/**
 * Files of the state folder: lock, incoming/, objects/xx/SHA256, orphans/SHA256,
 * results/ID, rendered/.
 *
 * Order that loses nothing: pieces → incoming/ID.part, hashed on a second thread → length
 * and digest checked → fdatasync → (the caller inspects and may discard) → rename into
 * objects/ → fsync of both folders → the caller commits the row → only then 201.
 */
#ifndef SERVER_STORE_SPOOL_H
#define SERVER_STORE_SPOOL_H

#include <limits.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "server/base/problem.h"
#include "server/store/store.h"

struct spool;
struct spool_upload;

/** Makes the folder (0700) and its sub-folders, takes STATE/lock (a second daemon on the
 * same folder is refused with a sentence). */
bool spool_open(const char *state_folder, struct spool **ret,
                struct server_problem *problem) __attribute__((warn_unused_result));
void spool_close(struct spool *spool);
/** Start-up: removes partial uploads and partial results, moves contents and results
 * without a row to orphans/, marks captures whose file is missing or has another length
 * and names them, and results that are missing, in the log. A file of another time than
 * the row's is noted for content_checks_start. */
bool spool_sweep(struct spool *spool, struct store *store, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Gives up the ballast when the disk is full and makes it again when there is room:
 * called every few seconds. */
void spool_tend(struct spool *spool);
/** Free bytes on the state folder's file system. */
uint64_t spool_free_bytes(const struct spool *spool);

/** Begins an upload of at most `limit_bytes`; declared_bytes ≥ 0 reserves the space (disk
 * full is told here), −1 when unknown. Uploads leave 16 MiB of the disk free, so that the
 * database can still commit: DISK_FULL tells so here or within the body. */
bool spool_upload_begin(struct spool *spool, int64_t declared_bytes, uint64_t limit_bytes,
                        struct spool_upload **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Copies a piece into the upload's ring (256 KiB) for its second thread, which writes
 * and hashes; blocks only while the ring is full. After a failure (too large, disk full)
 * the rest is swallowed and spool_upload_finish tells the first problem. */
void spool_upload_write(struct spool_upload *upload, const void *bytes, size_t count);
/** Waits for the thread, checks length (BODY_MANGLED when it is not the declared one) and
 *  digest (want_sha256: 32 raw bytes or NULL), makes the bytes durable. Blocks: not to be
 *  called on a thread that serves connections. */
bool spool_upload_finish(struct spool_upload *upload, const uint8_t *want_sha256,
                         struct server_problem *problem)
    __attribute__((warn_unused_result));
/** After finish: a fresh read-only descriptor, or −1; the first bytes; the facts. */
int spool_upload_open(struct spool_upload *upload);
/** The time of the content's file, as rows keep it. */
int64_t spool_upload_mtime_ns(const struct spool_upload *upload);
uint64_t spool_upload_bytes(const struct spool_upload *upload);
const char *spool_upload_sha256(const struct spool_upload *upload);
/** True when the body begins like a recording (WAV, W64, AIFF, CAF, FLAC) but has no CR,
 * LF or NUL byte: what `curl -d` leaves. */
bool spool_upload_looks_mangled(const struct spool_upload *upload);
/** Keeps the content: into objects/ (in place of the same content, if it is there
 * already), both folders synced. Until the free nobody removes it: the caller adds the
 * row before, or else has it removed after. */
bool spool_upload_keep(struct spool_upload *upload, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Ends an upload in any stage, NULL included: joins the thread, removes the part file. A
 *  content kept stays. */
void spool_upload_free(struct spool_upload *upload);

/** Removes a content that no row names any more, once its rows are gone; leaves it where
 * a row still does, where an upload is about to add one, and where that cannot be told.
 */
void spool_remove_content(struct spool *spool, struct store *store, const char *sha256);
/** Removes a finished result, once its row is gone. */
void spool_remove_result(struct spool *spool, const char *analysis_id);
/** While held (by one at a time) the two calls above only take note; the release makes up
 * for them. */
void spool_hold(struct spool *spool);
void spool_release(struct spool *spool, struct store *store);

/** A fresh read-only descriptor of a content, or −1. */
int spool_open_content(const struct spool *spool, const char *sha256);

/** The id of an analysis has the shape of ids.h in all calls below. A new empty file for
 * one attempt of an analysis, open for writing, or −1 with a problem: DISK_FULL where a
 * result might take what uploads, too, leave free. */
int spool_result_begin(struct spool *spool, const char *analysis_id, int attempt,
                       struct server_problem *problem);
/** Syncs the attempt's file and renames it to the analysis's result. */
bool spool_result_keep(struct spool *spool, const char *analysis_id, int attempt,
                       struct server_problem *problem)
    __attribute__((warn_unused_result));
void spool_result_discard(struct spool *spool, const char *analysis_id, int attempt);
/** A fresh read-only descriptor of a finished result, or −1 with errno: ENOENT when there
 * is none. */
int spool_open_result(const struct spool *spool, const char *analysis_id);

#endif
