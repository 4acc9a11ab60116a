/* States, attempts, order and what survives: expected as queue.h and the limits promise.
 */
#include "server/queue/queue.h"

#include <dirent.h>
#include <pthread.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/stat.h>

#include "analysis/worker/wire.h"
#include "server/base/limits.h"
#include "server/queue/attempt.h"
#include "tests/server/queue/house.h"

static int part_files(const struct house *house)
{
    char path[PATH_MAX];
    house_path(house, "results", path);
    DIR *folder = opendir(path);
    assert_non_null(folder);
    int count = 0;
    for (struct dirent *entry; (entry = readdir(folder)) != NULL;)
        count += strstr(entry->d_name, ".part") != NULL;
    closedir(folder);
    return count;
}

static void a_job_is_done_and_its_result_kept(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    int64_t before_ms = clock_wall_ms();
    house_add(&house, "done", NULL, id);
    house_wait(&house, id, STORE_DONE);
    struct store_analysis analysis;
    assert_true(store_analysis_get(house.store, id, &analysis));
    assert_int_equal(analysis.attempts, 0);
    assert_null(analysis.problem);
    assert_true(analysis.started_ms >= before_ms);
    assert_true(analysis.finished_ms >= analysis.started_ms);
    store_analysis_free(&analysis);
    int result = spool_open_result(house.spool, id);
    assert_true(result >= 0);
    struct stat file;
    assert_int_equal(fstat(result, &file), 0);
    assert_int_equal(file.st_size, sizeof(struct wire_result_header)); /* what it wrote */
    close(result);
    assert_int_equal(part_files(&house), 0);
    assert_int_equal(queue_status(house.queue).waiting, 0);
    house_close(&house);
}

static void progress_and_positions_are_seen(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char first[ID_BYTES], second[ID_BYTES], third[ID_BYTES];
    house_add(&house, "progress", "go", first);
    house_add(&house, "done", NULL, second);
    house_add(&house, "done", NULL, third);
    struct queue_view view = {0};
    for (int i = 0; i < 4000 && view.progress < 0.5; i++) {
        queue_view_free(&view);
        poll(NULL, 0, 5);
        assert_true(queue_get(house.queue, first, &view));
    }
    assert_close(view.progress, 0.5, 0);
    assert_int_equal(view.analysis.state, STORE_RUNNING);
    assert_true(view.analysis.started_ms > 0);
    queue_view_free(&view);
    assert_true(queue_get(house.queue, third, &view));
    assert_int_equal(view.analysis.state, STORE_QUEUED);
    assert_int_equal(view.position, 2);
    assert_string_equal(view.analysis.measurement, "distortion");
    queue_view_free(&view);
    assert_int_equal(queue_status(house.queue).waiting, 2);
    assert_int_equal(queue_status(house.queue).running, 1);
    house_touch(&house, "go");
    house_wait(&house, third, STORE_DONE);
    assert_int_equal(house_state(&house, second), STORE_DONE);
    assert_false(queue_get(house.queue, "ana_aaaaaaaaaaaaaaaaaaaa", &view));
    house_close(&house);
}

/* what a worker does, and how the analysis ends: by the table of outcomes in workers.h */
static const struct end_case {
    const char *act, *code;
    int attempts;
} ends[] = {
    {"crash", "worker_crashed", 2},  {"empty-result", "worker_crashed", 2},
    {"refuse", "not_measurable", 0}, {"no-memory", "out_of_memory", 0},
    {"io-error", "unavailable", 0}, /* with room on the disk it is the recording's fault
                                     */
};

static void a_failure_is_recorded(void **state)
{
    const struct end_case *row = *state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES], code[64];
    house_add(&house, row->act, NULL, id);
    house_wait(&house, id, STORE_FAILED);
    house_code(&house, id, code);
    assert_string_equal(code, row->code);
    struct store_analysis analysis;
    assert_true(store_analysis_get(house.store, id, &analysis));
    assert_int_equal(analysis.attempts, row->attempts);
    assert_true(analysis.finished_ms >= analysis.started_ms);
    store_analysis_free(&analysis);
    assert_int_equal(spool_open_result(house.spool, id), -1);
    assert_int_equal(part_files(&house), 0);
    house_add(&house, "done", NULL, id); /* the queue goes on */
    house_wait(&house, id, STORE_DONE);
    house_close(&house);
}

static void a_refusal_keeps_its_field(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "refuse", NULL, id);
    house_wait(&house, id, STORE_FAILED);
    struct store_analysis analysis;
    assert_true(store_analysis_get(house.store, id, &analysis));
    json_t *got = json_loads(analysis.problem, 0, NULL);
    json_t *want = json_pack("{s:s, s:s, s:s, s:s}", "code", "not_measurable", "title",
                             server_problem_meaning(SERVER_PROBLEM_NOT_MEASURABLE)->title,
                             "detail", "too short", "field", "duration_s");
    assert_true(json_equal(got, want));
    json_decref(got);
    json_decref(want);
    store_analysis_free(&analysis);
    house_close(&house);
}

static void one_death_of_the_worker_is_forgiven(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "crash-once", "crashed", id);
    house_wait(&house, id, STORE_DONE);
    struct store_analysis analysis;
    assert_true(store_analysis_get(house.store, id, &analysis));
    assert_int_equal(analysis.attempts, 1);
    store_analysis_free(&analysis);
    house_close(&house);
}

/* 60 s, and 1 s for every 4 MiB: design of the queue. */
static void the_deadline_grows_with_the_recording(void **state)
{
    (void)state;
    assert_int_equal(attempt_deadline_s(0), 60);
    assert_int_equal(attempt_deadline_s((4 << 20) - 1), 60);
    assert_int_equal(attempt_deadline_s(4 << 20), 61);
    assert_int_equal(attempt_deadline_s((uint64_t)4 << 30), 60 + 1024);
    assert_int_equal(attempt_deadline_s(UINT64_MAX), INT_MAX);
}

static void a_lost_recording_fails_with_a_sentence(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char object[200], path[PATH_MAX], id[ID_BYTES], code[64];
    snprintf(object, sizeof object, "objects/%.2s/%s", house.sha256, house.sha256);
    house_path(&house, object, path);
    assert_int_equal(truncate(path, 7), 0); /* of 8 bytes */
    house_add(&house, "done", NULL, id);
    house_wait(&house, id, STORE_FAILED);
    house_code(&house, id, code);
    assert_string_equal(code, "unavailable");
    assert_int_equal(unlink(path), 0);
    house_add(&house, "done", NULL, id);
    house_wait(&house, id, STORE_FAILED);
    house_code(&house, id, code);
    assert_string_equal(code, "unavailable");
    house_close(&house);
}

static void stopping_leaves_rows_queued_and_the_next_start_runs_them(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char running[ID_BYTES], waiting[ID_BYTES];
    house_add(&house, "wait-for-file", "go", running);
    house_add(&house, "done", NULL, waiting);
    house_wait(&house, running, STORE_RUNNING);
    int64_t start_ms = clock_monotonic_ms();
    house_stop(&house);
    assert_between((double)(clock_monotonic_ms() - start_ms), 0, 3000);
    const char *ids[] = {running, waiting};
    for (int i = 0; i < 2; i++) {
        struct store_analysis analysis;
        assert_true(store_analysis_get(house.store, ids[i], &analysis));
        assert_int_equal(analysis.state, STORE_QUEUED);
        assert_int_equal(analysis.attempts, 0);
        store_analysis_free(&analysis);
    }
    house_touch(&house, "go");
    house_start(&house, 1);
    house_wait(&house, running, STORE_DONE);
    house_wait(&house, waiting, STORE_DONE);
    house_close(&house);
}

/* A row that already counts two deaths (the daemon died before it could record the end).
 */
static void a_row_with_all_its_attempts_used_is_not_run_again(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    house_stop(&house);
    struct store_analysis analysis = house_analysis(&house, "done", NULL);
    struct server_problem problem = {0};
    assert_true(store_analysis_add(house.store, &analysis, &problem));
    assert_true(store_analysis_attempt(house.store, analysis.id, LIMIT_WORKER_ATTEMPTS,
                                       &problem));
    house_start(&house, 1);
    house_wait(&house, analysis.id, STORE_FAILED);
    char code[64];
    house_code(&house, analysis.id, code);
    assert_string_equal(code, "worker_crashed");
    store_analysis_free(&analysis);
    house_close(&house);
}

/* No descriptor is left for the recording: nobody's fault, so the job waits for better
 * times. */
static void a_shortage_of_descriptors_only_delays(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    struct rlimit former, tight;
    assert_int_equal(getrlimit(RLIMIT_NOFILE, &former), 0);
    tight = former;
    int lowest = dup(0);
    close(lowest);
    tight.rlim_cur = (rlim_t)lowest; /* all free numbers are above */
    char id[ID_BYTES];
    house_add(&house, "wait-for-file", "go", id); /* opens the store's files */
    house_touch(&house, "go");
    house_wait(&house, id, STORE_DONE);
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &tight), 0);
    int held[64], count = 0;
    while (count < 64 && (held[count] = dup(0)) >= 0)
        count++;
    house_add(&house, "done", NULL, id);
    for (int i = 0; i < 2000 && house_state(&house, id) == STORE_QUEUED; i++)
        poll(NULL, 0, 5);
    poll(NULL, 0, 300);
    enum store_state meanwhile = house_state(&house, id);
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &former), 0);
    while (count > 0)
        close(held[--count]);
    assert_int_equal(meanwhile, STORE_RUNNING);
    house_wait(&house, id, STORE_DONE);
    house_close(&house);
}

/* From now on this process may write no file beyond 1 byte: the store cannot record the
 * end, as on a full disk. The worker was started before and is not concerned. Gives the
 * former limit. */
static struct rlimit forbid_writing(void)
{
    struct rlimit former, tiny;
    signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &former), 0);
    tiny = former;
    tiny.rlim_cur = 1;
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &tiny), 0);
    return former;
}

/** The state half a second after the result was kept: time enough to record the end. */
static enum store_state state_after_result(struct house *house, const char *id)
{
    int result = -1;
    for (int i = 0; i < 4000 && result < 0; i++) {
        poll(NULL, 0, 5);
        result = spool_open_result(house->spool, id);
    }
    close(result);
    poll(NULL, 0, 500);
    return house_state(house, id);
}

static void an_end_that_cannot_be_recorded_is_recorded_later(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "wait-for-file", "go", id);
    house_wait(&house, id, STORE_RUNNING);
    struct rlimit former = forbid_writing();
    house_touch(&house, "go");
    enum store_state meanwhile = state_after_result(&house, id);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &former), 0);
    assert_int_equal(meanwhile, STORE_RUNNING);
    house_wait(&house, id, STORE_DONE);
    house_close(&house);
}

static void stopping_does_not_wait_for_a_failing_disk(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "wait-for-file", "go", id);
    house_wait(&house, id, STORE_RUNNING);
    struct rlimit former = forbid_writing();
    house_touch(&house, "go");
    enum store_state meanwhile = state_after_result(&house, id);
    int64_t start_ms = clock_monotonic_ms();
    house_stop(&house);
    double took_ms = (double)(clock_monotonic_ms() - start_ms);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &former), 0);
    assert_int_equal(meanwhile, STORE_RUNNING);
    assert_between(took_ms, 0, 3000);
    struct store_analysis analysis;
    assert_true(store_analysis_get(house.store, id, &analysis));
    assert_int_equal(analysis.state, STORE_QUEUED);
    store_analysis_free(&analysis);
    house_start(&house, 1);
    house_wait(&house, id, STORE_DONE);
    house_close(&house);
}

static void damaged_settings_fail_with_a_sentence(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    struct store_analysis analysis = house_analysis(&house, "done", NULL);
    analysis.settings[strlen(analysis.settings) - 1] = '\0'; /* without its last brace */
    struct server_problem problem = {0};
    assert_true(queue_add(house.queue, &analysis, &problem));
    house_wait(&house, analysis.id, STORE_FAILED);
    char code[64];
    house_code(&house, analysis.id, code);
    assert_string_equal(code, "bad_json");
    store_analysis_free(&analysis);
    house_close(&house);
}

static void count_call(void *context)
{
    atomic_fetch_add((atomic_int *)context, 1);
}

static void wait_count(atomic_int *count, int want)
{
    for (int i = 0; i < 4000 && atomic_load(count) != want; i++)
        poll(NULL, 0, 5);
    assert_int_equal(atomic_load(count), want);
}

static void watches_are_called_once(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "wait-for-file", "go", id);
    atomic_int count = 0, dropped_count = 0;
    struct queue_watch *first, *second, *dropped, *late, *none = NULL;
    assert_true(queue_watch(house.queue, id, count_call, &count, &first));
    assert_true(queue_watch(house.queue, id, count_call, &dropped_count, &dropped));
    assert_true(queue_watch(house.queue, id, count_call, &count, &second));
    queue_unwatch(house.queue, dropped);
    poll(NULL, 0, 50);
    assert_int_equal(atomic_load(&count), 0);
    house_touch(&house, "go");
    wait_count(&count, 2);
    assert_int_equal(house_state(&house, id),
                     STORE_DONE); /* ended before it was called */
    assert_true(queue_watch(house.queue, id, count_call, &count, &late));
    assert_int_equal(atomic_load(&count), 3); /* at once */
    queue_unwatch(house.queue, first);
    queue_unwatch(house.queue, second);
    queue_unwatch(house.queue, late);
    queue_unwatch(house.queue, NULL);
    assert_int_equal(atomic_load(&dropped_count), 0);
    assert_false(
        queue_watch(house.queue, "ana_aaaaaaaaaaaaaaaaaaaa", count_call, &count, &none));
    assert_null(none);
    house_close(&house);
}

struct slow {
    struct house *house;
    const char *id;
    atomic_int begun, ended;
};

/* `ended` may call the queue; it takes its time here. */
static void slow_call(void *context)
{
    struct slow *slow = context;
    atomic_store(&slow->begun, 1);
    poll(NULL, 0, 100);
    assert_int_equal(house_state(slow->house, slow->id), STORE_DONE);
    atomic_store(&slow->ended, 1);
}

static void unwatching_waits_for_a_call_under_way(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "wait-for-file", "go", id);
    struct slow slow = {.house = &house, .id = id};
    struct queue_watch *watch;
    assert_true(queue_watch(house.queue, id, slow_call, &slow, &watch));
    house_touch(&house, "go");
    wait_count(&slow.begun, 1);
    queue_unwatch(house.queue, watch);
    assert_int_equal(atomic_load(&slow.ended), 1);
    house_close(&house);
}

/* The watch outlives the queue here only in that nobody unwatches it any more: freed by
 * hand, as its last owner. */
static void stopping_wakes_those_who_wait(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char running[ID_BYTES], waiting[ID_BYTES];
    house_add(&house, "hang", NULL, running);
    house_add(&house, "done", NULL, waiting);
    atomic_int count = 0;
    struct queue_watch *first, *second;
    assert_true(queue_watch(house.queue, running, count_call, &count, &first));
    assert_true(queue_watch(house.queue, waiting, count_call, &count, &second));
    house_stop(&house);
    assert_int_equal(atomic_load(&count), 2);
    free(first);
    free(second);
    house_close(&house);
}

enum { FILLERS = 16 };

/* Many threads, so that the store commits their rows together. */
static void *fill(void *context)
{
    struct house *house = context;
    for (int i = 0; i < LIMIT_QUEUE_LENGTH / FILLERS; i++) {
        struct store_analysis analysis = house_analysis(house, "hang", NULL);
        assert_true(store_analysis_add(house->store, &analysis, NULL));
        store_analysis_free(&analysis);
    }
    return NULL;
}

/* One runs and as many as the limit wait: rows of a former run, since loading has no
 * limit. */
static void a_full_queue_refuses(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    house_stop(&house);
    pthread_t threads[FILLERS];
    for (int i = 0; i < FILLERS; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, fill, &house), 0);
    for (int i = 0; i < FILLERS; i++)
        pthread_join(threads[i], NULL);
    struct server_problem problem = {0};
    struct store_analysis one = house_analysis(&house, "hang", NULL);
    assert_true(store_analysis_add(house.store, &one, &problem));
    store_analysis_free(&one);
    house_start(&house, 1);
    for (int i = 0; i < 4000 && queue_status(house.queue).running == 0; i++)
        poll(NULL, 0, 5);
    assert_int_equal(queue_status(house.queue).waiting, LIMIT_QUEUE_LENGTH);
    struct store_analysis analysis = house_analysis(&house, "done", NULL);
    assert_false(queue_add(house.queue, &analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_QUEUE_FULL);
    assert_non_null(strstr(problem.detail, "10000"));
    struct queue_view view;
    assert_false(queue_get(house.queue, analysis.id, &view)); /* no row of it */
    store_analysis_free(&analysis);
    house_close(&house);
}

static void an_unknown_recording_is_refused(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    struct store_analysis analysis = house_analysis(&house, "done", NULL);
    id_new("cap", analysis.capture);
    struct server_problem problem = {0};
    assert_false(queue_add(house.queue, &analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    assert_int_equal(queue_status(house.queue).waiting, 0);
    store_analysis_free(&analysis);
    house_close(&house);
}

struct adder {
    struct house *house;
    char ids[10][ID_BYTES];
};

static void *add_ten(void *context)
{
    struct adder *adder = context;
    for (int i = 0; i < 10; i++)
        house_add(adder->house, i % 5 == 3 ? "crash" : "done", NULL, adder->ids[i]);
    return NULL;
}

static void many_add_while_many_run(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 3);
    struct adder adders[4];
    pthread_t threads[4];
    for (int i = 0; i < 4; i++) {
        adders[i].house = &house;
        assert_int_equal(pthread_create(&threads[i], NULL, add_ten, &adders[i]), 0);
    }
    for (int i = 0; i < 4; i++)
        pthread_join(threads[i], NULL);
    for (int i = 0; i < 4; i++)
        for (int k = 0; k < 10; k++)
            house_wait(&house, adders[i].ids[k], k % 5 == 3 ? STORE_FAILED : STORE_DONE);
    assert_int_equal(queue_status(house.queue).running, 0);
    house_close(&house);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    enum { PLAIN = 18, ENDS = sizeof ends / sizeof ends[0] };
    struct CMUnitTest tests[PLAIN + ENDS] = {
        cmocka_unit_test(a_job_is_done_and_its_result_kept),
        cmocka_unit_test(progress_and_positions_are_seen),
        cmocka_unit_test(a_refusal_keeps_its_field),
        cmocka_unit_test(one_death_of_the_worker_is_forgiven),
        cmocka_unit_test(the_deadline_grows_with_the_recording),
        cmocka_unit_test(a_lost_recording_fails_with_a_sentence),
        cmocka_unit_test(stopping_leaves_rows_queued_and_the_next_start_runs_them),
        cmocka_unit_test(a_row_with_all_its_attempts_used_is_not_run_again),
        cmocka_unit_test(a_shortage_of_descriptors_only_delays),
        cmocka_unit_test(an_end_that_cannot_be_recorded_is_recorded_later),
        cmocka_unit_test(stopping_does_not_wait_for_a_failing_disk),
        cmocka_unit_test(damaged_settings_fail_with_a_sentence),
        cmocka_unit_test(watches_are_called_once),
        cmocka_unit_test(unwatching_waits_for_a_call_under_way),
        cmocka_unit_test(stopping_wakes_those_who_wait),
        cmocka_unit_test(a_full_queue_refuses),
        cmocka_unit_test(an_unknown_recording_is_refused),
        cmocka_unit_test(many_add_while_many_run),
    };
    for (size_t i = 0; i < ENDS; i++)
        tests[PLAIN + i] = (struct CMUnitTest){ends[i].act, a_failure_is_recorded, NULL,
                                               NULL, (void *)&ends[i]};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
