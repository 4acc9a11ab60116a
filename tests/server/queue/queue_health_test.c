/* The health of captures as jobs, and what it means for their analyses: expected as
 * queue.h promises. The fake worker does what the parameters of the signal say. */
#include "server/queue/queue.h"

#include "server/base/limits.h"
#include "tests/server/queue/house.h"

/** A signal whose recording makes the worker do `act`; of `code` when it refuses. */
static char *signal_text(const struct house *house, const char *act, const char *word)
{
    char path[PATH_MAX] = "";
    if (word)
        house_path(house, word, path);
    json_t *signal = json_pack("{s:s, s:{s:s, s:s, s:s}}", "name", "tone", "parameters",
                               "act", act, "path", path, "code", word ? word : "");
    char *text = json_dumps(signal, JSON_COMPACT);
    json_decref(signal);
    return text;
}

/** Uploads a recording, from now on the house's, with `count` analyses that tell what
 * they were handed; fills their ids. */
static void upload(struct house *house, const char *act, const char *word, int count,
                   char ids[][ID_BYTES])
{
    struct server_problem problem = {0};
    struct store_capture capture;
    struct store_analysis analyses[4];
    char made[ID_BYTES];
    house_keep(house, "recorded", &capture);
    capture.health.state = STORE_QUEUED;
    capture.signal = signal_text(house, act, word);
    for (int i = 0; i < count; i++) {
        analyses[i] = (struct store_analysis){.measurement = (char *)"distortion",
                                              .settings = (char *)"{\"read-health\":1}",
                                              .tester = (char *)"mina",
                                              .created_ms = capture.received_ms};
        id_new("ana", analyses[i].id);
        memcpy(analyses[i].capture, capture.id, sizeof capture.id);
        memcpy(ids[i], analyses[i].id, ID_BYTES);
    }
    const struct store_upload whole = {&capture, analyses, count};
    if (!queue_add_capture(house->queue, &whole, NULL, made, &problem))
        fail_msg("%s", problem.detail);
    assert_string_equal(made, capture.id);
    free(capture.signal);
}

/** An analysis of the house's recording that tells what it was handed. */
static void add_reader(struct house *house, const char *floor, char id[ID_BYTES])
{
    struct server_problem problem = {0};
    struct store_analysis analysis = house_analysis(house, "done", NULL);
    free(analysis.settings);
    analysis.settings = strdup("{\"read-health\":1}");
    snprintf(analysis.floor_capture, sizeof analysis.floor_capture, "%s", floor);
    assert_true(queue_add(house->queue, &analysis, &problem));
    memcpy(id, analysis.id, ID_BYTES);
    store_analysis_free(&analysis);
}

/** The row of the house's recording once its health is in that state; 40 s at most. */
static struct store_capture wait_for_health(struct house *house, enum store_state want)
{
    struct store_capture capture;
    assert_true(store_capture_get(house->store, house->capture, &capture, NULL));
    for (int i = 0; i < 8000 && capture.health.state != want; i++) {
        store_capture_free(&capture);
        poll(NULL, 0, 5);
        assert_true(store_capture_get(house->store, house->capture, &capture, NULL));
    }
    assert_string_equal(store_state_text(capture.health.state), store_state_text(want));
    return capture;
}

static void wait_until_it_runs(struct house *house)
{
    for (int i = 0; i < 8000 && !queue_health_runs(house->queue, house->capture); i++)
        poll(NULL, 0, 5);
    assert_true(queue_health_runs(house->queue, house->capture));
}

/** The member of the problem that an analysis failed with. */
static void told(struct house *house, const char *id, const char *member, char text[400])
{
    struct store_analysis analysis;
    house_wait(house, id, STORE_FAILED);
    assert_true(store_analysis_get(house->store, id, &analysis, NULL));
    json_t *problem = json_loads(analysis.problem, 0, NULL);
    const char *value = json_string_value(json_object_get(problem, member));
    snprintf(text, 400, "%s", value ? value : "");
    json_decref(problem);
    store_analysis_free(&analysis);
}

static void assert_told(struct house *house, const char *id, const char *member,
                        const char *want)
{
    char text[400];
    told(house, id, member, text);
    assert_string_equal(text, want);
}

static void assert_same_json(const char *text, const char *want)
{
    json_t *got = json_loads(text, 0, NULL), *wanted = json_loads(want, 0, NULL);
    assert_true(json_equal(got, wanted));
    json_decref(got);
    json_decref(wanted);
}

static void it_is_recorded_as_the_worker_told_it(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    upload(&house, "done", NULL, 0, NULL);
    struct store_capture capture = wait_for_health(&house, STORE_DONE);
    assert_same_json(capture.health.report, HEALTH_ANSWER_REPORT);
    assert_same_json(capture.health.suggested, HEALTH_ANSWER_SUGGESTED);
    assert_same_json(capture.format, HEALTH_ANSWER_FORMAT);
    assert_null(capture.health.problem);
    assert_int_equal(capture.health.attempts, 0);
    assert_false(capture.quarantined);
    store_capture_free(&capture);
    house_close(&house);
}

static void analyses_wait_for_it_and_are_handed_it(void **state)
{
    (void)state;
    struct house house;
    char ids[2][ID_BYTES], late[ID_BYTES], other[ID_BYTES], floor[ID_BYTES];
    struct queue_view view;
    house_open(&house, 2);
    memcpy(floor, house.capture, sizeof floor);
    upload(&house, "wait-for-file", "go", 2, ids);
    wait_until_it_runs(&house);
    add_reader(&house, "", late);
    /* of another recording, but with this one as its floor */
    char waiting[ID_BYTES];
    memcpy(waiting, house.capture, sizeof waiting);
    memcpy(house.capture, floor, sizeof floor);
    add_reader(&house, waiting, other);
    char free_one[ID_BYTES];
    house_add(&house, "done", NULL, free_one); /* needs nothing of it: passes them all */
    house_wait(&house, free_one, STORE_DONE);
    for (int i = 0; i < 4; i++) {
        const char *id = i < 2 ? ids[i] : i == 2 ? late : other;
        assert_true(queue_get(house.queue, id, &view, NULL));
        assert_int_equal(view.analysis.state, STORE_QUEUED);
        assert_int_equal(view.position, i + 1);
        queue_view_free(&view);
    }
    struct queue_status status = queue_status(house.queue);
    assert_int_equal(status.health.running, 1);
    assert_int_equal(status.waiting, 4);
    assert_int_equal(status.running, 0);
    house_touch(&house, "go");
    assert_told(&house, ids[0], "detail", "dropout and none");
    assert_told(&house, ids[1], "detail", "dropout and none");
    assert_told(&house, late, "detail", "dropout and none");
    assert_told(&house, other, "detail", "none and dropout");
    assert_int_equal(queue_status(house.queue).health.done, 1);
    house_close(&house);
}

static const struct refusal {
    const char *code;
    bool spoils; /* every analysis fails alike */
} refusals[] = {
    {"not_finite", true},     {"no_audio", true},       {"not_measurable", true},
    {"out_of_range", false},  {"out_of_memory", false}, {"unavailable", false},
    {"unknown_field", false},
};

static void what_spoils_it_spoils_the_analyses(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    for (size_t i = 0; i < sizeof refusals / sizeof refusals[0]; i++) {
        char id[1][ID_BYTES], floored[ID_BYTES], code[64];
        const struct refusal *row = &refusals[i];
        upload(&house, "refuse", row->code, 1, id);
        struct store_capture capture = wait_for_health(&house, STORE_FAILED);
        json_t *problem = json_loads(capture.health.problem, 0, NULL);
        assert_string_equal(json_string_value(json_object_get(problem, "code")),
                            row->code);
        assert_null(capture.health.report);
        json_decref(problem);
        store_capture_free(&capture);
        house_wait(&house, id[0], STORE_FAILED);
        house_code(&house, id[0], code);
        assert_string_equal(code, row->spoils ? row->code : "not_measurable");
        assert_told(&house, id[0], "detail",
                    row->spoils ? "Frame 7 is not a number." : "none and none");
        assert_told(&house, id[0], "field", row->spoils ? "channel" : "");

        char spoilt[ID_BYTES];
        memcpy(spoilt, house.capture, sizeof spoilt);
        house_add_capture(&house, "invented");
        add_reader(&house, spoilt, floored);
        assert_told(&house, floored, "field", row->spoils ? "floor_capture" : "");
    }
    house_close(&house);
}

static void one_death_is_forgiven(void **state)
{
    (void)state;
    struct house house;
    char id[1][ID_BYTES];
    house_open(&house, 1);
    upload(&house, "crash-once", "crashed", 1, id);
    struct store_capture capture = wait_for_health(&house, STORE_DONE);
    assert_int_equal(capture.health.attempts, 1);
    assert_false(capture.quarantined);
    store_capture_free(&capture);
    assert_told(&house, id[0], "detail", "dropout and none");
    house_close(&house);
}

/** Another signal, and the end of a quarantine. */
static void change(struct house *house, const char *act, const char *word, bool lift)
{
    struct server_problem problem = {0};
    char *signal = signal_text(house, act, word);
    const struct store_capture_change parts = {
        .pinned = -1, .has_signal = true, .signal = signal, .lift = lift};
    struct store_capture capture;
    if (!store_capture_change(house->store, house->capture, &parts, &problem))
        fail_msg("%s", problem.detail);
    free(signal);
    assert_true(store_capture_get(house->store, house->capture, &capture, NULL));
    assert_int_equal(capture.health.state, STORE_QUEUED);
    queue_health_again(house->queue, &capture);
    store_capture_free(&capture);
}

/** The deaths of workers, which are counted a little later than they are seen. */
static void assert_crashes(struct house *house, unsigned long want)
{
    for (int i = 0; i < 8000 && workers_status(house->workers).crashes < want; i++)
        poll(NULL, 0, 5);
    assert_int_equal(workers_status(house->workers).crashes, want);
}

static void two_deaths_quarantine_until_that_is_lifted(void **state)
{
    (void)state;
    struct house house;
    char ids[2][ID_BYTES], floored[ID_BYTES], detail[400], killer[ID_BYTES], id[ID_BYTES];
    house_open(&house, 2);
    upload(&house, "crash", NULL, 2, ids);
    memcpy(killer, house.capture, sizeof killer);
    struct store_capture capture = wait_for_health(&house, STORE_FAILED);
    assert_true(capture.quarantined);
    assert_int_equal(capture.health.attempts, LIMIT_WORKER_ATTEMPTS);
    assert_non_null(strstr(capture.health.problem, "worker_crashed"));
    store_capture_free(&capture);
    for (int i = 0; i < 2; i++) {
        assert_told(&house, ids[i], "code", "worker_crashed");
        told(&house, ids[i], "detail", detail);
        assert_non_null(strstr(detail, "quarantined"));
        assert_non_null(strstr(detail, killer));
        struct store_analysis analysis;
        assert_true(store_analysis_get(house.store, ids[i], &analysis, NULL));
        assert_int_equal(analysis.attempts, 0);
        store_analysis_free(&analysis);
    }
    house_add_capture(&house, "invented");
    add_reader(&house, killer, floored);
    assert_told(&house, floored, "code", "worker_crashed");
    assert_told(&house, floored, "field", "floor_capture");
    assert_crashes(&house, LIMIT_WORKER_ATTEMPTS); /* nobody tried again */
    assert_int_equal(queue_status(house.queue).quarantined, 1);

    memcpy(house.capture, killer, sizeof killer);
    change(&house, "done", NULL, true);
    add_reader(&house, "", id);
    assert_told(&house, id, "detail", "dropout and none");
    capture = wait_for_health(&house, STORE_DONE);
    assert_false(capture.quarantined);
    assert_int_equal(capture.health.attempts, 0);
    store_capture_free(&capture);
    house_close(&house);
}

static void a_violation_quarantines_at_once(void **state)
{
    (void)state;
    struct house house;
    char id[ID_BYTES];
    house_open(&house, 1);
    upload(&house, "break-out", NULL, 1, &id);
    struct store_capture capture = wait_for_health(&house, STORE_FAILED);
    assert_true(capture.quarantined);
    assert_int_equal(capture.health.attempts, 0);
    assert_non_null(strstr(capture.health.problem, "confinement"));
    store_capture_free(&capture);
    assert_told(&house, id, "code", "worker_crashed"); /* nobody tried */
    assert_int_equal(workers_status(house.workers).violations, 1);
    assert_int_equal(queue_status(house.queue).quarantined, 1);
    house_close(&house);
}

static void an_analysis_that_kills_twice_quarantines_the_recording(void **state)
{
    (void)state;
    struct house house;
    char killer[ID_BYTES], behind[ID_BYTES], detail[400], code[64];
    house_open(&house, 1);
    house_add(&house, "crash", NULL, killer);
    add_reader(&house, "", behind);
    house_wait(&house, killer, STORE_FAILED);
    house_code(&house, killer, code);
    assert_string_equal(code, "worker_crashed");
    told(&house, behind, "detail", detail);
    assert_non_null(strstr(detail, "quarantined"));
    /* its health is as good as before */
    struct store_capture capture = wait_for_health(&house, STORE_DONE);
    assert_true(capture.quarantined);
    store_capture_free(&capture);
    house_close(&house);
}

static void a_recording_that_is_removed_costs_nothing(void **state)
{
    (void)state;
    struct house house;
    struct server_problem problem = {0};
    house_open(&house, 1);
    upload(&house, "hang", NULL, 0, NULL);
    wait_until_it_runs(&house);
    char running[ID_BYTES], id[ID_BYTES];
    memcpy(running, house.capture, sizeof running);
    upload(&house, "crash", NULL, 0, NULL); /* waits */
    const char *both[] = {house.capture, running};
    for (int i = 0; i < 2; i++) {
        struct store_removed removed;
        assert_true(store_capture_remove(house.store, both[i], &removed, &problem));
        queue_health_drop(house.queue, both[i]);
        store_removed_free(&removed);
    }
    house_add_capture(&house, "invented");
    house_add(&house, "done", NULL, id); /* the worker that hung is gone */
    house_wait(&house, id, STORE_DONE);
    struct queue_status status = queue_status(house.queue);
    assert_int_equal(status.health.waiting + status.health.running, 0);
    assert_int_equal(status.health.done + status.health.failed, 0);
    assert_int_equal(workers_status(house.workers).crashes, 0);
    house_close(&house);
}

static void another_signal_begins_it_anew(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    upload(&house, "hang", NULL, 0, NULL);
    wait_until_it_runs(&house);
    change(&house, "done", NULL, false);
    struct store_capture capture = wait_for_health(&house, STORE_DONE);
    assert_int_equal(capture.health.attempts, 0);
    store_capture_free(&capture);
    change(&house, "refuse", "not_finite", false); /* and once it has ended */
    capture = wait_for_health(&house, STORE_FAILED);
    store_capture_free(&capture);
    house_close(&house);
}

static void a_stop_leaves_it_queued_and_the_next_start_runs_it(void **state)
{
    (void)state;
    struct house house;
    char id[1][ID_BYTES];
    house_open(&house, 1);
    upload(&house, "wait-for-file", "go", 1, id);
    wait_until_it_runs(&house);
    house_stop(&house);
    struct store_capture capture = wait_for_health(&house, STORE_QUEUED);
    assert_int_equal(capture.health.attempts, 0);
    store_capture_free(&capture);
    house_touch(&house, "go");
    house_start(&house, 1);
    capture = wait_for_health(&house, STORE_DONE);
    store_capture_free(&capture);
    assert_told(&house, id[0], "detail", "dropout and none");
    house_close(&house);
}

static void a_lost_recording_fails_it_until_it_is_back(void **state)
{
    (void)state;
    struct house house;
    char object[200], path[PATH_MAX], aside[PATH_MAX], id[ID_BYTES], text[400];
    house_open(&house, 1);
    house_stop(&house);
    struct server_problem problem = {0};
    struct store_capture capture;
    house_keep(&house, "lost one", &capture);
    capture.health.state = STORE_QUEUED;
    assert_true(store_capture_add(house.store,
                                  &(struct store_upload){.capture = &capture}, &problem));
    snprintf(object, sizeof object, "objects/%.2s/%s", house.sha256, house.sha256);
    house_path(&house, object, path);
    house_path(&house, "aside", aside);
    assert_int_equal(rename(path, aside), 0);
    house_start(&house, 1);
    capture = wait_for_health(&house, STORE_FAILED);
    assert_non_null(strstr(capture.health.problem, "\"audio_expired\""));
    store_capture_free(&capture);
    add_reader(&house, "", id);
    told(&house, id, "code", text);
    assert_string_equal(text, "audio_expired");

    assert_int_equal(rename(aside, path), 0);
    add_reader(&house, "", id);
    assert_told(&house, id, "detail", "dropout and none");
    capture = wait_for_health(&house, STORE_DONE);
    assert_null(capture.health.problem);
    store_capture_free(&capture);
    house_close(&house);
}

/* A list shows the recording before its job is there: the analysis brings the job. */
static void an_analysis_that_comes_first_brings_it(void **state)
{
    (void)state;
    struct house house;
    struct server_problem problem = {0};
    struct store_capture capture;
    char id[ID_BYTES];
    house_open(&house, 1);
    house_keep(&house, "recorded", &capture);
    capture.health.state = STORE_QUEUED;
    assert_true(store_capture_add(house.store,
                                  &(struct store_upload){.capture = &capture}, &problem));
    add_reader(&house, "", id);
    assert_told(&house, id, "detail", "dropout and none");
    house_close(&house);
}

static void one_that_waits_for_it_can_be_cancelled(void **state)
{
    (void)state;
    struct house house;
    struct server_problem problem = {0};
    char ids[2][ID_BYTES];
    house_open(&house, 2);
    upload(&house, "wait-for-file", "go", 2, ids);
    wait_until_it_runs(&house);
    assert_true(queue_cancel(house.queue, ids[0], &problem));
    assert_int_equal(house_state(&house, ids[0]), STORE_CANCELLED);
    house_touch(&house, "go");
    assert_told(&house, ids[1], "detail", "dropout and none");
    house_close(&house);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_is_recorded_as_the_worker_told_it),
        cmocka_unit_test(analyses_wait_for_it_and_are_handed_it),
        cmocka_unit_test(what_spoils_it_spoils_the_analyses),
        cmocka_unit_test(one_death_is_forgiven),
        cmocka_unit_test(two_deaths_quarantine_until_that_is_lifted),
        cmocka_unit_test(a_violation_quarantines_at_once),
        cmocka_unit_test(an_analysis_that_kills_twice_quarantines_the_recording),
        cmocka_unit_test(a_recording_that_is_removed_costs_nothing),
        cmocka_unit_test(another_signal_begins_it_anew),
        cmocka_unit_test(a_stop_leaves_it_queued_and_the_next_start_runs_it),
        cmocka_unit_test(a_lost_recording_fails_it_until_it_is_back),
        cmocka_unit_test(an_analysis_that_comes_first_brings_it),
        cmocka_unit_test(one_that_waits_for_it_can_be_cancelled),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
