/* One upload on its way to objects/: spool_upload_* of spool.h. */
#include "server/store/spool.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <gnutls/crypto.h>

#include "server/base/ids.h"
#include "server/store/content.h"
#include "server/store/spool_parts.h"
#include "server/store/spool_ring.h"

enum {
    SYNC_BYTES = 8 << 20, /* handed to the disk at a time */
    HEAD_BYTES = 16,
    DIGEST_BYTES = 32,
};

struct spool_upload {
    struct spool *spool;
    char name[ID_BYTES + 8]; /* below incoming/ */
    int file;
    int64_t declared_bytes;
    uint64_t limit_bytes;
    bool reserved; /* the disk has set the declared bytes aside */
    struct spool_ring *ring;

    /* The caller's side. */
    uint64_t bytes;
    uint8_t head[HEAD_BYTES];
    bool has_stripped; /* a CR, LF or NUL came: the body was not stripped of them */
    bool finished, kept;
    struct spool_upload *next_kept; /* of spool->keeping */
    char sha256[SPOOL_SHA256_DIGITS + 1];

    /* The second thread's side, until the ring has ended. */
    gnutls_hash_hd_t hash;
    uint64_t written, synced;
};

static bool write_whole(int file, const uint8_t *bytes, size_t count)
{
    while (count > 0) {
        ssize_t written = write(file, bytes, count);
        if (written < 0 && errno != EINTR)
            return false;
        if (written > 0) {
            bytes += written;
            count -= (size_t)written;
        }
    }
    return true;
}

static bool leaves_room(const struct spool_upload *upload, uint64_t bytes,
                        struct server_problem *problem)
{
    return spool_parts_room(upload->spool, bytes, "the upload's next", problem);
}

/* Writes a piece, hashes it and now and then lets the disk begin. */
static bool process_piece(void *context, const uint8_t *piece, size_t count,
                          struct server_problem *problem)
{
    struct spool_upload *upload = context;
    if (!write_whole(upload->file, piece, count))
        return spool_parts_problem(upload->spool, errno,
                                   "The upload could not be written", problem);
    int error = gnutls_hash(upload->hash, piece, count);
    if (error < 0)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The upload's SHA-256 cannot be computed: %s.",
                                  gnutls_strerror(error));
    upload->written += count;
    if (upload->written - upload->synced < SYNC_BYTES)
        return true;
    /* Only starts the writing; a failure of it is told by the fdatasync at the end. */
    sync_file_range(upload->file, (off_t)upload->synced,
                    (off_t)(upload->written - upload->synced), SYNC_FILE_RANGE_WRITE);
    upload->synced = upload->written;
    return upload->reserved || leaves_room(upload, SYNC_BYTES, problem);
}

/* Disk full is better told before a body than within it. */
static bool reserve(struct spool_upload *upload, struct server_problem *problem)
{
    int64_t bytes = upload->declared_bytes;
    if (!leaves_room(upload, bytes < 0 ? SYNC_BYTES : (uint64_t)bytes, problem))
        return false;
    if (bytes <= 0)
        return true;
    /* The length stays that of what is written; a file system that cannot reserve will
     * tell by the writes. */
    upload->reserved = fallocate(upload->file, FALLOC_FL_KEEP_SIZE, 0, bytes) == 0;
    return upload->reserved || errno == EOPNOTSUPP || errno == ENOSYS ||
           spool_parts_problem(upload->spool, errno, "There is no room for the upload",
                               problem);
}

static bool too_large(uint64_t limit_bytes, struct server_problem *problem)
{
    server_problem_set(
        problem, SERVER_PROBLEM_TOO_LARGE, NULL,
        "The upload is larger than the limit of %llu bytes; send a shorter "
        "recording, or start the daemon with a larger --max-upload.",
        (unsigned long long)limit_bytes);
    if (problem != NULL && problem->code == SERVER_PROBLEM_TOO_LARGE)
        problem->limit_bytes = limit_bytes;
    return false;
}

static bool start(struct spool_upload *upload, struct server_problem *problem)
{
    if (upload->declared_bytes > 0 &&
        (uint64_t)upload->declared_bytes > upload->limit_bytes)
        return too_large(upload->limit_bytes, problem);
    upload->file = openat(upload->spool->incoming, upload->name,
                          O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (upload->file < 0)
        return spool_parts_problem(upload->spool, errno,
                                   "The upload's file cannot be made", problem);
    if (!reserve(upload, problem))
        return false;
    int error = gnutls_hash_init(&upload->hash, GNUTLS_DIG_SHA256);
    if (error < 0) {
        upload->hash = NULL;
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The upload's SHA-256 cannot be computed: %s.",
                                  gnutls_strerror(error));
    }
    return spool_ring_start(process_piece, upload, &upload->ring, problem);
}

bool spool_upload_begin(struct spool *spool, int64_t declared_bytes, uint64_t limit_bytes,
                        struct spool_upload **ret, struct server_problem *problem)
{
    struct spool_upload *upload = calloc(1, sizeof *upload);
    if (upload == NULL)
        return spool_parts_problem(spool, ENOMEM, "The upload cannot begin", problem);
    upload->spool = spool;
    upload->file = -1;
    upload->declared_bytes = declared_bytes;
    upload->limit_bytes = limit_bytes;
    char id[ID_BYTES];
    id_new("up", id);
    snprintf(upload->name, sizeof upload->name, "%s.part", id);
    if (!start(upload, problem)) {
        spool_upload_free(upload);
        return false;
    }
    *ret = upload;
    return true;
}

/* What is known of the body by looking at it in passing. */
static void look(struct spool_upload *upload, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count && upload->bytes + i < HEAD_BYTES; i++)
        upload->head[upload->bytes + i] = bytes[i];
    if (!upload->has_stripped)
        upload->has_stripped = memchr(bytes, '\0', count) != NULL ||
                               memchr(bytes, '\r', count) != NULL ||
                               memchr(bytes, '\n', count) != NULL;
    upload->bytes += count;
}

void spool_upload_write(struct spool_upload *upload, const void *bytes, size_t count)
{
    assert(!upload->finished);
    look(upload, bytes, count);
    if (upload->bytes > upload->limit_bytes) {
        struct server_problem problem = {0};
        too_large(upload->limit_bytes, &problem);
        spool_ring_fail(upload->ring, &problem);
    } else {
        spool_ring_put(upload->ring, bytes, count);
    }
}

static void hexadecimal(const uint8_t digest[DIGEST_BYTES],
                        char text[SPOOL_SHA256_DIGITS + 1])
{
    for (size_t i = 0; i < DIGEST_BYTES; i++)
        snprintf(text + 2 * i, 3, "%02x", digest[i]);
}

static bool check_digest(struct spool_upload *upload, const uint8_t *want_sha256,
                         struct server_problem *problem)
{
    uint8_t digest[DIGEST_BYTES];
    gnutls_hash_deinit(upload->hash, digest);
    upload->hash = NULL;
    hexadecimal(digest, upload->sha256);
    if (want_sha256 == NULL || memcmp(digest, want_sha256, sizeof digest) == 0)
        return true;
    char wanted[SPOOL_SHA256_DIGITS + 1];
    hexadecimal(want_sha256, wanted);
    return server_problem_set(
        problem, SERVER_PROBLEM_DIGEST_MISMATCH, "Content-Digest",
        "The %llu bytes that arrived have SHA-256 %s, but the request "
        "says %s; send the file again.",
        (unsigned long long)upload->bytes, upload->sha256, wanted);
}

bool spool_upload_finish(struct spool_upload *upload, const uint8_t *want_sha256,
                         struct server_problem *problem)
{
    assert(!upload->finished);
    upload->finished = true;
    if (!spool_ring_end(upload->ring, problem))
        return false;
    if (upload->declared_bytes >= 0 && (uint64_t)upload->declared_bytes != upload->bytes)
        return server_problem_set(problem, SERVER_PROBLEM_BODY_MANGLED, "Content-Length",
                                  "%llu bytes arrived, but the request says %lld bytes; "
                                  "send the file again.",
                                  (unsigned long long)upload->bytes,
                                  (long long)upload->declared_bytes);
    if (!check_digest(upload, want_sha256, problem))
        return false;
    /* A failed sync is never repeated: the second one would succeed and mean nothing. */
    return fdatasync(upload->file) == 0 ||
           spool_parts_problem(upload->spool, errno,
                               "The upload could not be brought to the disk", problem);
}

int spool_upload_open(struct spool_upload *upload)
{
    if (upload->kept)
        return spool_open_content(upload->spool, upload->sha256);
    return openat(upload->spool->incoming, upload->name,
                  O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
}

int64_t spool_upload_mtime_ns(const struct spool_upload *upload)
{
    struct stat facts;
    return fstat(upload->file, &facts) == 0 ? content_mtime_ns(&facts) : 0;
}

uint64_t spool_upload_bytes(const struct spool_upload *upload)
{
    return upload->bytes;
}

const char *spool_upload_sha256(const struct spool_upload *upload)
{
    return upload->sha256;
}

/* Every file of these begins with its magic and holds zero bytes soon after. curl -d
 * drops CR, LF and NUL, and of a zero byte the rest of its line with it: of a WAV file no
 * more than the magic may be left. */
bool spool_upload_looks_mangled(const struct spool_upload *upload)
{
    static const char *const magics[] = {"RIFF", "RF64", "BW64", "riff",
                                         "FORM", "caff", "fLaC"};
    for (size_t i = 0; i < sizeof magics / sizeof *magics && !upload->has_stripped; i++)
        if (memcmp(upload->head, magics[i], 4) == 0) /* zeros follow a short body */
            return true;
    return false;
}

bool spool_upload_keep(struct spool_upload *upload, struct server_problem *problem)
{
    assert(upload->finished);
    struct spool *spool = upload->spool;
    char path[SPOOL_CONTENT_PATH_BYTES], folder_name[3];
    spool_parts_content_path(upload->sha256, path);
    snprintf(folder_name, sizeof folder_name, "%.2s", path);
    int error = 0;
    int folder = openat(spool->objects, folder_name, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder < 0) {
        error = errno;
        goto out;
    }
    /* The same content may be there already. Replacing it is as safe as leaving it (who
     * has it open keeps the old file), and heals one that was damaged. */
    pthread_mutex_lock(&spool->contents);
    if (renameat(spool->incoming, upload->name, spool->objects, path) == 0) {
        upload->kept = true;
        upload->next_kept = spool->keeping;
        spool->keeping = upload;
    } else {
        error = errno;
    }
    pthread_mutex_unlock(&spool->contents);
    if (error != 0)
        goto out;
    if (fsync(folder) != 0 || fsync(spool->incoming) != 0)
        error = errno;
out:
    if (folder >= 0)
        close(folder);
    return error == 0 ||
           spool_parts_problem(spool, error,
                               "The upload could not be brought to the disk", problem);
}

const struct spool_upload *spool_upload_next_kept(const struct spool_upload *upload)
{
    return upload->next_kept;
}

static void leave_kept(struct spool_upload *upload)
{
    struct spool *spool = upload->spool;
    pthread_mutex_lock(&spool->contents);
    struct spool_upload **link = &spool->keeping;
    while (*link != upload)
        link = &(*link)->next_kept;
    *link = upload->next_kept;
    pthread_mutex_unlock(&spool->contents);
}

void spool_upload_free(struct spool_upload *upload)
{
    if (upload == NULL)
        return;
    spool_ring_free(upload->ring); /* first: its thread uses the rest */
    if (upload->hash != NULL)
        gnutls_hash_deinit(upload->hash, NULL);
    if (upload->file >= 0)
        close(upload->file);
    if (upload->kept)
        leave_kept(upload);
    else if (upload->file >= 0)
        unlinkat(upload->spool->incoming, upload->name, 0);
    free(upload);
}
