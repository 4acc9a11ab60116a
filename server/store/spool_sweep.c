/* The sweep at start-up: spool_sweep of spool.h. */
#include "server/store/spool.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "server/base/ids.h"
#include "server/base/log.h"
#include "server/store/content.h"
#include "server/store/rendered.h"
#include "server/store/spool_parts.h"

struct sweep {
    struct spool *spool;
    struct store *store;
    struct server_problem *problem;
    unsigned long parts, orphans, lost, lost_results;
};

/* One entry of the folder open as `folder`; false with the problem ends the sweep. */
typedef bool visit_entry(struct sweep *sweep, int folder, const char *name);

static bool each_entry(struct sweep *sweep, int parent, const char *name,
                       visit_entry *visit)
{
    static const char what[] = "The state folder could not be swept";
    int folder = openat(parent, name, O_RDONLY | O_DIRECTORY | O_CLOEXEC | O_NOFOLLOW);
    DIR *entries = folder >= 0 ? fdopendir(folder) : NULL;
    if (entries == NULL) {
        spool_parts_problem(sweep->spool, errno, what, sweep->problem);
        if (folder >= 0)
            close(folder);
        return false;
    }
    bool swept = true;
    while (swept) {
        errno = 0;
        const struct dirent *entry = readdir(entries);
        if (entry == NULL) {
            swept = errno == 0 ||
                    spool_parts_problem(sweep->spool, errno, what, sweep->problem);
            break;
        }
        if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0)
            swept = visit(sweep, folder, entry->d_name);
    }
    closedir(entries);
    return swept;
}

static bool remove_entry(struct sweep *sweep, int folder, const char *name,
                         unsigned long *count)
{
    if (unlinkat(folder, name, 0) != 0)
        return spool_parts_problem(
            sweep->spool, errno, "A left-over file could not be removed", sweep->problem);
    (*count)++;
    return true;
}

static bool visit_partial(struct sweep *sweep, int folder, const char *name)
{
    return remove_entry(sweep, folder, name, &sweep->parts);
}

static bool visit_rendered(struct sweep *sweep, int folder, const char *name)
{
    return rendered_is_whole(sweep->spool, name) ||
           remove_entry(sweep, folder, name, &sweep->parts);
}

/* A content without a capture is an upload that was never acknowledged, or one that an
 * older database, put back in place, does not know; a result without an analysis is what
 * a deletion broken off left, or the same: moved aside, for only its owner can tell. */
static bool move_aside(struct sweep *sweep, int folder, const char *name)
{
    if (renameat(folder, name, sweep->spool->orphans, name) != 0)
        return spool_parts_problem(sweep->spool, errno,
                                   "A file that no row names could not be moved aside",
                                   sweep->problem);
    sweep->orphans++;
    return true;
}

static bool visit_result(struct sweep *sweep, int folder, const char *name)
{
    const char *end = strrchr(name, '.');
    if (end != NULL && strcmp(end, ".part") == 0)
        return remove_entry(sweep, folder, name, &sweep->parts);
    if (!id_valid("ana", name)) {
        log_line(LOG_LEVEL_WARNING, "results: %s is none of our files; it is left alone",
                 name);
        return true;
    }
    struct store_analysis analysis;
    if (store_analysis_get(sweep->store, name, &analysis, sweep->problem)) {
        store_analysis_free(&analysis);
        return true;
    }
    return sweep->problem->code == SERVER_PROBLEM_NONE && move_aside(sweep, folder, name);
}

static bool visit_content(struct sweep *sweep, int folder, const char *name)
{
    if (!spool_parts_is_sha256(name)) {
        log_line(LOG_LEVEL_WARNING, "objects: %s is none of our files; it is left alone",
                 name);
        return true;
    }
    return store_has_content(sweep->store, name) || move_aside(sweep, folder, name);
}

static bool visit_content_folder(struct sweep *sweep, int folder, const char *name)
{
    if (strlen(name) == 2 && strspn(name, "0123456789abcdef") == 2)
        return each_entry(sweep, folder, name, visit_content);
    log_line(LOG_LEVEL_WARNING, "objects: %s is none of our folders; it is left alone",
             name);
    return true;
}

/* Where there is no memory to note it, its next use checks it. */
static void doubt(struct spool *spool, const char *capture)
{
    size_t count = spool->doubtful_count;
    if ((count & (count - 1)) == 0) { /* room for the next power of two */
        void *grown = realloc(spool->doubtful,
                              (count == 0 ? 1 : 2 * count) * sizeof *spool->doubtful);
        if (grown == NULL)
            return;
        spool->doubtful = grown;
    }
    snprintf(spool->doubtful[count], sizeof *spool->doubtful, "%s", capture);
    spool->doubtful_count++;
}

static enum store_audio look(const struct store_content *content, void *context)
{
    struct sweep *sweep = context;
    char path[SPOOL_CONTENT_PATH_BYTES];
    spool_parts_content_path(content->sha256, path);
    struct stat facts = {0};
    bool exists =
        fstatat(sweep->spool->objects, path, &facts, AT_SYMLINK_NOFOLLOW) == 0 &&
        S_ISREG(facts.st_mode);
    if (exists && (uint64_t)facts.st_size == content->bytes) {
        if (content->audio != STORE_AUDIO_PRESENT ||
            content_mtime_ns(&facts) != content->mtime_ns)
            doubt(sweep->spool, content->capture);
        return content->audio;
    }
    sweep->lost++;
    if (exists)
        log_line(LOG_LEVEL_ERROR,
                 "capture %s (\"%s\"): its file objects/%s is changed: %lld bytes long "
                 "instead of %llu",
                 content->capture, content->name, path, (long long)facts.st_size,
                 (unsigned long long)content->bytes);
    else
        log_line(LOG_LEVEL_ERROR, "capture %s (\"%s\"): its file objects/%s is missing",
                 content->capture, content->name, path);
    return exists ? STORE_AUDIO_CHANGED : STORE_AUDIO_MISSING;
}

static void look_for_result(const char *id, void *context)
{
    struct sweep *sweep = context;
    if (faccessat(sweep->spool->results, id, F_OK, AT_SYMLINK_NOFOLLOW) == 0)
        return;
    sweep->lost_results++;
    log_line(LOG_LEVEL_ERROR, "analysis %s: its result results/%s is missing", id, id);
}

bool spool_sweep(struct spool *spool, struct store *store, struct server_problem *problem)
{
    struct sweep sweep = {.spool = spool, .store = store, .problem = problem};
    spool->doubtful_count = 0;
    pthread_mutex_lock(&spool->contents);
    bool swept = each_entry(&sweep, spool->incoming, ".", visit_partial) &&
                 each_entry(&sweep, spool->rendered, ".", visit_rendered) &&
                 each_entry(&sweep, spool->results, ".", visit_result) &&
                 each_entry(&sweep, spool->objects, ".", visit_content_folder) &&
                 store_mark_audio(store, look, &sweep, problem) &&
                 store_each_result(store, look_for_result, &sweep, problem);
    pthread_mutex_unlock(&spool->contents);
    if (sweep.parts + sweep.orphans + sweep.lost + sweep.lost_results > 0)
        log_line(
            LOG_LEVEL_INFO,
            "state folder swept: %lu partial files removed, %lu files without a row "
            "moved to orphans, %lu captures without their file, %lu analyses without "
            "their result",
            sweep.parts, sweep.orphans, sweep.lost, sweep.lost_results);
    return swept;
}
