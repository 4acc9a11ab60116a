/* residuumd, the measurement daemon: the only file that knows every part. */
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>

#include "server/base/limits.h"
#include "server/base/log.h"
#include "server/base/options.h"
#include "server/catalogue/catalogue.h"
#include "server/control/ask.h"
#include "server/control/control.h"
#include "server/http/http.h"
#include "server/queue/queue.h"
#include "server/store/content.h"
#include "server/store/spool.h"
#include "server/store/store.h"
#include "server/workers/workers.h"

enum {
    EXIT_CANNOT_START = 1,
    EXIT_USAGE = 2,
    MESSAGE_BYTES = 400,
    DESCRIPTORS_MAX = 65536,
    TEND_S = 5, /* between two looks at the disk */
};

static const char backup_usage[] =
    "residuumd backup DIR [--state DIR]: has the daemon that runs on the state folder "
    "back "
    "it\nup to DIR, which does not exist yet. residuumd --state DIR goes on from there.";

struct daemon {
    struct options options;
    struct spool *spool;
    struct store *store;
    struct content_checks *checks;
    struct workers *workers;
    struct catalogue *catalogue;
    struct queue *queue;
    struct http *http;
    struct control *control;
};

static enum http_outcome run_for_http(struct workers *workers,
                                      const struct workers_call *call, json_t **answer,
                                      struct server_problem *problem)
{
    switch (workers_run(workers, call, answer, problem)) {
    case WORKERS_DONE:
        return HTTP_OUTCOME_DONE;
    case WORKERS_REFUSED:
        return HTTP_OUTCOME_REFUSED;
    case WORKERS_STOPPED:
        return HTTP_OUTCOME_UNASKED;
    default:
        return HTTP_OUTCOME_FAILED;
    }
}

static enum http_outcome inspect(void *context, int capture, const atomic_bool *cancel,
                                 json_t **answer, struct server_problem *problem)
{
    json_t *request = json_pack("{s:s}", "request", "inspect");
    const struct workers_call call = {
        .class = WORKERS_INSPECT,
        .request = request,
        .descriptors = {capture, -1, -1},
        .deadline_s = LIMIT_INSPECT_S,
        .cancel = cancel,
    };
    enum http_outcome outcome = run_for_http(context, &call, answer, problem);
    json_decref(request);
    return outcome;
}

static enum http_outcome render(void *context, const json_t *request, int output,
                                int deadline_s, const atomic_bool *cancel,
                                json_t **answer, struct server_problem *problem)
{
    const struct workers_call call = {
        .class = WORKERS_JOB,
        .request = request,
        .descriptors = {output, -1, -1},
        .deadline_s = deadline_s,
        .cancel = cancel,
    };
    return run_for_http(context, &call, answer, problem);
}

static void status(void *context, struct http_workers *ret)
{
    struct workers_status status = workers_status(context);
    *ret = (struct http_workers){
        .alive = status.alive,
        .busy = status.busy,
        .crashes = status.crashes,
        .timeouts = status.timeouts,
        .retired = status.retired,
        .out_of_memory = status.out_of_memory,
        .violations = status.violations,
    };
}

/* Asks a worker what it can do. */
static bool describe(struct daemon *daemon, struct server_problem *problem)
{
    json_t *request = json_pack("{s:s}", "request", "describe");
    json_t *answer = NULL;
    const struct workers_call call = {
        .class = WORKERS_JOB,
        .request = request,
        .descriptors = {-1, -1, -1},
        .deadline_s = LIMIT_DESCRIBE_S,
    };
    enum workers_outcome outcome = workers_run(daemon->workers, &call, &answer, problem);
    json_decref(request);
    if (outcome != WORKERS_DONE)
        return server_problem_set(
            problem, SERVER_PROBLEM_UNAVAILABLE, "worker",
            "The worker %.250s did not describe itself within %d s.",
            daemon->options.worker, LIMIT_DESCRIBE_S);
    bool taken = catalogue_new(answer, &daemon->catalogue, problem);
    json_decref(answer);
    return taken;
}

static bool start_http(struct daemon *daemon, struct server_problem *problem)
{
    const struct http_config config = {
        .options = &daemon->options,
        .store = daemon->store,
        .spool = daemon->spool,
        .queue = daemon->queue,
        .catalogue = daemon->catalogue,
        .services = {daemon->workers, inspect, render, status},
    };
    return http_start(&config, &daemon->http, problem);
}

static bool start(struct daemon *daemon, struct server_problem *problem)
{
    const char *state = daemon->options.state;
    if (!spool_open(state, &daemon->spool, problem) ||
        !store_open(state, &daemon->store, problem) ||
        !spool_sweep(daemon->spool, daemon->store, problem) ||
        !content_checks_start(daemon->spool, daemon->store, &daemon->checks, problem))
        return false;
    const struct workers_config workers = {daemon->options.worker,
                                           daemon->options.workers};
    if (!workers_start(&workers, &daemon->workers, problem) || !describe(daemon, problem))
        return false;
    const struct queue_config queue = {daemon->store, daemon->spool, daemon->workers,
                                       daemon->options.workers};
    return queue_start(&queue, &daemon->queue, problem) && start_http(daemon, problem) &&
           control_start(state, daemon->spool, daemon->store, &daemon->control, problem);
}

/* In the order of the way in: nobody asks any more, nothing runs any more, all is
 * written. */
static void stop(struct daemon *daemon)
{
    control_stop(daemon->control);
    http_stop(daemon->http);
    if (daemon->queue != NULL)
        queue_stop(daemon->queue);
    if (daemon->workers != NULL)
        workers_stop(daemon->workers);
    content_checks_stop(daemon->checks);
    catalogue_free(daemon->catalogue);
    if (daemon->store != NULL)
        store_close(daemon->store);
    if (daemon->spool != NULL)
        spool_close(daemon->spool);
}

/* Blocked in every thread and waited for by this one. */
static sigset_t block_signals(void)
{
    sigset_t ends;
    sigemptyset(&ends);
    sigaddset(&ends, SIGTERM);
    sigaddset(&ends, SIGINT);
    pthread_sigmask(SIG_BLOCK, &ends, NULL);
    signal(SIGPIPE, SIG_IGN); /* sendfile to a client that left */
    return ends;
}

/* A connection takes one or two descriptors: as many as this user may have, within
 * reason. */
static void raise_descriptor_limit(void)
{
    struct rlimit files;
    if (getrlimit(RLIMIT_NOFILE, &files) != 0)
        return;
    rlim_t wanted = files.rlim_max < DESCRIPTORS_MAX ? files.rlim_max : DESCRIPTORS_MAX;
    if (files.rlim_cur < wanted) {
        files.rlim_cur = wanted;
        setrlimit(RLIMIT_NOFILE, &files);
    }
}

/* The signal that ends it. */
static int wait_for_end(struct daemon *daemon, const sigset_t *ends)
{
    static const struct timespec pause = {.tv_sec = TEND_S};
    int received;
    while ((received = sigtimedwait(ends, NULL, &pause)) < 0)
        spool_tend(daemon->spool);
    return received;
}

/* residuumd backup DIR [OPTION…]: the options tell which state folder. */
static int command_backup(int argc, char **argv)
{
    struct options *options = calloc(1, sizeof *options);
    char message[MESSAGE_BYTES];
    int status = EXIT_USAGE;
    if (options == NULL || argc < 3 || argv[2][0] == '-')
        fprintf(stderr, "residuumd: %s\n", backup_usage);
    else if (!options_read(argc - 2, argv + 2, options, message))
        fprintf(stderr, "residuumd: %s\n", message);
    else
        status = ask_backup(options->state, argv[2]);
    free(options);
    return status;
}

int main(int argc, char **argv)
{
    static struct daemon daemon; /* too large for a stack */
    struct server_problem problem = {0};
    char message[MESSAGE_BYTES];
    if (argc > 1 && strcmp(argv[1], "backup") == 0)
        return command_backup(argc, argv);
    if (!options_read(argc, argv, &daemon.options, message)) {
        fprintf(stderr, "residuumd: %s\n", message);
        return EXIT_USAGE;
    }
    if (daemon.options.help) {
        options_print_help(stdout);
        printf("\n%s\n", backup_usage);
        return EXIT_SUCCESS;
    }
    if (daemon.options.version) {
        puts("residuumd " RESIDUUM_VERSION);
        return EXIT_SUCCESS;
    }

    raise_descriptor_limit();
    sigset_t ends = block_signals();
    bool started = start(&daemon, &problem);
    if (started) {
        for (int i = 0; http_url(daemon.http, i) != NULL; i++)
            fprintf(stderr, "listening on %s\n", http_url(daemon.http, i));
        int received = wait_for_end(&daemon, &ends);
        log_line(LOG_LEVEL_INFO, "stopping on signal %d", received);
    } else {
        fprintf(stderr, "residuumd: %s\n", problem.detail);
    }
    stop(&daemon);
    return started ? EXIT_SUCCESS : EXIT_CANNOT_START;
}
