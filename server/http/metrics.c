#include "server/http/metrics.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

void metrics_count(struct metrics *metrics, bool unsafe, unsigned status,
                   int64_t body_bytes)
{
    unsigned class = status / 100;
    if (class >= 1 && class <= METRICS_CLASSES)
        atomic_fetch_add_explicit(&metrics->answers[unsafe][class - 1], 1,
                                  memory_order_relaxed);
    if (body_bytes > 0)
        atomic_fetch_add_explicit(&metrics->body_bytes, (unsigned long long)body_bytes,
                                  memory_order_relaxed);
}

void metrics_count_upload(struct metrics *metrics, uint64_t bytes)
{
    atomic_fetch_add_explicit(&metrics->uploads, 1, memory_order_relaxed);
    atomic_fetch_add_explicit(&metrics->upload_bytes, bytes, memory_order_relaxed);
}

static void head(FILE *out, const char *name, const char *type, const char *help)
{
    fprintf(out, "# HELP %s %s\n# TYPE %s %s\n", name, help, name, type);
}

static void gauge(FILE *out, const char *name, const char *help, double value)
{
    head(out, name, "gauge", help);
    fprintf(out, "%s %.17g\n", name, value);
}

static void counter(FILE *out, const char *name, const char *help,
                    unsigned long long value)
{
    head(out, name, "counter", help);
    fprintf(out, "%s %llu\n", name, value);
}

static void write_http(FILE *out, struct request_context *shared)
{
    static const char answers[] = "residuum_http_responses_total";
    struct metrics *metrics = &shared->metrics;
    static const char *const methods[] = {"read", "write"};
    head(out, answers, "counter",
         "Answers sent: to methods that read or that may write, by class of status.");
    for (int k = 0; k < 2; k++)
        for (int i = 0; i < METRICS_CLASSES; i++)
            fprintf(out, "%s{method=\"%s\",code=\"%dxx\"} %lu\n", answers, methods[k],
                    i + 1, atomic_load(&metrics->answers[k][i]));
    gauge(out, "residuum_http_connections_open", "Connections open, this one included.",
          atomic_load(&metrics->connections));
    counter(out, "residuum_uploads_total", "Recordings taken.",
            atomic_load(&metrics->uploads));
    counter(out, "residuum_upload_bytes_total", "Bytes of the recordings taken.",
            atomic_load(&metrics->upload_bytes));
    counter(out, "residuum_http_request_body_bytes_total",
            "Bytes of request bodies read, of requests answered.",
            atomic_load(&metrics->body_bytes));
    gauge(out, "residuum_http_requests_in_progress",
          "Requests under way, this one included.", atomic_load(&shared->active));
    gauge(out, "residuum_renders_in_progress", "Test signals being rendered.",
          atomic_load(&shared->renders));
}

/* Cumulative, as the format has it: each bucket counts all that took no longer. */
static void write_durations(FILE *out, const struct queue_status *queue)
{
    static const char name[] = "residuum_analysis_duration_seconds";
    unsigned long count = 0;
    head(out, name, "histogram", "Time from the start to the end of analyses done.");
    for (int i = 0; i < QUEUE_DURATIONS; i++) {
        count += queue->took[i];
        if (i < QUEUE_DURATIONS - 1)
            fprintf(out, "%s_bucket{le=\"%g\"} %lu\n", name,
                    (double)queue_duration_ms[i] / 1000, count);
    }
    fprintf(out, "%s_bucket{le=\"+Inf\"} %lu\n", name, count);
    fprintf(out, "%s_sum %.17g\n", name, (double)queue->took_ms / 1000);
    fprintf(out, "%s_count %lu\n", name, count);
}

static void write_health(FILE *out, const struct queue_status *queue)
{
    static const char ended[] = "residuum_capture_health_ended_total";
    gauge(out, "residuum_capture_health_waiting",
          "Recordings whose health waits for a worker.", queue->health.waiting);
    gauge(out, "residuum_capture_health_running",
          "Recordings whose health is being looked at.", queue->health.running);
    head(out, ended, "counter", "Looks at the health of recordings, by how they ended.");
    fprintf(out, "%s{state=\"done\"} %lu\n", ended, queue->health.done);
    fprintf(out, "%s{state=\"failed\"} %lu\n", ended, queue->health.failed);
    counter(out, "residuum_captures_quarantined_total",
            "Recordings put into quarantine, since workers died over them.",
            queue->quarantined);
}

static double age_s(int64_t since_ms)
{
    int64_t age_ms = clock_wall_ms() - since_ms;
    return since_ms == 0 || age_ms < 0 ? 0 : (double)age_ms / 1000;
}

static void write_work(FILE *out, const struct http_config *config, bool stopping)
{
    static const char ended[] = "residuum_analyses_ended_total";
    struct queue_status queue = queue_status(config->queue);
    struct http_workers workers;
    config->services.status(config->services.context, &workers);
    gauge(out, "residuum_ready", "1 when work is taken, else 0.",
          workers.alive > 0 && store_takes_changes(config->store) && !stopping);
    gauge(out, "residuum_analyses_waiting", "Analyses that wait for a worker.",
          queue.waiting);
    gauge(out, "residuum_analyses_oldest_waiting_seconds",
          "How long the oldest of them has been waiting; 0 where none waits.",
          age_s(queue.oldest_ms));
    gauge(out, "residuum_analyses_running", "Analyses that run.", queue.running);
    write_durations(out, &queue);
    head(out, ended, "counter", "Analyses that have ended, by how.");
    fprintf(out, "%s{state=\"done\"} %lu\n", ended, queue.done);
    fprintf(out, "%s{state=\"failed\"} %lu\n", ended, queue.failed);
    fprintf(out, "%s{state=\"cancelled\"} %lu\n", ended, queue.cancelled);
    write_health(out, &queue);
    gauge(out, "residuum_workers_alive", "Worker processes alive.", workers.alive);
    gauge(out, "residuum_workers_busy", "Worker processes at work.", workers.busy);
    counter(out, "residuum_worker_crashes_total", "Deaths of workers not caused here.",
            workers.crashes);
    counter(out, "residuum_worker_timeouts_total", "Workers killed past their deadline.",
            workers.timeouts);
    counter(out, "residuum_worker_out_of_memory_total",
            "Workers replaced because they ran out of memory.", workers.out_of_memory);
    counter(out, "residuum_worker_violations_total",
            "Workers killed for a system call that no analysis makes.",
            workers.violations);
    counter(out, "residuum_worker_retirements_total",
            "Workers replaced after their share of jobs.", workers.retired);
    gauge(out, "residuum_disk_free_bytes", "Bytes free on the disk of the state folder.",
          (double)spool_free_bytes(config->spool));
}

/* Named as other programs name them; left out where the system does not tell. */
static void write_process(FILE *out, const struct metrics *metrics)
{
    char line[128] = "";
    struct rlimit files;
    gauge(out, "process_start_time_seconds", "When it began, in seconds since 1970.",
          (double)metrics->started_ms / 1000);
    FILE *memory = fopen("/proc/self/statm", "re"); /* in pages: all, resident, … */
    if (memory != NULL && fgets(line, sizeof line, memory) != NULL &&
        strchr(line, ' ') != NULL)
        gauge(out, "process_resident_memory_bytes", "Memory held by the daemon.",
              strtod(strchr(line, ' '), NULL) * (double)sysconf(_SC_PAGESIZE));
    if (memory != NULL)
        fclose(memory);
    DIR *open_files = opendir("/proc/self/fd");
    if (open_files != NULL) {
        int count = -3; /* ".", ".." and that of the folder */
        while (readdir(open_files) != NULL)
            count++;
        closedir(open_files);
        gauge(out, "process_open_fds", "File descriptors open.", count);
    }
    if (getrlimit(RLIMIT_NOFILE, &files) == 0)
        gauge(out, "process_max_fds", "File descriptors that may be open.",
              (double)files.rlim_cur);
}

static void answer(struct request *request)
{
    struct request_context *shared = request->shared;
    char *text = NULL;
    size_t bytes = 0;
    struct MHD_Response *response = NULL;
    FILE *out = open_memstream(&text, &bytes);
    if (out != NULL) {
        head(out, "residuum_build_info", "gauge", "The version that runs.");
        fprintf(out, "residuum_build_info{version=\"%s\"} 1\n", RESIDUUM_VERSION);
        write_work(out, &shared->config, atomic_load(&shared->stopping));
        write_http(out, shared);
        write_process(out, &shared->metrics);
        if (fclose(out) == 0)
            response =
                MHD_create_response_from_buffer(bytes, text, MHD_RESPMEM_MUST_FREE);
    }
    if (response == NULL)
        free(text);
    reply_response(request, MHD_HTTP_OK, "text/plain; version=0.0.4; charset=utf-8",
                   response);
}

const struct route metrics_routes[] = {
    {.method = "GET",
     .path = "/metrics",
     .query = "",
     .summary = "Counters and gauges of the daemon in the text format of Prometheus.",
     .replies = "200 text/plain",
     .answer = answer},
    {0},
};
