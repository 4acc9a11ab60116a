#include "server/control/control.h"

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/base/log.h"
#include "server/control/address.h"
#include "server/store/backup.h"

enum { REQUEST_MS = 5000, PROGRESS_MS = 1000 };

struct control {
    struct spool *spool;
    struct store *store;
    struct address address;
    int listener, wake;
    atomic_bool stopping;
    pthread_t thread;
    bool running;
};

/* One connection. */
struct call {
    const struct control *control;
    int socket;
    int64_t told_ms;
};

__attribute__((format(printf, 3, 4))) static bool say(int socket, const char *kind,
                                                      const char *format, ...)
{
    char message[CONTROL_MESSAGE_BYTES];
    int used = snprintf(message, sizeof message, "%s ", kind);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(message + used, sizeof message - (size_t)used, format, arguments);
    va_end(arguments);
    return send(socket, message, strlen(message), MSG_NOSIGNAL | MSG_DONTWAIT) >= 0 ||
           errno == EAGAIN; /* who does not read need not be told */
}

static bool is_allowed(int socket)
{
    struct ucred peer;
    socklen_t size = sizeof peer;
    return getsockopt(socket, SOL_SOCKET, SO_PEERCRED, &peer, &size) == 0 &&
           (peer.uid == 0 || peer.uid == geteuid());
}

/* The text of the request and the folder that came with it, −1 if none did. */
static bool receive(int socket, char text[CONTROL_MESSAGE_BYTES], int *ret_folder)
{
    union {
        struct cmsghdr header;
        char bytes[CMSG_SPACE(sizeof(int))];
    } rights;
    struct iovec bytes = {text, CONTROL_MESSAGE_BYTES - 1};
    struct msghdr message = {.msg_iov = &bytes,
                             .msg_iovlen = 1,
                             .msg_control = &rights,
                             .msg_controllen = sizeof rights};
    struct pollfd wait = {.fd = socket, .events = POLLIN};
    *ret_folder = -1;
    if (poll(&wait, 1, REQUEST_MS) != 1)
        return false;
    ssize_t got = recvmsg(socket, &message, MSG_CMSG_CLOEXEC | MSG_DONTWAIT);
    const struct cmsghdr *first = got >= 0 ? CMSG_FIRSTHDR(&message) : NULL;
    if (first != NULL && first->cmsg_level == SOL_SOCKET &&
        first->cmsg_type == SCM_RIGHTS && first->cmsg_len == CMSG_LEN(sizeof(int)))
        memcpy(ret_folder, CMSG_DATA(first), sizeof(int));
    if (got <= 0 || (message.msg_flags & (MSG_TRUNC | MSG_CTRUNC)) != 0)
        return false;
    text[got] = '\0';
    return strlen(text) == (size_t)got;
}

static bool has_hung_up(int socket)
{
    struct pollfd look = {.fd = socket, .events = POLLRDHUP};
    return poll(&look, 1, 0) > 0;
}

static bool tell_progress(void *context, const struct backup_progress *so_far)
{
    struct call *call = context;
    if (atomic_load(&call->control->stopping) || has_hung_up(call->socket))
        return false;
    int64_t now_ms = clock_monotonic_ms();
    if (now_ms - call->told_ms < PROGRESS_MS)
        return true;
    call->told_ms = now_ms;
    return say(call->socket, "progress",
               "%lu recordings and %lu results so far, %llu bytes copied",
               so_far->contents, so_far->results,
               (unsigned long long)so_far->copied_bytes);
}

static void back_up(struct call *call, int folder, const char *name)
{
    struct server_problem problem = {0};
    struct backup_progress done;
    const struct backup_target target = {folder, name, tell_progress, call};
    log_line(LOG_LEVEL_INFO, "backup to %s begins", name);
    if (!backup_write(call->control->spool, call->control->store, &target, &done,
                      &problem)) {
        log_line(LOG_LEVEL_WARNING, "backup to %s failed: %s", name, problem.detail);
        say(call->socket, "failed", "%s", problem.detail);
        return;
    }
    char missing[128] = "";
    if (done.missing > 0)
        snprintf(missing, sizeof missing,
                 "; %lu files were missing from the state folder already (see the "
                 "daemon's messages)",
                 done.missing);
    log_line(LOG_LEVEL_INFO, "backup to %s is complete", name);
    say(call->socket, "done", "the database, %lu recordings and %lu results%s",
        done.contents, done.results, missing);
}

static bool is_name(const char *name)
{
    return name[0] != '\0' && strchr(name, '/') == NULL && strcmp(name, ".") != 0 &&
           strcmp(name, "..") != 0;
}

static void serve(const struct control *control, int socket)
{
    static const char word[] = "backup ";
    char text[CONTROL_MESSAGE_BYTES];
    struct stat facts;
    struct call call = {control, socket, clock_monotonic_ms()};
    int folder = -1;
    /* Read in any case: closed with something unread, the answer would be lost. */
    bool received = receive(socket, text, &folder);
    if (!is_allowed(socket))
        say(socket, "failed", "only the daemon's own user and root may ask.");
    else if (!received || strncmp(text, word, strlen(word)) != 0 ||
             !is_name(text + strlen(word)) || folder < 0 || fstat(folder, &facts) != 0 ||
             !S_ISDIR(facts.st_mode))
        say(socket, "failed", "the request was not understood.");
    else
        back_up(&call, folder, text + strlen(word));
    if (folder >= 0)
        close(folder);
}

static void *serve_all(void *context)
{
    struct control *control = context;
    struct pollfd wait[] = {{.fd = control->listener, .events = POLLIN},
                            {.fd = control->wake, .events = POLLIN}};
    while (!atomic_load(&control->stopping)) {
        if (poll(wait, 2, -1) < 0 && errno != EINTR)
            break;
        int socket = accept4(control->listener, NULL, NULL, SOCK_CLOEXEC);
        if (socket < 0)
            continue;
        serve(control, socket);
        close(socket);
    }
    return NULL;
}

static bool fail(const char *what, int error, struct server_problem *problem)
{
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                              "%s (%s); check the permissions of the state folder.", what,
                              strerror(error));
}

static bool listen_there(struct control *control, const char *state_folder,
                         struct server_problem *problem)
{
    if (!address_open(state_folder, CONTROL_NAME, &control->address))
        return fail("The state folder cannot be opened", errno, problem);
    const struct sockaddr *name = (const struct sockaddr *)&control->address.name;
    unlinkat(control->address.folder, CONTROL_NAME, 0);
    control->listener = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    control->wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    /* The mode is set before anybody can connect. */
    if (control->listener < 0 || control->wake < 0 ||
        bind(control->listener, name, sizeof control->address.name) != 0 ||
        fchmodat(control->address.folder, CONTROL_NAME, 0600, 0) != 0 ||
        listen(control->listener, CONTROL_BACKLOG) != 0)
        return fail("The socket STATE/control cannot be made", errno, problem);
    return true;
}

bool control_start(const char *state_folder, struct spool *spool, struct store *store,
                   struct control **ret, struct server_problem *problem)
{
    struct control *control = calloc(1, sizeof *control);
    if (control == NULL)
        return fail("The socket STATE/control cannot be made", ENOMEM, problem);
    *control = (struct control){.spool = spool,
                                .store = store,
                                .address = {.folder = -1},
                                .listener = -1,
                                .wake = -1};
    bool started = listen_there(control, state_folder, problem);
    if (started) {
        int error = pthread_create(&control->thread, NULL, serve_all, control);
        control->running = error == 0;
        started = error == 0 ||
                  fail("The thread of STATE/control cannot be started", error, problem);
    }
    if (started)
        *ret = control;
    else
        control_stop(control);
    return started;
}

void control_stop(struct control *control)
{
    if (control == NULL)
        return;
    atomic_store(&control->stopping, true);
    if (control->running) {
        eventfd_write(control->wake, 1);
        pthread_join(control->thread, NULL);
    }
    if (control->listener >= 0) {
        unlinkat(control->address.folder, CONTROL_NAME, 0);
        close(control->listener);
    }
    if (control->wake >= 0)
        close(control->wake);
    address_close(&control->address);
    free(control);
}
