#include "server/http/http.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/base/log.h"
#include "server/http/connections.h"
#include "server/http/intake.h"
#include "server/http/listener.h"
#include "server/http/reply.h"
#include "server/http/request.h"
#include "server/http/resources.h"

enum {
    SERVING_THREADS_MIN = 4,
    BLOCKING_THREADS = 16,
    CONNECTION_MEMORY_BYTES = 64 * 1024,
    CONNECTION_IDLE_S = 30, /* without a byte, or between two requests */
    CONNECTION_NEW_MS = 10000,
    LINGER_SOCKETS = 32,
    LINGER_SILENT_MS = 5000,
    /* Descriptors: of the daemon, of a worker and its job, of a thread that serves. */
    DESCRIPTORS_BASE = 128 + LINGER_SOCKETS,
    DESCRIPTORS_WORKER = 5,
    DESCRIPTORS_THREAD = 3,
    DRAIN_MS = 5000,
    DRAIN_STEP_MS = 10,
};
struct http {
    struct request_context shared;
    struct listener listeners[OPTIONS_LISTENERS_MAX];
    struct MHD_Daemon *daemons[OPTIONS_LISTENERS_MAX];
    int count;
};

static enum MHD_Result queue_reply(struct request *request)
{
    if (request->kept != NULL)
        return MHD_queue_response(request->connection, request->status,
                                  finished_response(request->kept));
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
    reply_nothing(request);
    reply_header(request, "Allow", request->match.allowed);
}

/* Whatever the route does with it, the body has no members but those of its table. */
static bool read_json(struct request *request)
{
    return body_parse(&request->body, &request->json, &request->refusal) &&
           body_check_fields(request->json, request->match.route->fields,
                             &request->refusal);
}

/* The body is in: takes the request one step further. */
static void advance(struct request *request)
{
    const struct route *route = request->match.route;
    bool unread = request_lacks_json(request);
    if (request->refusal.code != SERVER_PROBLEM_NONE || (unread && !read_json(request)))
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
        request->connection = connection;
        connections_begin(connection_of(connection));
        /* A reply queued in this call closes the connection. */
        if (intake_begin(request, method, version))
            return MHD_YES;
        reply_problem(request, &request->refusal);
        return queue_reply(request);
    }
    if (*piece_bytes > 0) {
        bool taken = intake_piece(request, piece, *piece_bytes);
        *piece_bytes = 0;
        return taken ? MHD_YES : MHD_NO;
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

/* The library closes the connection next. */
static void linger(struct request_context *shared, struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    if (info != NULL)
        lingering_add(shared->lingering, info->connect_fd);
}

static void completed(void *context, struct MHD_Connection *connection, void **state,
                      enum MHD_RequestTerminationCode code)
{
    struct request_context *shared = context;
    const struct request *request = *state;
    bool answered = code == MHD_REQUEST_TERMINATED_COMPLETED_OK;
    bool early = request != NULL && request->early;
    if (early)
        linger(shared, connection);
    if (request != NULL && (answered || early))
        metrics_count(&shared->metrics, request->unsafe, request->status,
                      request->body_bytes);
    request_free(*state);
    *state = NULL;
    connections_end(connection_of(connection));
}

static void notice_connection(void *context, struct MHD_Connection *connection,
                              void **state, enum MHD_ConnectionNotificationCode code)
{
    struct request_context *shared = context;
    atomic_fetch_add(&shared->metrics.connections,
                     code == MHD_CONNECTION_NOTIFY_CLOSED ? -1 : 1);
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
    http->shared.metrics.started_ms = clock_wall_ms();
    const struct lingering_config linger = {.sockets = LINGER_SOCKETS,
                                            .time_ms = INTAKE_DROP_MS,
                                            .silent_ms = LINGER_SILENT_MS,
                                            .bytes = INTAKE_DROP_BYTES};
    http->shared.finished = finished_new();
    if (http->shared.finished == NULL)
        server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                           "There is no memory for the answers to polls.");
    else if (openapi_new(resources_tables, config->catalogue, &http->shared.openapi,
                         problem) &&
             lingering_start(&linger, &http->shared.lingering, problem) &&
             deadlines_start(&http->shared.deadlines, problem) &&
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
    lingering_stop(http->shared.lingering);
    deadlines_stop(http->shared.deadlines);
    finished_free(http->shared.finished);
    openapi_free(http->shared.openapi);
    free(http);
}
