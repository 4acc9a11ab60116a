/* inserts FOLDER: for each line read from standard input, adds analyses to a store in the
 * folder, one client after the other and 64 at a time, and appends as many bytes as an
 * analysis has to a file, each with its fdatasync. Prints the seconds of one durable add
 * by one client, of one append, and of one add while 64 clients add. */
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/store/store.h"

enum { ROUNDS = 200, CLIENTS = 64, ROUNDS_EACH = 25, PATH_BYTES = 4096 };

static char capture_id[ID_BYTES];

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void fail(const char *what)
{
    fprintf(stderr, "inserts: %s\n", what);
    exit(EXIT_FAILURE);
}

static void fill(struct store_analysis *analysis)
{
    *analysis = (struct store_analysis){
        .measurement = (char *)"distortion",
        .settings = (char *)"{\"frequency_hz\":997,\"harmonics\":10}",
        .tester = (char *)"local",
        .state = STORE_QUEUED,
        .created_ms = clock_wall_ms(),
    };
    id_new("ana", analysis->id);
    memcpy(analysis->capture, capture_id, ID_BYTES);
}

static void add(struct store *store)
{
    struct store_analysis analysis;
    struct server_problem problem = {0};
    fill(&analysis);
    if (!store_analysis_add(store, &analysis, &problem))
        fail(problem.detail);
}

static void *add_each(void *store)
{
    for (int i = 0; i < ROUNDS_EACH; i++)
        add(store);
    return NULL;
}

static double one_client_s(struct store *store)
{
    double begin_s = now_s();
    for (int i = 0; i < ROUNDS; i++)
        add(store);
    return (now_s() - begin_s) / ROUNDS;
}

static double many_clients_s(struct store *store)
{
    pthread_t threads[CLIENTS];
    double begin_s = now_s();
    for (int i = 0; i < CLIENTS; i++)
        if (pthread_create(&threads[i], NULL, add_each, store) != 0)
            fail("no thread");
    for (int i = 0; i < CLIENTS; i++)
        pthread_join(threads[i], NULL);
    return (now_s() - begin_s) / (CLIENTS * ROUNDS_EACH);
}

/* As many bytes as the row's own text: no page, no index. */
static double append_s(int file)
{
    char row[256];
    struct store_analysis analysis;
    fill(&analysis);
    int bytes = snprintf(row, sizeof row, "%s %s %s %s %s %lld\n", analysis.id,
                         analysis.capture, analysis.measurement, analysis.settings,
                         analysis.tester, (long long)analysis.created_ms);
    double begin_s = now_s();
    for (int i = 0; i < ROUNDS; i++)
        if (write(file, row, (size_t)bytes) != bytes || fdatasync(file) != 0)
            fail("the append failed");
    return (now_s() - begin_s) / ROUNDS;
}

static void add_capture(struct store *store)
{
    struct server_problem problem = {0};
    struct store_capture capture = {
        .name = (char *)"unit A",
        .note = (char *)"",
        .tester = (char *)"local",
        .warnings = (char *)"[]",
        .received_ms = clock_wall_ms(),
    };
    id_new("cap", capture.id);
    memset(capture.sha256, 'a', sizeof capture.sha256 - 1);
    memcpy(capture_id, capture.id, ID_BYTES);
    if (!store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem))
        fail(problem.detail);
}

int main(int argc, char **argv)
{
    char line[8], path[PATH_BYTES];
    struct store *store = NULL;
    struct server_problem problem = {0};
    if (argc != 2 || !store_open(argv[1], &store, &problem))
        fail(argc == 2 ? problem.detail : "usage: inserts FOLDER");
    snprintf(path, sizeof path, "%s/appended", argv[1]);
    int file = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if (file < 0)
        fail("the file to append to cannot be made");
    add_capture(store);
    while (fgets(line, sizeof line, stdin) != NULL) {
        double one_s = one_client_s(store);
        double bare_s = append_s(file);
        printf("%.9f %.9f %.9f\n", one_s, bare_s, many_clients_s(store));
        fflush(stdout);
    }
    close(file);
    store_close(store);
    return EXIT_SUCCESS;
}
