#include "server/control/ask.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <unistd.h>

#include "server/control/address.h"
#include "server/control/control.h"

/* "a/b/c/" → "a/b" and "c". */
static bool split(const char *path, char parent[PATH_MAX], char name[NAME_MAX + 1])
{
    size_t length = strlen(path);
    while (length > 1 && path[length - 1] == '/')
        length--;
    const char *slash = memrchr(path, '/', length);
    const char *start = slash != NULL ? slash + 1 : path;
    size_t name_length = length - (size_t)(start - path);
    size_t parent_length = slash == path ? 1 : slash != NULL ? (size_t)(slash - path) : 0;
    if (name_length == 0 || name_length > NAME_MAX || parent_length >= PATH_MAX)
        return false;
    snprintf(name, NAME_MAX + 1, "%.*s", (int)name_length, start);
    if (parent_length > 0)
        snprintf(parent, PATH_MAX, "%.*s", (int)parent_length, path);
    else
        snprintf(parent, PATH_MAX, ".");
    return strcmp(name, ".") != 0 && strcmp(name, "..") != 0;
}

/* Why nobody answers there. */
static void explain(int folder, const char *state_folder)
{
    int lock = openat(folder, "lock", O_RDONLY | O_CLOEXEC);
    if (lock < 0)
        fprintf(stderr,
                "residuumd: %s is no state folder that this user can read (%s); name it "
                "with --state DIR.\n",
                state_folder, strerror(errno));
    else if (flock(lock, LOCK_SH | LOCK_NB) != 0)
        fprintf(stderr,
                "residuumd: a residuumd uses the state folder %s but does not answer "
                "yet; try again in a moment.\n",
                state_folder);
    else
        fprintf(stderr,
                "residuumd: no residuumd runs on the state folder %s, so nothing changes "
                "it: copy it as it is, for example with  cp -a %s DIR\n",
                state_folder, state_folder);
    if (lock >= 0)
        close(lock);
}

static bool request(int socket, int parent, const char *name)
{
    char text[CONTROL_MESSAGE_BYTES];
    union {
        struct cmsghdr header;
        char bytes[CMSG_SPACE(sizeof(int))];
    } rights = {.header = {.cmsg_len = CMSG_LEN(sizeof(int)),
                           .cmsg_level = SOL_SOCKET,
                           .cmsg_type = SCM_RIGHTS}};
    memcpy(CMSG_DATA(&rights.header), &parent, sizeof parent);
    int length = snprintf(text, sizeof text, "backup %s", name);
    struct iovec bytes = {text, (size_t)length};
    const struct msghdr message = {.msg_iov = &bytes,
                                   .msg_iovlen = 1,
                                   .msg_control = &rights,
                                   .msg_controllen = sizeof rights};
    return sendmsg(socket, &message, MSG_NOSIGNAL) == length;
}

/* Reads the answers to the last; true when it is "done". */
static bool follow(int socket, const char *to)
{
    char text[CONTROL_MESSAGE_BYTES];
    ssize_t got;
    while ((got = recv(socket, text, sizeof text - 1, 0)) > 0) {
        text[got] = '\0';
        if (strncmp(text, "progress ", 9) == 0) {
            fprintf(stderr, "residuumd: %s\n", text + 9);
        } else if (strncmp(text, "done ", 5) == 0) {
            printf("Backed up to %s: %s.\n", to, text + 5);
            return fflush(stdout) == 0;
        } else {
            const char *sentence = strchr(text, ' ');
            fprintf(stderr, "residuumd: %s\n", sentence != NULL ? sentence + 1 : text);
            return false;
        }
    }
    fprintf(stderr,
            "residuumd: the daemon ended before the backup was complete; nothing "
            "of it is kept but perhaps %s.part, which can be removed.\n",
            to);
    return false;
}

int ask_backup(const char *state_folder, const char *to)
{
    char parent[PATH_MAX], name[NAME_MAX + 1];
    struct address address = {.folder = -1};
    int where = -1, connection = -1;
    bool done = false;
    if (!split(to, parent, name)) {
        fprintf(stderr,
                "residuumd: %s cannot be the folder of a backup; name one that "
                "does not exist yet.\n",
                to);
        goto out;
    }
    where = open(parent, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (where < 0) {
        fprintf(stderr, "residuumd: the folder %s cannot be opened: %s.\n", parent,
                strerror(errno));
        goto out;
    }
    if (!address_open(state_folder, CONTROL_NAME, &address)) {
        fprintf(stderr, "residuumd: the state folder %s cannot be opened: %s.\n",
                state_folder, strerror(errno));
        goto out;
    }
    connection = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    if (connection < 0 || connect(connection, (const struct sockaddr *)&address.name,
                                  sizeof address.name) != 0) {
        explain(address.folder, state_folder);
        goto out;
    }
    if (!request(connection, where, name)) {
        fprintf(stderr, "residuumd: the daemon cannot be asked: %s.\n", strerror(errno));
        goto out;
    }
    done = follow(connection, to);
out:
    if (connection >= 0)
        close(connection);
    address_close(&address);
    if (where >= 0)
        close(where);
    return done ? EXIT_SUCCESS : EXIT_FAILURE;
}
