#include "server/store/ballast.h"

#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "server/base/log.h"

static const char name[] = "ballast";

static bool free_bytes(int folder, uint64_t *ret)
{
    struct statvfs file_system;
    if (fstatvfs(folder, &file_system) != 0)
        return false;
    *ret = (uint64_t)file_system.f_bavail * file_system.f_frsize;
    return true;
}

/* Whole, and really allocated (blocks of 512 bytes, by stat(2)). */
static bool is_whole(int folder)
{
    struct stat file;
    return fstatat(folder, name, &file, AT_SYMLINK_NOFOLLOW) == 0 &&
           file.st_size == BALLAST_BYTES &&
           (uint64_t)file.st_blocks * 512 >= BALLAST_BYTES;
}

static void make(int folder)
{
    int file = openat(folder, name, O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    int error = file < 0 ? errno : posix_fallocate(file, 0, BALLAST_BYTES);
    if (file >= 0)
        close(file);
    if (error == 0)
        return;
    unlinkat(folder, name, 0); /* half of it would be of no use */
    log_line(LOG_LEVEL_WARNING, "the ballast of %d bytes could not be made (%s)",
             BALLAST_BYTES, strerror(error));
}

bool ballast_give_up(int folder)
{
    struct stat file;
    if (fstatat(folder, name, &file, AT_SYMLINK_NOFOLLOW) != 0 ||
        unlinkat(folder, name, 0) != 0)
        return false;
    log_line(
        LOG_LEVEL_WARNING,
        "the disk of the state folder is full: the ballast of %lld bytes is given up "
        "so that the database can be written; free some space",
        (long long)file.st_size);
    return true;
}

void ballast_tend(int folder)
{
    uint64_t bytes;
    if (!free_bytes(folder, &bytes))
        return;
    if (bytes < BALLAST_NEEDED_BYTES)
        ballast_give_up(folder);
    else if (bytes >= BALLAST_ROOM_BYTES && !is_whole(folder))
        make(folder);
}
