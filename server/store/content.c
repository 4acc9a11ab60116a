#include "server/store/content.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <gnutls/crypto.h>

#include "server/base/log.h"
#include "server/store/spool_parts.h"

enum { BLOCK_BYTES = 1 << 20, DIGEST_BYTES = 32, NS_PER_S = 1000000000 };

struct content_checks {
    struct spool *spool;
    struct store *store;
    atomic_bool stopping;
    pthread_t thread;
};

int64_t content_mtime_ns(const struct stat *facts)
{
    return (int64_t)facts->st_mtim.tv_sec * NS_PER_S + facts->st_mtim.tv_nsec;
}

/* Every byte from the start; false with errno, ECANCELED when *stop became true. */
static bool hash_bytes(int file, const atomic_bool *stop, gnutls_hash_hd_t hash)
{
    uint8_t *block = malloc(BLOCK_BYTES);
    ssize_t got = block != NULL ? 1 : -1;
    for (off_t at = 0; got > 0; at += got) {
        if (stop != NULL && atomic_load(stop)) {
            errno = ECANCELED;
            got = -1;
            break;
        }
        do
            got = pread(file, block, BLOCK_BYTES, at);
        while (got < 0 && errno == EINTR);
        if (got > 0 && gnutls_hash(hash, block, (size_t)got) < 0) {
            errno = ENOMEM;
            got = -1;
        }
    }
    free(block);
    return got == 0;
}

/* Whether the file's bytes have that SHA-256; false with errno where that is not known.
 */
static bool hash_file(int file, const char *sha256, const atomic_bool *stop,
                      bool *ret_right)
{
    gnutls_hash_hd_t hash;
    uint8_t digest[DIGEST_BYTES];
    char text[SPOOL_SHA256_DIGITS + 1];
    if (gnutls_hash_init(&hash, GNUTLS_DIG_SHA256) < 0) {
        errno = ENOMEM;
        return false;
    }
    bool hashed = hash_bytes(file, stop, hash);
    int error = errno;
    gnutls_hash_deinit(hash, digest);
    errno = error;
    for (size_t i = 0; i < DIGEST_BYTES; i++)
        snprintf(text + 2 * i, 3, "%02x", digest[i]);
    *ret_right = strcmp(text, sha256) == 0;
    return hashed;
}

/* What an error of opening or reading says of the file. */
static bool is_passing(int error)
{
    return error == EMFILE || error == ENFILE || error == ENOMEM || error == ECANCELED;
}

static bool expired(const struct store_capture *capture, const char *field,
                    const char *what, struct server_problem *problem)
{
    return server_problem_set(
        problem, SERVER_PROBLEM_AUDIO_EXPIRED, field,
        "The file objects/%.2s/%s of the recording %s %s; put it back from a backup, or "
        "upload the recording again.",
        capture->sha256, capture->sha256, capture->id, what);
}

/* A row that cannot be written now keeps what it knew: the next check finds it again. */
static void record(struct store *store, const struct store_capture *capture,
                   enum store_audio audio, int64_t mtime_ns)
{
    static const char *const words[] = {
        [STORE_AUDIO_PRESENT] = "right", /* again */
        [STORE_AUDIO_MISSING] = "missing",
        [STORE_AUDIO_CHANGED] = "changed",
    };
    struct server_problem problem = {0};
    const struct store_finding finding = {capture->sha256, audio, mtime_ns,
                                          capture->content_mtime_ns};
    if (audio != capture->audio)
        log_line(audio == STORE_AUDIO_PRESENT ? LOG_LEVEL_INFO : LOG_LEVEL_ERROR,
                 "capture %s (\"%s\"): its file objects/%.2s/%s is %s", capture->id,
                 capture->name, capture->sha256, capture->sha256, words[audio]);
    if ((audio != capture->audio || mtime_ns != capture->content_mtime_ns) &&
        !store_content_found(store, &finding, &problem))
        log_line(LOG_LEVEL_WARNING,
                 "capture %s: what was found of its file could not be "
                 "recorded: %s",
                 capture->id, problem.detail);
}

/* False with the problem unless the open file is the right one. */
static bool check(int file, struct store *store, const struct store_capture *capture,
                  const char *field, const atomic_bool *stop,
                  struct server_problem *problem)
{
    struct stat facts;
    if (fstat(file, &facts) != 0)
        return expired(capture, field, "cannot be looked at", problem);
    bool right = S_ISREG(facts.st_mode) && (uint64_t)facts.st_size == capture->bytes;
    int64_t mtime_ns = content_mtime_ns(&facts);
    bool known =
        capture->audio == STORE_AUDIO_PRESENT && capture->content_mtime_ns == mtime_ns;
    if (right && !known && !hash_file(file, capture->sha256, stop, &right)) {
        if (is_passing(errno))
            return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, field,
                                      "The file of the recording %s cannot be checked "
                                      "now (%s).",
                                      capture->id, strerror(errno));
        return expired(capture, field, "cannot be read", problem);
    }
    record(store, capture, right ? STORE_AUDIO_PRESENT : STORE_AUDIO_CHANGED,
           right ? mtime_ns : 0);
    return right || expired(capture, field, "was changed since it was uploaded", problem);
}

/* Its row was read before; whoever deletes a capture removes the row first. */
static bool was_deleted(struct store *store, const char *id)
{
    struct server_problem problem = {0};
    struct store_capture capture;
    if (!store_capture_get(store, id, &capture, &problem))
        return problem.code == SERVER_PROBLEM_NONE;
    store_capture_free(&capture);
    return false;
}

static int open_checked(struct spool *spool, struct store *store,
                        const struct store_capture *capture, const char *field,
                        const atomic_bool *stop, struct server_problem *problem)
{
    int file = spool_open_content(spool, capture->sha256), error = errno;
    if (file < 0 && is_passing(error)) {
        server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, field,
                           "The file of the recording %s cannot be opened now (%s); this "
                           "is tried again.",
                           capture->id, strerror(error));
    } else if (file < 0 && error == ENOENT && was_deleted(store, capture->id)) {
        server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, field,
                           "The recording %s has just been deleted.", capture->id);
    } else if (file < 0 && error == ENOENT) {
        record(store, capture, STORE_AUDIO_MISSING, 0);
        expired(capture, field, "is missing from the state folder", problem);
    } else if (file < 0) {
        expired(capture, field, "cannot be opened", problem);
    } else if (!check(file, store, capture, field, stop, problem)) {
        close(file);
        file = -1;
    }
    return file;
}

int content_open(struct spool *spool, struct store *store,
                 const struct store_capture *capture, const char *field,
                 struct server_problem *problem)
{
    return open_checked(spool, store, capture, field, NULL, problem);
}

/* What it finds is recorded and logged there. */
static void check_capture(struct content_checks *checks, const char *id)
{
    struct server_problem problem = {0};
    struct store_capture capture;
    if (!store_capture_get(checks->store, id, &capture, &problem))
        return; /* removed meanwhile */
    int file = open_checked(checks->spool, checks->store, &capture, NULL,
                            &checks->stopping, &problem);
    if (file >= 0)
        close(file);
    store_capture_free(&capture);
}

static void *check_all(void *context)
{
    struct content_checks *checks = context;
    const struct spool *spool = checks->spool;
    for (size_t i = 0; i < spool->doubtful_count && !atomic_load(&checks->stopping); i++)
        check_capture(checks, spool->doubtful[i]);
    return NULL;
}

bool content_checks_start(struct spool *spool, struct store *store,
                          struct content_checks **ret, struct server_problem *problem)
{
    struct content_checks *checks = calloc(1, sizeof *checks);
    int error = checks != NULL ? 0 : ENOMEM;
    if (error == 0) {
        checks->spool = spool;
        checks->store = store;
        error = pthread_create(&checks->thread, NULL, check_all, checks);
    }
    if (error != 0) {
        free(checks);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The check of the recordings cannot be started: %s.",
                                  strerror(error));
    }
    *ret = checks;
    return true;
}

void content_checks_stop(struct content_checks *checks)
{
    if (checks == NULL)
        return;
    atomic_store(&checks->stopping, true);
    pthread_join(checks->thread, NULL);
    free(checks);
}
