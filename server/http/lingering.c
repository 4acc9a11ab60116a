#include "server/http/lingering.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

#include "server/base/clock.h"

enum {
    PIECE_BYTES = 256 * 1024, /* of one connection before the next has its turn */
    STEP_MS = 250,            /* how late a bound of time may be seen */
};

struct late_comer {
    int socket;
    int64_t end_ms, heard_ms;
    uint64_t left_bytes;
};

struct lingering {
    struct lingering_config config;
    pthread_t thread;
    int wake; /* an eventfd: something was added, or it is time to stop */
    pthread_mutex_t lock;
    bool stopping;
    int count;
    struct late_comer *items; /* oldest first; with `lock` held */
    struct pollfd *polled;    /* the thread's own, as is: */
    char *piece;
};

static void end_item(struct lingering *lingering, int index)
{
    close(lingering->items[index].socket);
    lingering->count--;
    for (int i = index; i < lingering->count; i++)
        lingering->items[i] = lingering->items[i + 1];
}

/* Reads what is there, up to a piece; false when the connection is to end. TCP drops the
 * bytes without copying them (MSG_TRUNC). */
static bool drop_piece(struct lingering *lingering, struct late_comer *item,
                       int64_t now_ms)
{
    ssize_t got =
        recv(item->socket, lingering->piece, PIECE_BYTES, MSG_DONTWAIT | MSG_TRUNC);
    if (got < 0)
        return errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR;
    if (got == 0 || (uint64_t)got >= item->left_bytes)
        return false;
    item->left_bytes -= (uint64_t)got;
    item->heard_ms = now_ms;
    return true;
}

/* One turn of all: nobody else ends items while the lock is held, so that they are still
 * those that were polled, but for ones added behind them. */
static void turn(struct lingering *lingering)
{
    int64_t now_ms = clock_monotonic_ms();
    for (int i = 0; i < lingering->count;) {
        struct late_comer *item = &lingering->items[i];
        if (now_ms >= item->end_ms ||
            now_ms - item->heard_ms >= lingering->config.silent_ms ||
            !drop_piece(lingering, item, now_ms))
            end_item(lingering, i);
        else
            i++;
    }
}

static void wait_for_bytes(struct lingering *lingering, int count)
{
    lingering->polled[count] = (struct pollfd){.fd = lingering->wake, .events = POLLIN};
    poll(lingering->polled, (nfds_t)count + 1, count > 0 ? STEP_MS : -1);
    if (lingering->polled[count].revents != 0) {
        eventfd_t added;
        (void)eventfd_read(lingering->wake, &added);
    }
}

static void *run(void *context)
{
    struct lingering *lingering = context;
    pthread_mutex_lock(&lingering->lock);
    while (!lingering->stopping) {
        int count = lingering->count;
        for (int i = 0; i < count; i++)
            lingering->polled[i] =
                (struct pollfd){.fd = lingering->items[i].socket, .events = POLLIN};
        pthread_mutex_unlock(&lingering->lock);
        wait_for_bytes(lingering, count);
        pthread_mutex_lock(&lingering->lock);
        turn(lingering);
    }
    while (lingering->count > 0)
        end_item(lingering, 0);
    pthread_mutex_unlock(&lingering->lock);
    return NULL;
}

static void discard(struct lingering *lingering)
{
    if (lingering->wake >= 0)
        close(lingering->wake);
    pthread_mutex_destroy(&lingering->lock);
    free(lingering->items);
    free(lingering->polled);
    free(lingering->piece);
    free(lingering);
}

bool lingering_start(const struct lingering_config *config, struct lingering **ret,
                     struct server_problem *problem)
{
    struct lingering *lingering = calloc(1, sizeof *lingering);
    if (lingering == NULL)
        goto failed;
    lingering->config = *config;
    pthread_mutex_init(&lingering->lock, NULL);
    lingering->wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    lingering->items = calloc((size_t)config->sockets, sizeof *lingering->items);
    lingering->polled = calloc((size_t)config->sockets + 1, sizeof *lingering->polled);
    lingering->piece = malloc(PIECE_BYTES);
    if (lingering->wake >= 0 && lingering->items != NULL && lingering->polled != NULL &&
        lingering->piece != NULL &&
        pthread_create(&lingering->thread, NULL, run, lingering) == 0) {
        *ret = lingering;
        return true;
    }
    discard(lingering);
failed:
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                              "The thread for connections answered early could not be "
                              "started.");
}

void lingering_stop(struct lingering *lingering)
{
    if (lingering == NULL)
        return;
    pthread_mutex_lock(&lingering->lock);
    lingering->stopping = true;
    pthread_mutex_unlock(&lingering->lock);
    eventfd_write(lingering->wake, 1);
    pthread_join(lingering->thread, NULL);
    discard(lingering);
}

void lingering_add(struct lingering *lingering, int socket)
{
    int copy = fcntl(socket, F_DUPFD_CLOEXEC, 0);
    if (copy < 0)
        return; /* without a descriptor left, the connection ends as it would have */
    int64_t now_ms = clock_monotonic_ms();
    pthread_mutex_lock(&lingering->lock);
    if (lingering->count == lingering->config.sockets)
        end_item(lingering, 0);
    lingering->items[lingering->count++] = (struct late_comer){
        .socket = copy,
        .end_ms = now_ms + lingering->config.time_ms,
        .heard_ms = now_ms,
        .left_bytes = lingering->config.bytes,
    };
    pthread_mutex_unlock(&lingering->lock);
    eventfd_write(lingering->wake, 1);
}
