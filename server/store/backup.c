#include "server/store/backup.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "server/base/log.h"
#include "server/store/folder.h"
#include "server/store/spool_parts.h"

enum { CHUNK_BYTES = 8 << 20, PIECE_BYTES = 64 << 10, PART_NAME_BYTES = NAME_MAX + 1 };

static const char copy_name[] = "backup.db"; /* below incoming/, which is swept */

struct backup {
    const struct spool *spool;
    const struct backup_target *target;
    struct backup_progress progress;
    int root, objects, results; /* descriptors of the folders being written */
};

static bool fail(int error, const char *what, struct server_problem *problem)
{
    bool full = error == ENOSPC || error == EDQUOT;
    return server_problem_set(
        problem, full ? SERVER_PROBLEM_DISK_FULL : SERVER_PROBLEM_UNAVAILABLE, NULL,
        "%s (%s); nothing of the backup is kept.", what, strerror(error));
}

static bool tell(struct backup *backup, struct server_problem *problem)
{
    return backup->target->progress(backup->target->context, &backup->progress) ||
           server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                              "The backup was given up; nothing of it is kept.");
}

/* Between most file systems the kernel copies nothing by itself (EXDEV). */
static ssize_t copy_by_hand(int from, int to)
{
    uint8_t bytes[PIECE_BYTES];
    ssize_t got = read(from, bytes, sizeof bytes);
    for (ssize_t done = 0; done < got;) {
        ssize_t written = write(to, bytes + done, (size_t)(got - done));
        if (written < 0 && errno != EINTR)
            return -1;
        done += written > 0 ? written : 0;
    }
    return got;
}

/* All bytes from the current offsets on. */
static bool copy_bytes(struct backup *backup, int from, int to,
                       struct server_problem *problem)
{
    bool by_hand = false;
    for (;;) {
        ssize_t copied = by_hand ? copy_by_hand(from, to)
                                 : copy_file_range(from, NULL, to, NULL, CHUNK_BYTES, 0);
        if (copied < 0 && errno == EINTR)
            continue;
        if (copied < 0 && !by_hand && errno != ENOSPC && errno != EDQUOT &&
            errno != EIO) {
            by_hand = true;
            continue;
        }
        if (copied < 0)
            return fail(errno, "A file could not be copied", problem);
        if (copied == 0)
            return true;
        backup->progress.copied_bytes += (uint64_t)copied;
        if (!tell(backup, problem))
            return false;
    }
}

/* The times go with it: a daemon tells by them that a content is unchanged. */
static bool copy_open_file(struct backup *backup, int from, int folder, const char *name,
                           struct server_problem *problem)
{
    struct stat facts;
    int to =
        openat(folder, name, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0600);
    bool copied = to >= 0 && fstat(from, &facts) == 0;
    if (!copied)
        fail(errno, "A file could not be made", problem);
    copied = copied && copy_bytes(backup, from, to, problem);
    if (copied && (futimens(to, (struct timespec[]){facts.st_atim, facts.st_mtim}) != 0 ||
                   fsync(to) != 0))
        copied = fail(errno, "A file could not be brought to the disk", problem);
    if (to >= 0)
        close(to);
    return copied;
}

/* Links, or copies to another file system. `path` is below `from_folder`, `name` below
 * `to_folder`. */
static bool take(struct backup *backup, int from_folder, const char *path, int to_folder,
                 const char *name, unsigned long *count, struct server_problem *problem)
{
    bool taken = linkat(from_folder, path, to_folder, name, 0) == 0;
    if (!taken && errno != ENOENT) {
        int from = openat(from_folder, path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
        if (from < 0 && errno != ENOENT)
            return fail(errno, "A file could not be read", problem);
        if (from >= 0) {
            taken = copy_open_file(backup, from, to_folder, name, problem);
            close(from);
            if (!taken)
                return false;
        }
    }
    if (taken)
        (*count)++;
    else
        backup->progress.missing++;
    return tell(backup, problem);
}

static bool take_content(void *context, const char *sha256,
                         struct server_problem *problem)
{
    struct backup *backup = context;
    char path[SPOOL_CONTENT_PATH_BYTES], folder_name[3];
    spool_parts_content_path(sha256, path);
    snprintf(folder_name, sizeof folder_name, "%.2s", path);
    if (mkdirat(backup->objects, folder_name, 0700) != 0 && errno != EEXIST)
        return fail(errno, "A folder could not be made", problem);
    return take(backup, backup->spool->objects, path, backup->objects, path,
                &backup->progress.contents, problem);
}

static bool take_result(void *context, const char *id, struct server_problem *problem)
{
    struct backup *backup = context;
    return take(backup, backup->spool->results, id, backup->results, id,
                &backup->progress.results, problem);
}

/* The copy lies for a while beside the database: that much room is needed there. */
static bool check_room(const struct spool *spool, struct server_problem *problem)
{
    struct stat facts;
    return fstatat(spool->root, "residuum.db", &facts, AT_SYMLINK_NOFOLLOW) != 0 ||
           spool_parts_room(spool, (uint64_t)facts.st_size, "the database's copy of",
                            problem);
}

/* The database and all that it names, into the part folder. */
static bool fill(struct backup *backup, struct store *store,
                 struct server_problem *problem)
{
    char path[PATH_MAX + sizeof copy_name + 16];
    const struct store_copy_visitor visitor = {take_content, take_result, backup};
    snprintf(path, sizeof path, "%s/incoming/%s", backup->spool->path, copy_name);
    unlinkat(backup->spool->incoming, copy_name, 0);
    backup->objects = folder_make(backup->root, "objects");
    backup->results = folder_make(backup->root, "results");
    if (backup->objects < 0 || backup->results < 0)
        return fail(errno, "A folder could not be made", problem);
    if (!store_copy(store, path, &visitor, problem))
        return false;
    int copy = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (copy < 0)
        return fail(errno, "The copy of the database could not be read", problem);
    bool filled = copy_open_file(backup, copy, backup->root, "residuum.db", problem);
    close(copy);
    return filled &&
           (folder_sync(backup->root) ||
            fail(errno, "The backup could not be brought to the disk", problem));
}

/* An empty folder of that name is replaced by the rename. */
static bool check_free(const struct backup_target *target, const char *part,
                       struct server_problem *problem)
{
    struct stat facts;
    if (fstatat(target->folder, part, &facts, AT_SYMLINK_NOFOLLOW) == 0)
        return server_problem_set(problem, SERVER_PROBLEM_CONFLICT, NULL,
                                  "%.200s is left from a backup that broke off; remove "
                                  "it and try again.",
                                  part);
    if (fstatat(target->folder, target->name, &facts, AT_SYMLINK_NOFOLLOW) != 0 ||
        folder_is_empty(target->folder, target->name))
        return true;
    return server_problem_set(problem, SERVER_PROBLEM_CONFLICT, NULL,
                              "%.200s exists and is no empty folder; name one that does "
                              "not exist yet.",
                              target->name);
}

static bool put_in_place(const struct backup_target *target, const char *part,
                         struct server_problem *problem)
{
    bool renamed = renameat(target->folder, part, target->folder, target->name) == 0;
    if (renamed && fsync(target->folder) == 0)
        return true;
    fail(errno, "The backup could not be put in place", problem);
    if (renamed && renameat(target->folder, target->name, target->folder, part) != 0)
        log_line(LOG_LEVEL_ERROR, "the failed backup %s could not be removed (%s)",
                 target->name, strerror(errno));
    return false;
}

bool backup_write(struct spool *spool, struct store *store,
                  const struct backup_target *target, struct backup_progress *ret,
                  struct server_problem *problem)
{
    char part[PART_NAME_BYTES];
    struct backup backup = {spool, target, {0}, -1, -1, -1};
    if (snprintf(part, sizeof part, "%s.part", target->name) >= (int)sizeof part)
        return fail(ENAMETOOLONG, "The backup's folder cannot be made", problem);
    if (!check_room(spool, problem) || !check_free(target, part, problem))
        return false;
    backup.root = folder_make(target->folder, part);
    if (backup.root < 0)
        return fail(errno, "The backup's folder cannot be made", problem);
    /* Rows may go while files are taken; what the copy names must not. */
    spool_hold(spool);
    bool written = fill(&backup, store, problem);
    spool_release(spool, store);
    unlinkat(spool->incoming, copy_name, 0);
    written = written && put_in_place(target, part, problem);
    int folders[] = {backup.root, backup.objects, backup.results};
    for (size_t i = 0; i < sizeof folders / sizeof folders[0]; i++)
        if (folders[i] >= 0)
            close(folders[i]);
    if (written)
        *ret = backup.progress;
    else
        folder_remove(target->folder, part);
    return written;
}
