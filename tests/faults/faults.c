/**
 * Preloaded into the daemon (LD_PRELOAD): a disk that fails, is full, or a death, at a
 * call that the test chooses. Only calls upon files of the state folder are counted, over
 * all threads.
 *
 *   FAULTS_FOLDER   the state folder, its real path
 *   FAULTS_CALL     write, fsync, fdatasync or rename (write: pwrite and writev, too)
 *   FAULTS_ACTION   KILL, ENOSPC or EIO
 *   FAULTS_AT       which call, from 1; "5+" is the fifth and all after it
 *   FAULTS_UNTIL    a file; once it exists the disk is well again
 *   FAULTS_FIRED    a file that is made when the fault first happens
 *   FAULTS_DISK     bytes that the disk of the state folder seems to hold in all
 */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

static atomic_long calls;

static bool is_ours(int file)
{
    const char *folder = getenv("FAULTS_FOLDER");
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (folder == NULL || length < 0)
        return false;
    path[length] = '\0';
    size_t prefix = strlen(folder);
    return strncmp(path, folder, prefix) == 0 &&
           (path[prefix] == '/' || path[prefix] == '\0');
}

static void note_fired(void)
{
    const char *path = getenv("FAULTS_FIRED");
    if (path != NULL)
        close((int)syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_CREAT | O_CLOEXEC,
                           0600));
}

/* Whether this call meets the fault: then it is dead, or errno is set. */
static bool fails(const char *call, int file)
{
    const char *chosen = getenv("FAULTS_CALL"), *action = getenv("FAULTS_ACTION");
    const char *at = getenv("FAULTS_AT"), *until = getenv("FAULTS_UNTIL");
    int former = errno;
    if (chosen == NULL || action == NULL || at == NULL || strcmp(chosen, call) != 0 ||
        !is_ours(file) || (until != NULL && access(until, F_OK) == 0)) {
        errno = former;
        return false;
    }
    char *rest;
    long number = strtol(at, &rest, 10), count = atomic_fetch_add(&calls, 1) + 1;
    if (count != number && !(count > number && *rest == '+')) {
        errno = former;
        return false;
    }
    note_fired();
    if (strcmp(action, "KILL") == 0)
        kill(getpid(), SIGKILL);
    errno = strcmp(action, "EIO") == 0 ? EIO : ENOSPC;
    return true;
}

static pthread_mutex_t adding = PTHREAD_MUTEX_INITIALIZER;
static uint64_t sum_bytes;

static int add(const char *path, const struct stat *facts, int type, struct FTW *where)
{
    (void)path, (void)where;
    if (type == FTW_F)
        sum_bytes += (uint64_t)facts->st_blocks * 512;
    return 0;
}

/* What is free on the small disk; as much as can be where there is none. */
static uint64_t small_disk_free(void)
{
    const char *disk = getenv("FAULTS_DISK"), *folder = getenv("FAULTS_FOLDER");
    if (disk == NULL || folder == NULL)
        return UINT64_MAX;
    uint64_t total = strtoull(disk, NULL, 10);
    pthread_mutex_lock(&adding);
    sum_bytes = 0;
    nftw(folder, add, 16, FTW_PHYS);
    uint64_t used = sum_bytes;
    pthread_mutex_unlock(&adding);
    return used < total ? total - used : 0;
}

/* Whether the file may have blocks up to `end`; errno is kept, or ENOSPC. */
static bool has_room(int file, uint64_t end)
{
    struct stat facts;
    int former = errno;
    if (getenv("FAULTS_DISK") == NULL || !is_ours(file) || fstat(file, &facts) != 0 ||
        !S_ISREG(facts.st_mode)) {
        errno = former;
        return true;
    }
    uint64_t has = (uint64_t)facts.st_blocks * 512;
    bool room = end <= has || end - has <= small_disk_free();
    errno = room ? former : ENOSPC;
    return room;
}

static uint64_t end_of_write(int file, size_t count)
{
    off_t at = lseek(file, 0, SEEK_CUR);
    return at < 0 ? 0 : (uint64_t)at + count;
}

/* The calls go to the next definition, which may be a sanitizer's. */
#define NEXT(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

ssize_t write(int file, const void *bytes, size_t count)
{
    if (fails("write", file))
        return -1;
    int former = errno;
    if (getenv("FAULTS_DISK") != NULL && !has_room(file, end_of_write(file, count)))
        return -1;
    errno = former;
    return NEXT(write)(file, bytes, count);
}

ssize_t pwrite64(int file, const void *bytes, size_t count, off64_t at)
{
    if (fails("write", file) || !has_room(file, (uint64_t)at + count))
        return -1;
    return NEXT(pwrite64)(file, bytes, count, at);
}

ssize_t writev(int file, const struct iovec *parts, int count)
{
    if (fails("write", file))
        return -1;
    return NEXT(writev)(file, parts, count);
}

int fsync(int file)
{
    return fails("fsync", file) ? -1 : NEXT(fsync)(file);
}

int fdatasync(int file)
{
    return fails("fdatasync", file) ? -1 : NEXT(fdatasync)(file);
}

int renameat(int from_folder, const char *from, int to_folder, const char *to)
{
    if (fails("rename", to_folder))
        return -1;
    return NEXT(renameat)(from_folder, from, to_folder, to);
}

int fallocate(int file, int mode, off_t offset, off_t length)
{
    if (!has_room(file, (uint64_t)(offset + length)))
        return -1;
    return NEXT(fallocate)(file, mode, offset, length);
}

int posix_fallocate(int file, off_t offset, off_t length)
{
    int former = errno;
    if (!has_room(file, (uint64_t)(offset + length))) {
        errno = former;
        return ENOSPC;
    }
    return NEXT(posix_fallocate)(file, offset, length);
}

int fstatvfs(int file, struct statvfs *ret)
{
    int status = NEXT(fstatvfs)(file, ret);
    uint64_t free_bytes = small_disk_free();
    if (status == 0 && free_bytes < (uint64_t)ret->f_bavail * ret->f_frsize)
        ret->f_bfree = ret->f_bavail = free_bytes / ret->f_frsize;
    return status;
}
