/* How a job ends, whatever happens to worker, recording and disk: expected as queue.h,
 * the outcomes in workers.h and the limits promise. */
#include "server/queue/queue.h"

#include <signal.h>
#include <sys/resource.h>

#include <sqlite3.h>

#include "server/base/limits.h"
#include "server/queue/attempt.h"
#include "tests/server/queue/house.h"

/* what a worker does, and how the analysis ends: by the table of outcomes in workers.h */
static const struct end_case {
    const char *act, *code;
    int attempts;
    bool quarantined;
} ends[] = {
    {"crash", "worker_crashed", 2, true},
    {"empty-result", "worker_crashed", 2, true},
    {"refuse", "not_measurable", 0, false},
    {"no-memory", "out_of_memory", 0, false},
    {"break-out", "confinement", 0, true}, /* at once */
    /* with room on the disk it is the recording's fault */
    {"io-error", "unavailable", 0, false},
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
    assert_true(store_analysis_get(house.store, id, &analysis, NULL));
    assert_int_equal(analysis.attempts, row->attempts);
    assert_true(analysis.finished_ms >= analysis.started_ms);
    store_analysis_free(&analysis);
    assert_int_equal(spool_open_result(house.spool, id), -1);
    assert_int_equal(house_part_files(&house), 0);
    struct store_capture capture;
    assert_true(store_capture_get(house.store, house.capture, &capture, NULL));
    assert_int_equal(capture.quarantined, row->quarantined);
    store_capture_free(&capture);
    house_add_capture(&house, "recorded");
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
    assert_true(store_analysis_get(house.store, id, &analysis, NULL));
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
    assert_true(store_analysis_get(house.store, id, &analysis, NULL));
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
    assert_string_equal(code, "audio_expired");
    assert_int_equal(unlink(path), 0);
    house_add(&house, "done", NULL, id);
    house_wait(&house, id, STORE_FAILED);
    house_code(&house, id, code);
    assert_string_equal(code, "audio_expired");
    house_close(&house);
}

/* The stored problem of an analysis of `floor`, whose worker does `act`. */
static json_t *problem_above_floor(struct house *house, const char *act,
                                   const char *floor)
{
    struct server_problem problem = {0};
    struct store_analysis analysis = house_analysis(house, act, NULL);
    char id[ID_BYTES];
    memcpy(id, analysis.id, sizeof id);
    snprintf(analysis.floor_capture, sizeof analysis.floor_capture, "%s", floor);
    assert_true(queue_add(house->queue, &analysis, &problem));
    house_wait(house, id, STORE_FAILED);
    store_analysis_free(&analysis);
    assert_true(store_analysis_get(house->store, id, &analysis, NULL));
    assert_string_equal(analysis.floor_capture, floor);
    json_t *stored = json_loads(analysis.problem, 0, NULL);
    store_analysis_free(&analysis);
    return stored;
}

static void says(const json_t *problem, const char *name, const char *want)
{
    assert_string_equal(json_string_value(json_object_get(problem, name)), want);
}

static void the_worker_gets_the_recording_of_the_floor(void **state)
{
    (void)state;
    struct house house;
    char floor[ID_BYTES];
    house_open(&house, 1);
    memcpy(floor, house.capture, sizeof floor);
    house_add_capture(&house, "recorded");
    json_t *problem = problem_above_floor(&house, "read-floor", floor);
    says(problem, "detail", "floor invented");
    json_decref(problem);
    problem = problem_above_floor(&house, "read-floor", "");
    says(problem, "detail", "floor ");
    json_decref(problem);
    house_close(&house);
}

/* What the worker says it was told was played. */
static void told_signal(struct house *house, const char *signal, const char *want)
{
    struct server_problem problem = {0};
    struct store_analysis analysis = house_analysis(house, "done", NULL);
    char id[ID_BYTES];
    free(analysis.settings);
    analysis.settings = strdup("{\"read-signal\":true}");
    analysis.signal = signal != NULL ? strdup(signal) : NULL;
    memcpy(id, analysis.id, sizeof id);
    assert_true(queue_add(house->queue, &analysis, &problem));
    house_wait(house, id, STORE_FAILED);
    store_analysis_free(&analysis);
    assert_true(store_analysis_get(house->store, id, &analysis, NULL));
    json_t *stored = json_loads(analysis.problem, 0, NULL);
    says(stored, "detail", want);
    json_decref(stored);
    store_analysis_free(&analysis);
}

static void the_worker_gets_what_was_played(void **state)
{
    (void)state;
    static const char tone[] = "{\"name\":\"tone\",\"parameters\":{\"bits\":16}}";
    struct house house;
    house_open(&house, 1);
    told_signal(&house, tone, tone);
    told_signal(&house, NULL, "null");
    house_close(&house);
}

static void a_signal_that_cannot_be_read_fails(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    struct server_problem problem = {0};
    struct store_analysis analysis = house_analysis(&house, "done", NULL);
    analysis.signal = strdup("{\"name\"");
    char code[64];
    assert_true(queue_add(house.queue, &analysis, &problem));
    house_wait(&house, analysis.id, STORE_FAILED);
    house_code(&house, analysis.id, code);
    assert_string_equal(code, "bad_json");
    store_analysis_free(&analysis);
    house_close(&house);
}

static void a_lost_floor_fails_with_its_field(void **state)
{
    (void)state;
    struct house house;
    char floor[ID_BYTES], object[200], path[PATH_MAX];
    house_open(&house, 1);
    memcpy(floor, house.capture, sizeof floor);
    snprintf(object, sizeof object, "objects/%.2s/%s", house.sha256, house.sha256);
    house_path(&house, object, path);
    assert_int_equal(unlink(path), 0);
    house_add_capture(&house, "recorded");
    json_t *problem = problem_above_floor(&house, "done", floor);
    says(problem, "code", "audio_expired");
    says(problem, "field", "floor_capture");
    assert_non_null(strstr(json_string_value(json_object_get(problem, "detail")), floor));
    json_decref(problem);
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

/* By a connection of its own, as another program would. */
static void rename_column(const struct house *house, const char *from, const char *to)
{
    char path[PATH_MAX], text[128];
    sqlite3 *db = NULL;
    house_path(house, "residuum.db", path);
    snprintf(text, sizeof text, "ALTER TABLE capture RENAME COLUMN %s TO %s", from, to);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_busy_timeout(db, 10000), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, text, NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

static void a_full_disk_only_delays(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "full-once", "first", id);
    house_wait(&house, id, STORE_DONE);
    struct store_analysis analysis;
    assert_true(store_analysis_get(house.store, id, &analysis, NULL));
    assert_int_equal(analysis.attempts, 0);
    store_analysis_free(&analysis);
    assert_int_equal(house_part_files(&house), 0);
    house_close(&house);
}

static void a_database_that_cannot_tell_only_delays(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    rename_column(&house, "note", "hidden");
    house_add(&house, "done", NULL, id);
    for (int i = 0; i < 2000 && house_state(&house, id) == STORE_QUEUED; i++)
        poll(NULL, 0, 5);
    poll(NULL, 0, 300);
    assert_int_equal(house_state(&house, id), STORE_RUNNING);
    char running[QUEUE_RUNNING_MAX][ID_BYTES];
    assert_int_equal(queue_running(house.queue, running), 1);
    assert_string_equal(running[0], id);
    rename_column(&house, "hidden", "note");
    house_wait(&house, id, STORE_DONE);
    assert_int_equal(queue_running(house.queue, running), 0);
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
    assert_true(store_analysis_get(house.store, id, &analysis, NULL));
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

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    enum { PLAIN = 12, ENDS = sizeof ends / sizeof ends[0] };
    struct CMUnitTest tests[PLAIN + ENDS] = {
        cmocka_unit_test(a_refusal_keeps_its_field),
        cmocka_unit_test(one_death_of_the_worker_is_forgiven),
        cmocka_unit_test(the_deadline_grows_with_the_recording),
        cmocka_unit_test(a_lost_recording_fails_with_a_sentence),
        cmocka_unit_test(the_worker_gets_the_recording_of_the_floor),
        cmocka_unit_test(the_worker_gets_what_was_played),
        cmocka_unit_test(a_signal_that_cannot_be_read_fails),
        cmocka_unit_test(a_lost_floor_fails_with_its_field),
        cmocka_unit_test(a_row_with_all_its_attempts_used_is_not_run_again),
        cmocka_unit_test(a_shortage_of_descriptors_only_delays),
        cmocka_unit_test(a_full_disk_only_delays),
        cmocka_unit_test(a_database_that_cannot_tell_only_delays),
        cmocka_unit_test(an_end_that_cannot_be_recorded_is_recorded_later),
        cmocka_unit_test(stopping_does_not_wait_for_a_failing_disk),
        cmocka_unit_test(damaged_settings_fail_with_a_sentence),
    };
    for (size_t i = 0; i < ENDS; i++)
        tests[PLAIN + i] = (struct CMUnitTest){ends[i].act, a_failure_is_recorded, NULL,
                                               NULL, (void *)&ends[i]};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
