#include "server/store/spool.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "server/base/ids.h"
#include "server/store/ballast.h"
#include "server/store/rendered.h"
#include "server/store/spool_parts.h"

bool spool_parts_problem(const struct spool *spool, int error, const char *what,
                         struct server_problem *problem)
{
    if (error == ENOSPC || error == EDQUOT)
        return server_problem_set(problem, SERVER_PROBLEM_DISK_FULL, NULL,
                                  "%s: the disk of the state folder is full (%llu bytes "
                                  "are free); free some space and try again.",
                                  what, (unsigned long long)spool_free_bytes(spool));
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                              "%s (%s); check the disk and the permissions of the state "
                              "folder.",
                              what, strerror(error));
}

static bool has_room(const struct spool *spool, uint64_t bytes)
{
    uint64_t free_bytes = spool_free_bytes(spool);
    return free_bytes >= SPOOL_FLOOR_BYTES && free_bytes - SPOOL_FLOOR_BYTES >= bytes;
}

bool spool_parts_room(const struct spool *spool, uint64_t bytes, const char *what,
                      struct server_problem *problem)
{
    if (has_room(spool, bytes))
        return true;
    rendered_make_room(spool, SPOOL_FLOOR_BYTES + bytes);
    if (has_room(spool, bytes))
        return true;
    uint64_t free_bytes = spool_free_bytes(spool);
    return server_problem_set(
        problem, SERVER_PROBLEM_DISK_FULL, NULL,
        "There is no room for %s %llu bytes: %llu bytes are free on the disk of the "
        "state "
        "folder, of which %d are kept for the database; free some space and try again.",
        what, (unsigned long long)bytes, (unsigned long long)free_bytes,
        SPOOL_FLOOR_BYTES);
}

bool spool_parts_is_sha256(const char *text)
{
    return strspn(text, "0123456789abcdef") == SPOOL_SHA256_DIGITS &&
           text[SPOOL_SHA256_DIGITS] == '\0';
}

void spool_parts_content_path(const char *sha256, char path[SPOOL_CONTENT_PATH_BYTES])
{
    snprintf(path, SPOOL_CONTENT_PATH_BYTES, "%.2s/%.64s", sha256, sha256);
}

/* Makes a folder unless it exists, and brings its name to the disk. */
static bool make_one_folder(const char *path)
{
    if (mkdir(path, 0700) != 0)
        return errno == EEXIST;
    char parent[PATH_MAX];
    const char *slash = strrchr(path, '/');
    int length = slash == NULL ? 0 : slash == path ? 1 : (int)(slash - path);
    snprintf(parent, sizeof parent, "%.*s", length > 0 ? length : 1,
             length > 0 ? path : ".");
    int folder = open(parent, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder < 0)
        return false;
    bool synced = fsync(folder) == 0;
    close(folder);
    return synced;
}

/* The folder and those above it. */
static bool make_state_folder(const char *path)
{
    char part[PATH_MAX];
    for (const char *slash = path; (slash = strchr(slash + 1, '/')) != NULL;) {
        snprintf(part, sizeof part, "%.*s", (int)(slash - path), path);
        /* Folders above that exist may be closed to us for writing: only making counts.
         */
        if (access(part, F_OK) != 0 && !make_one_folder(part))
            return false;
    }
    return make_one_folder(path);
}

static int open_folder(int parent, const char *name)
{
    if (mkdirat(parent, name, 0700) != 0 && errno != EEXIST)
        return -1;
    return openat(parent, name, O_RDONLY | O_DIRECTORY | O_CLOEXEC | O_NOFOLLOW);
}

static bool open_folders(struct spool *spool)
{
    spool->incoming = open_folder(spool->root, "incoming");
    spool->objects = open_folder(spool->root, "objects");
    spool->orphans = open_folder(spool->root, "orphans");
    spool->results = open_folder(spool->root, "results");
    spool->rendered = open_folder(spool->root, "rendered");
    if (spool->incoming < 0 || spool->objects < 0 || spool->orphans < 0 ||
        spool->results < 0 || spool->rendered < 0)
        return false;
    /* All 256 at once: an upload then has no folder to make and to sync. */
    for (int i = 0; i < 256; i++) {
        char name[3];
        snprintf(name, sizeof name, "%02x", (unsigned)i);
        if (mkdirat(spool->objects, name, 0700) != 0 && errno != EEXIST)
            return false;
    }
    return fsync(spool->objects) == 0 && fsync(spool->root) == 0;
}

/* An flock belongs to this open file: a second daemon meets it, and so does a second
 * spool_open within this process. */
static bool take_lock(struct spool *spool, struct server_problem *problem)
{
    spool->lock = openat(spool->root, "lock", O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (spool->lock >= 0 && flock(spool->lock, LOCK_EX | LOCK_NB) == 0)
        return true;
    if (errno == EWOULDBLOCK)
        return server_problem_set(
            problem, SERVER_PROBLEM_CONFLICT, NULL,
            "Another residuumd uses the state folder %.200s; stop it "
            "or give this one another folder with --state.",
            spool->path);
    return spool_parts_problem(spool, errno, "The state folder cannot be locked",
                               problem);
}

bool spool_open(const char *state_folder, struct spool **ret,
                struct server_problem *problem)
{
    struct spool *spool = malloc(sizeof *spool);
    if (spool == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "There is no memory for the state folder's records.");
    *spool = (struct spool){.lock = -1,
                            .root = -1,
                            .incoming = -1,
                            .objects = -1,
                            .orphans = -1,
                            .results = -1,
                            .rendered = -1};
    pthread_mutex_init(&spool->contents, NULL);
    bool opened = false;
    char what[256];
    snprintf(what, sizeof what, "The state folder %.200s cannot be used", state_folder);
    if (strlen(state_folder) >= sizeof spool->path) {
        spool_parts_problem(spool, ENAMETOOLONG, what, problem);
        goto out;
    }
    memcpy(spool->path, state_folder, strlen(state_folder) + 1);
    if (make_state_folder(spool->path))
        spool->root = open(spool->path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (spool->root < 0) {
        spool_parts_problem(spool, errno, what, problem);
        goto out;
    }
    if (!take_lock(spool, problem))
        goto out;
    spool_tend(spool);
    opened = open_folders(spool);
    if (!opened)
        spool_parts_problem(spool, errno, what, problem);
out:
    if (opened)
        *ret = spool;
    else
        spool_close(spool);
    return opened;
}

void spool_close(struct spool *spool)
{
    if (spool == NULL)
        return;
    int descriptors[] = {spool->incoming, spool->objects, spool->orphans, spool->results,
                         spool->rendered, spool->root,    spool->lock};
    for (size_t i = 0; i < sizeof descriptors / sizeof descriptors[0]; i++)
        if (descriptors[i] >= 0)
            close(descriptors[i]);
    pthread_mutex_destroy(&spool->contents);
    free(spool->doubtful);
    free(spool);
}

uint64_t spool_free_bytes(const struct spool *spool)
{
    struct statvfs file_system;
    if (fstatvfs(spool->root, &file_system) != 0)
        return 0;
    return (uint64_t)file_system.f_bavail * file_system.f_frsize;
}

void spool_tend(struct spool *spool)
{
    ballast_tend(spool->root);
}

int spool_open_content(const struct spool *spool, const char *sha256)
{
    char path[SPOOL_CONTENT_PATH_BYTES];
    if (!spool_parts_is_sha256(sha256))
        return -1;
    spool_parts_content_path(sha256, path);
    return openat(spool->objects, path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
}
