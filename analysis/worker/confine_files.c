#include "analysis/worker/confine_files.h"

#include <errno.h>
#include <stdint.h>
#include <unistd.h>

#include <linux/landlock.h>
#include <sys/syscall.h>

#include "analysis/worker/confine.h"

/* struct landlock_ruleset_attr as of version 6; older kernels take it while what they do
 * not know is zero. Debian 12's header ends at version 2. */
struct ruleset {
    uint64_t files, tcp, scopes;
};

static const struct {
    long version; /* of Landlock, from which on the kernel knows these */
    struct ruleset rights;
} known[] = {
    {1, {(LANDLOCK_ACCESS_FS_MAKE_SYM << 1) - 1, 0, 0}}, /* all up to this one */
    {2, {LANDLOCK_ACCESS_FS_REFER, 0, 0}},
    {3, {1 << 14, 0, 0}},         /* truncate */
    {4, {0, 1 << 0 | 1 << 1, 0}}, /* bind, connect */
    {5, {1 << 15, 0, 0}},         /* ioctl of devices */
    {6, {0, 0, 1 << 0 | 1 << 1}}, /* abstract Unix sockets, signals */
};

static struct ruleset all_rights(long version)
{
    struct ruleset all = {0};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
        if (known[i].version <= version) {
            all.files |= known[i].rights.files;
            all.tcp |= known[i].rights.tcp;
            all.scopes |= known[i].rights.scopes;
        }
    if (CONFINE_SANITIZED)
        all.files &=
            ~(uint64_t)(LANDLOCK_ACCESS_FS_READ_FILE | LANDLOCK_ACCESS_FS_READ_DIR);
    return all;
}

bool confine_files_enter(void)
{
    long version =
        syscall(SYS_landlock_create_ruleset, NULL, 0, LANDLOCK_CREATE_RULESET_VERSION);
    if (version < 1)
        return true;
    struct ruleset handled = all_rights(version);
    int ruleset = (int)syscall(SYS_landlock_create_ruleset, &handled, sizeof handled, 0);
    if (ruleset < 0)
        return false;
    bool good = syscall(SYS_landlock_restrict_self, ruleset, 0) == 0;
    int error = errno;
    close(ruleset);
    errno = error;
    return good;
}
