#include "server/store/folder.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stddef.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { OPEN_FLAGS = O_RDONLY | O_DIRECTORY | O_CLOEXEC | O_NOFOLLOW };

int folder_make(int parent, const char *name)
{
    return mkdirat(parent, name, 0700) == 0 ? openat(parent, name, OPEN_FLAGS) : -1;
}

/* Opens anew, so that its position is its own. */
static DIR *open_entries(int parent, const char *name)
{
    int folder = openat(parent, name, OPEN_FLAGS);
    DIR *entries = folder >= 0 ? fdopendir(folder) : NULL;
    if (entries == NULL && folder >= 0)
        close(folder);
    return entries;
}

static const struct dirent *next_entry(DIR *entries)
{
    const struct dirent *entry;
    do
        entry = readdir(entries);
    while (entry != NULL &&
           (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0));
    return entry;
}

bool folder_is_empty(int parent, const char *name)
{
    DIR *entries = open_entries(parent, name);
    if (entries == NULL)
        return false;
    bool empty = next_entry(entries) == NULL;
    closedir(entries);
    return empty;
}

static bool is_folder(int parent, const char *name)
{
    struct stat facts;
    return fstatat(parent, name, &facts, AT_SYMLINK_NOFOLLOW) == 0 &&
           S_ISDIR(facts.st_mode);
}

bool folder_sync(int folder)
{
    DIR *entries = open_entries(folder, ".");
    if (entries == NULL)
        return false;
    bool synced = true;
    const struct dirent *entry;
    while (synced && (entry = next_entry(entries)) != NULL) {
        if (!is_folder(folder, entry->d_name))
            continue;
        int below = openat(folder, entry->d_name, OPEN_FLAGS);
        synced = below >= 0 && folder_sync(below);
        if (below >= 0)
            close(below);
    }
    closedir(entries);
    return synced && fsync(folder) == 0;
}

void folder_remove(int parent, const char *name)
{
    DIR *entries = open_entries(parent, name);
    const struct dirent *entry;
    while (entries != NULL && (entry = next_entry(entries)) != NULL) {
        if (is_folder(dirfd(entries), entry->d_name))
            folder_remove(dirfd(entries), entry->d_name);
        else
            unlinkat(dirfd(entries), entry->d_name, 0);
    }
    if (entries != NULL)
        closedir(entries);
    unlinkat(parent, name, AT_REMOVEDIR);
}
