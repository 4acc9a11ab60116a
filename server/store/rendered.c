#include "server/store/rendered.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <gnutls/crypto.h>

#include "server/base/limits.h"
#include "server/store/spool_parts.h"

enum { DIGEST_BYTES = 32, DISK_PART = 10 };

struct entry {
    char name[RENDERED_NAME_BYTES];
    uint64_t bytes;
    struct timespec used;
};

struct listing {
    struct entry *entries;
    size_t count, room;
    uint64_t bytes; /* of all */
};

bool rendered_key(const char *facts, char key[RENDERED_KEY_BYTES],
                  struct server_problem *problem)
{
    uint8_t digest[DIGEST_BYTES];
    if (gnutls_hash_fast(GNUTLS_DIG_SHA256, facts, strlen(facts), digest) < 0)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "There is no memory to look for the signal.");
    for (size_t i = 0; i < DIGEST_BYTES; i++)
        snprintf(key + 2 * i, 3, "%02x", digest[i]);
    return true;
}

/* The bytes of "KEY.BYTES", or −1 where the name has another shape. */
static int64_t name_bytes(const char *name)
{
    if (strspn(name, "0123456789abcdef") != SPOOL_SHA256_DIGITS ||
        name[SPOOL_SHA256_DIGITS] != '.')
        return -1;
    const char *digits = name + SPOOL_SHA256_DIGITS + 1;
    size_t length = strlen(digits);
    if (length < 1 || length > 18 || strspn(digits, "0123456789") != length)
        return -1;
    return strtoll(digits, NULL, 10);
}

bool rendered_is_whole(const struct spool *spool, const char *name)
{
    struct stat facts;
    return fstatat(spool->rendered, name, &facts, AT_SYMLINK_NOFOLLOW) == 0 &&
           S_ISREG(facts.st_mode) && name_bytes(name) == facts.st_size;
}

static bool add_entry(struct listing *listing, const char *name, const struct stat *facts)
{
    if (listing->count == listing->room) {
        size_t room = listing->room == 0 ? 64 : 2 * listing->room;
        struct entry *grown = realloc(listing->entries, room * sizeof *grown);
        if (grown == NULL)
            return false;
        listing->entries = grown;
        listing->room = room;
    }
    struct entry *entry = &listing->entries[listing->count++];
    snprintf(entry->name, sizeof entry->name, "%.95s", name);
    entry->bytes = (uint64_t)facts->st_size;
    entry->used = facts->st_mtim;
    listing->bytes += entry->bytes;
    return true;
}

/* Our files whose names begin with `key` ("": all). What cannot be listed is not there.
 */
static struct listing list(const struct spool *spool, const char *key)
{
    struct listing listing = {0};
    int folder =
        openat(spool->rendered, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC | O_NOFOLLOW);
    DIR *entries = folder >= 0 ? fdopendir(folder) : NULL;
    const struct dirent *entry;
    struct stat facts;
    while (entries != NULL && (entry = readdir(entries)) != NULL)
        if (strncmp(entry->d_name, key, strlen(key)) == 0 &&
            name_bytes(entry->d_name) >= 0 &&
            fstatat(folder, entry->d_name, &facts, AT_SYMLINK_NOFOLLOW) == 0 &&
            !add_entry(&listing, entry->d_name, &facts))
            break;
    if (entries != NULL)
        closedir(entries);
    else if (folder >= 0)
        close(folder);
    return listing;
}

static int open_whole(const struct spool *spool, const char *name)
{
    struct stat facts;
    int file = openat(spool->rendered, name, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (file >= 0 && fstat(file, &facts) == 0 && S_ISREG(facts.st_mode) &&
        name_bytes(name) == facts.st_size) {
        futimens(file, NULL); /* used now */
        return file;
    }
    if (file >= 0)
        close(file);
    unlinkat(spool->rendered, name, 0);
    return -1;
}

int rendered_open(const struct spool *spool, const char *key)
{
    struct listing listing = list(spool, key);
    int file = -1;
    for (size_t i = 0; i < listing.count && file < 0; i++)
        file = open_whole(spool, listing.entries[i].name);
    free(listing.entries);
    return file;
}

int rendered_begin(const struct spool *spool, uint64_t bytes, char part[ID_BYTES],
                   struct server_problem *problem)
{
    static const char what[] = "The signal's file cannot be made";
    if (!spool_parts_room(spool, bytes, "the signal's", problem))
        return -1;
    id_new("tmp", part);
    int file = openat(spool->rendered, part,
                      O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (file < 0) {
        spool_parts_problem(spool, errno, what, problem);
        return -1;
    }
    /* Two signals at a time must not both count on the same room. */
    if (fallocate(file, FALLOC_FL_KEEP_SIZE, 0, (off_t)bytes) != 0 &&
        errno != EOPNOTSUPP && errno != ENOSYS) {
        spool_parts_problem(spool, errno, what, problem);
        close(file);
        rendered_discard(spool, part);
        return -1;
    }
    return file;
}

void rendered_discard(const struct spool *spool, const char *part)
{
    unlinkat(spool->rendered, part, 0);
}

static int by_use(const void *left, const void *right)
{
    const struct timespec *a = &((const struct entry *)left)->used;
    const struct timespec *b = &((const struct entry *)right)->used;
    if (a->tv_sec != b->tv_sec)
        return a->tv_sec < b->tv_sec ? -1 : 1;
    return a->tv_nsec < b->tv_nsec ? -1 : a->tv_nsec > b->tv_nsec;
}

static uint64_t limit_bytes(const struct spool *spool)
{
    struct statvfs disk;
    uint64_t limit = (uint64_t)LIMIT_RENDERED_MIB << 20;
    if (fstatvfs(spool->rendered, &disk) == 0) {
        uint64_t part = (uint64_t)disk.f_blocks * disk.f_frsize / DISK_PART;
        limit = part < limit ? part : limit;
    }
    return limit;
}

/* Whoever reads a file that goes keeps it until the end: only its name goes. */
static void hold_limits(const struct spool *spool, uint64_t limit)
{
    struct listing listing = list(spool, "");
    if (listing.count > 1)
        qsort(listing.entries, listing.count, sizeof *listing.entries, by_use);
    for (size_t i = 0; i < listing.count && (listing.bytes > limit ||
                                             listing.count - i > LIMIT_RENDERED_FILES);
         i++) {
        unlinkat(spool->rendered, listing.entries[i].name, 0);
        listing.bytes -= listing.entries[i].bytes;
    }
    free(listing.entries);
}

void rendered_keep(const struct spool *spool, const char *part, int file, const char *key)
{
    struct stat facts;
    char name[RENDERED_NAME_BYTES];
    uint64_t limit = limit_bytes(spool);
    /* After a loss of power the length alone must tell that all bytes are there; and what
     * was reserved beyond the end is given back. */
    bool good = fstat(file, &facts) == 0 && (uint64_t)facts.st_size <= limit &&
                ftruncate(file, facts.st_size) == 0 && fdatasync(file) == 0;
    snprintf(name, sizeof name, "%.64s.%" PRId64, key, good ? (int64_t)facts.st_size : 0);
    if (good && renameat(spool->rendered, part, spool->rendered, name) == 0)
        hold_limits(spool, limit);
    else
        rendered_discard(spool, part);
}

void rendered_make_room(const struct spool *spool, uint64_t bytes)
{
    struct listing listing = list(spool, "");
    bool enough = spool_free_bytes(spool) + listing.bytes >= bytes;
    if (listing.count > 1)
        qsort(listing.entries, listing.count, sizeof *listing.entries, by_use);
    for (size_t i = 0; enough && i < listing.count && spool_free_bytes(spool) < bytes;
         i++)
        unlinkat(spool->rendered, listing.entries[i].name, 0);
    free(listing.entries);
}
