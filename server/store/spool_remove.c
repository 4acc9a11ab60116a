/* Files that no row names any more: spool_remove_*, spool_hold and spool_release of
 * spool.h. */
#include "server/store/spool.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "server/base/ids.h"
#include "server/base/log.h"
#include "server/store/spool_parts.h"

struct spool_removal {
    struct spool_removal *next;
    bool is_result;
    char name[SPOOL_SHA256_DIGITS + 1];
};

/* An upload of the same content may be between its rename and its row. */
static bool is_being_kept(const struct spool *spool, const char *sha256)
{
    const struct spool_upload *upload = spool->keeping;
    while (upload != NULL && strcmp(spool_upload_sha256(upload), sha256) != 0)
        upload = spool_upload_next_kept(upload);
    return upload != NULL;
}

/* Called with the lock. A removal that a power failure undoes is made up for by the next
 * sweep. */
static void remove_now(struct spool *spool, struct store *store, bool is_result,
                       const char *name)
{
    char path[SPOOL_CONTENT_PATH_BYTES];
    if (is_result) {
        unlinkat(spool->results, name, 0);
    } else if (!is_being_kept(spool, name) && !store_has_content(store, name)) {
        spool_parts_content_path(name, path);
        unlinkat(spool->objects, path, 0);
    }
}

/* Called with the lock. */
static void put_off(struct spool *spool, bool is_result, const char *name)
{
    struct spool_removal *removal = malloc(sizeof *removal);
    if (removal == NULL) {
        log_line(LOG_LEVEL_WARNING,
                 "no memory to remove %s once the backup has ended: the next start does",
                 name);
        return;
    }
    removal->is_result = is_result;
    snprintf(removal->name, sizeof removal->name, "%s", name);
    removal->next = spool->put_off;
    spool->put_off = removal;
}

static void remove_or_put_off(struct spool *spool, struct store *store, bool is_result,
                              const char *name)
{
    pthread_mutex_lock(&spool->contents);
    if (spool->held)
        put_off(spool, is_result, name);
    else
        remove_now(spool, store, is_result, name);
    pthread_mutex_unlock(&spool->contents);
}

void spool_remove_content(struct spool *spool, struct store *store, const char *sha256)
{
    assert(spool_parts_is_sha256(sha256));
    remove_or_put_off(spool, store, false, sha256);
}

void spool_remove_result(struct spool *spool, const char *analysis_id)
{
    assert(id_valid("ana", analysis_id));
    remove_or_put_off(spool, NULL, true, analysis_id);
}

void spool_hold(struct spool *spool)
{
    pthread_mutex_lock(&spool->contents);
    assert(!spool->held);
    spool->held = true;
    pthread_mutex_unlock(&spool->contents);
}

void spool_release(struct spool *spool, struct store *store)
{
    pthread_mutex_lock(&spool->contents);
    spool->held = false;
    while (spool->put_off != NULL) {
        struct spool_removal *removal = spool->put_off;
        spool->put_off = removal->next;
        remove_now(spool, store, removal->is_result, removal->name);
        free(removal);
    }
    pthread_mutex_unlock(&spool->contents);
}
