/* Results of analyses: spool_result_* and spool_open_result of spool.h. */
#include "server/store/spool.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>

#include "server/base/ids.h"
#include "server/store/spool_parts.h"

enum {
    NAME_BYTES = ID_BYTES + 24,
    ROOM_BYTES = 8 << 20, /* more than a result of 8 channels takes */
};

static void part_name(const char *analysis_id, int attempt, char name[NAME_BYTES])
{
    assert(id_valid("ana", analysis_id));
    snprintf(name, NAME_BYTES, "%.31s.%d.part", analysis_id, attempt);
}

int spool_result_begin(struct spool *spool, const char *analysis_id, int attempt,
                       struct server_problem *problem)
{
    char name[NAME_BYTES];
    part_name(analysis_id, attempt, name);
    if (!spool_parts_room(spool, ROOM_BYTES, "a result's", problem))
        return -1;
    /* A worker killed in an attempt of this number may still hold the old file: it must
     * not write into the new one. */
    unlinkat(spool->results, name, 0);
    int file = openat(spool->results, name,
                      O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (file < 0)
        spool_parts_problem(spool, errno, "A result's file cannot be made", problem);
    return file;
}

bool spool_result_keep(struct spool *spool, const char *analysis_id, int attempt,
                       struct server_problem *problem)
{
    static const char what[] = "A result could not be brought to the disk";
    char name[NAME_BYTES];
    part_name(analysis_id, attempt, name);
    int file = openat(spool->results, name, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (file < 0)
        return spool_parts_problem(spool, errno, what, problem);
    int error = fdatasync(file) == 0 ? 0 : errno;
    close(file);
    if (error == 0 && (renameat(spool->results, name, spool->results, analysis_id) != 0 ||
                       fsync(spool->results) != 0))
        error = errno;
    return error == 0 || spool_parts_problem(spool, error, what, problem);
}

void spool_result_discard(struct spool *spool, const char *analysis_id, int attempt)
{
    char name[NAME_BYTES];
    part_name(analysis_id, attempt, name);
    unlinkat(spool->results, name, 0);
}

int spool_open_result(const struct spool *spool, const char *analysis_id)
{
    if (!id_valid("ana", analysis_id)) {
        errno = ENOENT;
        return -1;
    }
    return openat(spool->results, analysis_id, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
}
