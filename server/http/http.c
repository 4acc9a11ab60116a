#include "server/http/http.h"

#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/base/log.h"
#include "server/http/admission.h"
#include "server/http/connections.h"
#include "server/http/hidden.h"
#include "server/http/listener.h"
#include "server/http/reply.h"
#include "server/http/request.h"

enum {
    SERVING_THREADS_MIN = 4,
    BLOCKING_THREADS = 16,
    CONNECTION_MEMORY_BYTES = 64 * 1024,
    CONNECTION_IDLE_S = 30, /* without a byte, or between two requests */
    CONNECTION_NEW_MS = 10000,
    /* Descriptors: of the daemon, of a worker and its job, of a thread that serves. */
    DESCRIPTORS_BASE = 128,
    DESCRIPTORS_WORKER = 5,
    DESCRIPTORS_THREAD = 3,
    SWALLOW_MS = 60000,
    DRAIN_MS = 5000,
    DRAIN_STEP_MS = 10,
};
/* A refused body that is declared longer than this is not read: the answer comes at once,
 * and the connection is closed. */
static const int64_t swallow_bytes = 64 << 20;

struct http {
    struct request_context shared;
    struct listener listeners[OPTIONS_LISTENERS_MAX];
    struct MHD_Daemon *daemons[OPTIONS_LISTENERS_MAX];
    int count;
};

static enum MHD_Result take_header(void *context, enum MHD_ValueKind kind,
                                   const char *name, const char *value)
{
    (void)kind;
    headers_take(context, name, value);
    return MHD_YES;
}

static enum MHD_Result queue_reply(struct request *request)
{
    if (request->response == NULL)
        return MHD_NO;
    if (atomic_load(&request->shared->stopping))
        reply_header(request, "Connection", "close");
    enum MHD_Result queued =
        MHD_queue_response(request->connection, request->status, request->response);
    MHD_destroy_response(request->response);
    request->response = NULL;
    return queued;
}

/* The library reads until a read comes back short, then waits for the next event of an
 * edge- triggered poll. The end of a client's sending that came together with its last
 * bytes is no event of its own: nobody would notice it before the connection's idle time
 * is over. Shutting the reading side makes one. */
static void notice_end_of_sending(struct MHD_Connection *connection)
{
    char byte;
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    if (info != NULL && recv(info->connect_fd, &byte, 1, MSG_PEEK | MSG_DONTWAIT) == 0)
        shutdown(info->connect_fd, SHUT_RD);
}

/* How much of a body is read at most. A refused one is read and dropped, so that the
 * client, which sends before it reads, gets to see the refusal: within a body nothing can
 * be answered. */
static int64_t read_limit_bytes(const struct request *request)
{
    int64_t upload_bytes = (int64_t)request->shared->config.options->max_upload_bytes;
    return swallow_bytes + 2 * upload_bytes;
}

/* A reply queued here closes the connection: only where the body would be too long to
 * read, is not sent yet, or cannot be told from the next request. */
static enum MHD_Result first_call(struct request *request, const char *method,
                                  const char *version)
{
    MHD_get_connection_values(request->connection, MHD_HEADER_KIND, take_header,
                              &request->headers);
    const struct hidden_line line = {
        .method = method,
        .target = request->received_at,
        .target_end = request->received_at + strlen(request->raw_target),
        .version = version,
    };
    request->doubtful = !hidden_check(request->connection, &line, &request->refusal);
    bool admitted = !request->doubtful &&
                    admission_check(request, method, version, &request->refusal);
    int64_t body_bytes = headers_body_bytes(&request->headers);
    if (body_bytes != 0)
        notice_end_of_sending(request->connection);
    if (admitted)
        return MHD_YES;
    bool unsent = body_bytes != 0 && request->headers.expect != NULL;
    if (!request->doubtful && !unsent && body_bytes <= swallow_bytes)
        return MHD_YES;
    reply_problem(request, &request->refusal);
    return queue_reply(request);
}

/* Takes a piece of a body that is refused; false when it has been too much for too long.
 */
static bool swallow(struct request *request)
{
    int64_t now_ms = clock_monotonic_ms();
    if (request->swallow_until_ms == 0)
        request->swallow_until_ms = now_ms + SWALLOW_MS;
    return request->body_bytes <= read_limit_bytes(request) &&
           now_ms <= request->swallow_until_ms;
}

static enum MHD_Result take_piece(struct request *request, const char *piece,
                                  size_t count)
{
    enum route_body kind =
        request->match.route == NULL ? ROUTE_BODY_NONE : request->match.route->body;
    request->body_bytes += (int64_t)count;
    notice_end_of_sending(request->connection);
    if (kind == ROUTE_BODY_NONE || request->refusal.code != SERVER_PROBLEM_NONE)
        return swallow(request) ? MHD_YES : MHD_NO;
    if (kind == ROUTE_BODY_STREAM)
        spool_upload_write(request->upload, piece, count);
    else if (!body_append(&request->body, piece, count, &request->refusal))
        body_free(&request->body);
    /* Beyond its limit an upload swallows by itself. */
    return request->body_bytes <= read_limit_bytes(request) ? MHD_YES : MHD_NO;
}

static void run_work(void *context)
{
    struct request *request = context;
    request->match.route->work(request);
    request_resume(request);
}

static void start_work(struct request *request)
{
    request->worked = true;
    request->task = (struct offload_task){.run = run_work, .context = request};
    request_suspend(request);
    if (offload_submit(request->shared->offload, &request->task))
        return;
    struct server_problem problem = {0};
    server_problem_set(&problem, SERVER_PROBLEM_UNAVAILABLE, "",
                       "The daemon is stopping; try again once it runs.");
    reply_problem(request, &problem);
    request_resume(request);
}

static void reply_options(struct request *request)
{
    reply_response(request, MHD_HTTP_NO_CONTENT, NULL,
                   MHD_create_response_from_buffer(0, "", MHD_RESPMEM_PERSISTENT));
    reply_header(request, "Allow", request->match.allowed);
}

/* The body is in: takes the request one step further. */
static void advance(struct request *request)
{
    const struct route *route = request->match.route;
    bool unread =
        route != NULL && route->body == ROUTE_BODY_JSON && request->json == NULL;
    if (request->refusal.code != SERVER_PROBLEM_NONE ||
        (unread && !body_parse(&request->body, &request->json, &request->refusal)))
        reply_problem(request, &request->refusal);
    else if (route == NULL)
        reply_options(request);
    else if (route->work != NULL && !request->worked)
        start_work(request);
    else if (route->answer != NULL)
        route->answer(request);
}

static struct connection *connection_of(struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    return info == NULL ? NULL : info->socket_context;
}

/* The library says how many parameters. NOLINTNEXTLINE(readability-function-size) */
static enum MHD_Result handle(void *context, struct MHD_Connection *connection,
                              const char *url, const char *method, const char *version,
                              const char *piece, size_t *piece_bytes, void **state)
{
    struct request *request = *state;
    (void)context;
    (void)url; /* decoded and cut by the library: we keep the raw target */
    if (request == NULL)
        return MHD_NO;
    if (!request->begun) {
        request->begun = true;
        request->head = strcmp(method, MHD_HTTP_METHOD_HEAD) == 0;
        request->connection = connection;
        connections_begin(request->shared->connections, connection_of(connection));
        return first_call(request, method, version);
    }
    if (*piece_bytes > 0) {
        enum MHD_Result taken = take_piece(request, piece, *piece_bytes);
        *piece_bytes = 0;
        return taken;
    }
    request->paused = false;
    if (request->response == NULL)
        advance(request);
    return request->paused ? MHD_YES : queue_reply(request);
}

static void *begin(void *context, const char *raw_target,
                   struct MHD_Connection *connection)
{
    (void)connection;
    return request_new(context, raw_target);
}

static void completed(void *context, struct MHD_Connection *connection, void **state,
                      enum MHD_RequestTerminationCode code)
{
    struct request_context *shared = context;
    request_free(*state);
    *state = NULL;
    connections_end(shared->connections, connection_of(connection));
    if (code == MHD_REQUEST_TERMINATED_COMPLETED_OK)
        notice_end_of_sending(connection);
}

static void notice_connection(void *context, struct MHD_Connection *connection,
                              void **state, enum MHD_ConnectionNotificationCode code)
{
    struct request_context *shared = context;
    if (code == MHD_CONNECTION_NOTIFY_CLOSED) {
        connections_remove(shared->connections, *state);
        *state = NULL;
        return;
    }
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    *state = info == NULL ? NULL : connections_add(shared->connections, info->connect_fd);
}

static void fill_hosts(struct http *http)
{
    const struct options *options = http->shared.config.options;
    const char **next = http->shared.hosts;
    *next++ = "localhost";
    *next++ = "127.0.0.1";
    *next++ = "[::1]";
    for (int i = 0; i < http->count; i++)
        *next++ = http->listeners[i].host;
    for (int i = 0; i < options->host_name_count; i++)
        *next++ = options->host_names[i];
    *next = NULL;
}

static int serving_threads(void)
{
    long processors = sysconf(_SC_NPROCESSORS_ONLN);
    return processors > SERVING_THREADS_MIN ? (int)processors : SERVING_THREADS_MIN;
}

/* The library's own way to stop listening (MHD_quiesce_daemon) races its threads over who
 * takes the socket out of the poll first, and aborts the process when they win. */
static enum MHD_Result accept_policy(void *context, const struct sockaddr *address,
                                     socklen_t length)
{
    struct request_context *shared = context;
    (void)address;
    (void)length;
    return atomic_load(&shared->stopping) ? MHD_NO : MHD_YES;
}

/* Takes the socket over when it succeeds: MHD_stop_daemon closes it. */
static struct MHD_Daemon *serve(struct http *http, int socket, int limit)
{
    struct request_context *shared = &http->shared;
    return MHD_start_daemon(
        MHD_USE_INTERNAL_POLLING_THREAD | MHD_USE_EPOLL | MHD_ALLOW_SUSPEND_RESUME |
            MHD_USE_ITC,
        0, accept_policy, shared, handle, NULL, MHD_OPTION_LISTEN_SOCKET, socket,
        MHD_OPTION_THREAD_POOL_SIZE, (unsigned)serving_threads(),
        MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)CONNECTION_MEMORY_BYTES,
        MHD_OPTION_CONNECTION_LIMIT, (unsigned)limit, MHD_OPTION_CONNECTION_TIMEOUT,
        (unsigned)CONNECTION_IDLE_S, MHD_OPTION_URI_LOG_CALLBACK, begin, shared,
        MHD_OPTION_NOTIFY_COMPLETED, completed, shared, MHD_OPTION_NOTIFY_CONNECTION,
        notice_connection, shared, MHD_OPTION_END);
}

/* Descriptors are divided among the listeners, once it is known how many there are. */
static bool start_connections(struct http *http, int *ret_limit,
                              struct server_problem *problem)
{
    int threads = serving_threads();
    int reserved = DESCRIPTORS_BASE +
                   DESCRIPTORS_WORKER * http->shared.config.options->workers +
                   DESCRIPTORS_THREAD * threads * http->count;
    *ret_limit = connections_limit(http->count, reserved, threads);
    const struct connections_config config = {.limit = *ret_limit * http->count,
                                              .new_ms = CONNECTION_NEW_MS,
                                              .idle_ms = CONNECTION_IDLE_S * 1000};
    return connections_start(&config, &http->shared.connections, problem);
}

/* Sockets first: then every name is known before the first request is served. */
static bool listen_and_serve(struct http *http, struct server_problem *problem)
{
    const struct options *options = http->shared.config.options;
    for (; http->count < options->listen_count; http->count++)
        if (!listener_open(options->listen[http->count], &http->listeners[http->count],
                           problem))
            return false;
    int limit;
    if (!start_connections(http, &limit, problem))
        return false;
    fill_hosts(http);
    for (int i = 0; i < http->count; i++) {
        http->daemons[i] = serve(http, http->listeners[i].socket, limit);
        if (http->daemons[i] == NULL)
            return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "listen",
                                      "The threads that serve %s could not be started.",
                                      http->listeners[i].url);
    }
    return true;
}

bool http_start(const struct http_config *config, struct http **ret,
                struct server_problem *problem)
{
    struct http *http = calloc(1, sizeof *http);
    if (http == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "There is no memory for the HTTP side.");
    http->shared.config = *config;
    if (deadlines_start(&http->shared.deadlines, problem) &&
        offload_start(BLOCKING_THREADS, &http->shared.offload, problem) &&
        listen_and_serve(http, problem)) {
        *ret = http;
        return true;
    }
    http_stop(http);
    return false;
}

const char *http_url(const struct http *http, int index)
{
    return index < http->count ? http->listeners[index].url : NULL;
}

/* Waits until no request is under way; false when some still are at the end of the time.
 */
static bool drain(struct http *http)
{
    const struct timespec step = {.tv_nsec = DRAIN_STEP_MS * 1000000L};
    int64_t end_ms = clock_monotonic_ms() + DRAIN_MS;
    while (atomic_load(&http->shared.active) > 0 && clock_monotonic_ms() < end_ms)
        nanosleep(&step, NULL);
    return atomic_load(&http->shared.active) == 0;
}

/* Nobody may be suspended when the library is stopped (it aborts the process): who waits
 * for news is woken at once, work under way when the time is up, and the blocking threads
 * finish what they have. */
void http_stop(struct http *http)
{
    if (http == NULL)
        return;
    atomic_store(&http->shared.stopping, true);
    if (http->shared.deadlines != NULL)
        deadlines_fire_all(http->shared.deadlines, DEADLINE_WAIT);
    if (!drain(http))
        log_line(LOG_LEVEL_WARNING, "%d requests are broken off by the end of the daemon",
                 atomic_load(&http->shared.active));
    if (http->shared.deadlines != NULL)
        deadlines_fire_all(http->shared.deadlines, DEADLINE_WORK);
    offload_stop(http->shared.offload);
    for (int i = 0; i < http->count; i++) {
        if (http->daemons[i] != NULL)
            MHD_stop_daemon(http->daemons[i]);
        else
            close(http->listeners[i].socket);
    }
    connections_stop(http->shared.connections);
    deadlines_stop(http->shared.deadlines);
    free(http);
}
