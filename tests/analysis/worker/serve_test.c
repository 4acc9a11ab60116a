#include "analysis/worker/serve.h"

#include <fcntl.h>
#include <pthread.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <jansson.h>
#include <sys/mman.h>
#include <sys/socket.h>

#include "analysis/worker/wire.h"
#include "tests/analysis/capture/files.h"

/* A worker on a thread of its own, the other end of its socket with the test. */
struct worker {
    int socket, far;
    pthread_t thread;
    bool ended_well;
};

static void *serve_on_thread(void *context)
{
    struct worker *worker = context;
    worker->ended_well = serve_run(worker->far);
    close(worker->far);
    return NULL;
}

static int start(void **state)
{
    static struct worker worker;
    int ends[2];
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0)
        return -1;
    worker = (struct worker){.socket = ends[0], .far = ends[1]};
    *state = &worker;
    return pthread_create(&worker.thread, NULL, serve_on_thread, &worker);
}

static void hang_up(struct worker *worker)
{
    if (worker->socket < 0)
        return;
    close(worker->socket);
    worker->socket = -1;
    assert_int_equal(pthread_join(worker->thread, NULL), 0);
}

static int stop(void **state)
{
    hang_up(*state);
    return 0;
}

/* The next frame as an object. */
static json_t *receive(struct worker *worker)
{
    struct wire_frame frame;
    assert_int_equal(wire_receive(worker->socket, 60000, &frame), WIRE_OK);
    assert_int_equal(frame.descriptor_count, 0);
    json_t *object = json_loadb(frame.json, frame.length, JSON_REJECT_DUPLICATES, NULL);
    assert_true(json_is_object(object));
    wire_frame_free(&frame);
    return object;
}

static bool says(const json_t *object, const char *name, const char *want)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text && strcmp(text, want) == 0;
}

/* Sends, and gives the answer that ends it; progress is counted. */
static json_t *ask(struct worker *worker, const char *text, const int *descriptors,
                   size_t count, int *ret_progress)
{
    assert_int_equal(wire_send(worker->socket, text, strlen(text), descriptors, count),
                     WIRE_OK);
    for (int progress = 0;; progress++) {
        json_t *answer = receive(worker);
        if (!says(answer, "answer", "progress")) {
            if (ret_progress)
                *ret_progress = progress;
            return answer;
        }
        assert_int_equal(json_object_size(answer), 2);
        assert_between(json_number_value(json_object_get(answer, "fraction")), 0, 1);
        json_decref(answer);
    }
}

static void describe_is_answered(void **state)
{
    json_t *answer = ask(*state, "{\"request\":\"describe\"}", NULL, 0, NULL);
    assert_true(says(answer, "answer", "done"));
    assert_true(json_is_object(json_object_get(answer, "engine")));
    assert_true(json_array_size(json_object_get(answer, "measurements")) > 0);
    assert_true(json_array_size(json_object_get(answer, "signals")) > 0);
    assert_int_equal(json_object_size(answer), 4);
    json_decref(answer);
}

static int render_tone(struct worker *worker, const char *parameters, int *ret_progress)
{
    char request[400];
    snprintf(request, sizeof request,
             "{\"request\":\"render\",\"signal\":\"tone\",\"format\":\"wav\","
             "\"parameters\":%s}",
             parameters);
    int output = memfd_create("test", MFD_CLOEXEC);
    json_t *answer = ask(worker, request, &output, 1, ret_progress);
    assert_true(says(answer, "answer", "done"));
    assert_int_equal(json_integer_value(json_object_get(answer, "bytes")),
                     lseek(output, 0, SEEK_END));
    assert_int_equal(json_object_size(answer), 2);
    json_decref(answer);
    return output;
}

static void render_inspect_and_measure_are_answered(void **state)
{
    int recording = render_tone(*state, "{\"duration_s\":3,\"channels\":1}", NULL);
    json_t *answer = ask(*state, "{\"request\":\"inspect\"}", &recording, 1, NULL);
    assert_true(says(answer, "answer", "done"));
    assert_true(says(json_object_get(answer, "format"), "encoding", "pcm_24"));
    assert_int_equal(json_object_size(answer), 3);
    json_decref(answer);

    int result = memfd_create("test", MFD_CLOEXEC);
    answer =
        ask(*state,
            "{\"request\":\"measure\",\"measurement\":\"distortion\",\"settings\":{}}",
            (const int[]){recording, result}, 2, NULL);
    assert_true(says(answer, "answer", "done"));
    assert_int_equal(json_object_size(answer), 1);
    json_decref(answer);
    struct wire_result_header header;
    assert_int_equal(pread(result, &header, sizeof header, 0), sizeof header);
    assert_memory_equal(header.magic, WIRE_RESULT_MAGIC, 8);
    assert_int_equal(lseek(result, 0, SEEK_END), sizeof header + header.body_bytes +
                                                     header.index_bytes +
                                                     header.series_bytes);
    close(result);
    close(recording);
}

/* Twice the same job: the same bytes, also with other work in between. */
static void results_are_the_same_each_time(void **state)
{
    static char files[2][1 << 22];
    int recording = render_tone(*state, "{\"duration_s\":2,\"level_dbfs\":-3}", NULL);
    ssize_t bytes[2];
    for (int i = 0; i < 2; i++) {
        int result = memfd_create("test", MFD_CLOEXEC);
        json_t *answer = ask(
            *state,
            "{\"request\":\"measure\",\"measurement\":\"distortion\",\"settings\":{}}",
            (const int[]){recording, result}, 2, NULL);
        assert_true(says(answer, "answer", "done"));
        json_decref(answer);
        bytes[i] = pread(result, files[i], sizeof files[i], 0);
        assert_true(bytes[i] > 0 && bytes[i] < (ssize_t)sizeof files[i]);
        close(result);
        close(render_tone(*state, "{\"duration_s\":0.1,\"bits\":16}", NULL));
    }
    assert_int_equal(bytes[0], bytes[1]);
    assert_memory_equal(files[0], files[1], (size_t)bytes[0]);
    close(recording);
}

/* The third descriptor is the floor's: the recording on itself is near it. */
static void measure_with_a_floor_is_answered(void **state)
{
    static char file[1 << 22];
    static const char request[] =
        "{\"request\":\"measure\",\"measurement\":\"distortion\",\"settings\":{}}";
    int recording = render_tone(*state, "{\"duration_s\":2,\"bits\":16}", NULL);
    int floor = render_tone(*state, "{\"duration_s\":2,\"bits\":16}", NULL);
    for (size_t count = 2; count < 4; count++) {
        int result = memfd_create("test", MFD_CLOEXEC);
        json_t *answer =
            ask(*state, request, (const int[]){recording, result, floor}, count, NULL);
        assert_true(says(answer, "answer", "done"));
        json_decref(answer);
        struct wire_result_header header;
        assert_int_equal(pread(result, &header, sizeof header, 0), sizeof header);
        assert_int_equal(pread(result, file, header.body_bytes, sizeof header),
                         header.body_bytes);
        file[header.body_bytes] = 0;
        assert_int_equal(strstr(file, "near_instrument_floor") != NULL, count == 3);
        assert_int_equal(strstr(file, "\"bound\":\"at_most\"") != NULL, count == 3);
        close(result);
    }
    close(recording);
    close(floor);
}

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* An hour of tone is told of, but no oftener than every 0.2 s. */
static void progress_is_told_now_and_then(void **state)
{
    int progress = 0;
    double begun_s = now_s();
    close(render_tone(*state,
                      "{\"duration_s\":3600,\"sample_rate_hz\":8000,\"bits\":16,"
                      "\"channels\":1}",
                      &progress));
    double took_s = now_s() - begun_s;
    assert_between(progress, took_s < 0.5 ? 0 : 1, took_s / 0.2);
}

static void assert_problem(struct worker *worker, const char *text, int descriptors,
                           const char *code, const char *field)
{
    int files[3];
    for (int i = 0; i < 3; i++)
        files[i] = memfd_create("test", MFD_CLOEXEC);
    json_t *answer = ask(worker, text, files, (size_t)descriptors, NULL);
    if (!says(answer, "answer", "problem") || !says(answer, "code", code))
        print_error("%s\n", text);
    assert_true(says(answer, "answer", "problem"));
    assert_true(says(answer, "code", code));
    if (field)
        assert_true(says(answer, "field", field));
    else
        assert_true(json_is_null(json_object_get(answer, "field")));
    assert_true(json_string_length(json_object_get(answer, "detail")) > 10);
    assert_int_equal(json_object_size(answer), 4);
    json_decref(answer);
    for (int i = 0; i < 3; i++)
        close(files[i]);
}

#define MEASURE "{\"request\":\"measure\",\"measurement\":\"distortion\",\"settings\":"
#define RENDER "{\"request\":\"render\",\"signal\":\"tone\",\"format\":\"wav\","

/* After each of them the worker still serves. */
static void bad_requests_are_answered_with_problems(void **state)
{
    static const struct {
        const char *text;
        int descriptors;
        const char *code, *field;
    } cases[] = {
        {" ", 0, "out_of_range", "request"},
        {"nonsense", 0, "out_of_range", "request"},
        {"[]", 0, "out_of_range", "request"},
        {"{}", 0, "out_of_range", "request"},
        {"{\"request\":1}", 0, "out_of_range", "request"},
        {"{\"request\":\"Describe\"}", 0, "out_of_range", "request"},
        {"{\"request\":\"describe\",\"request\":\"describe\"}", 0, "out_of_range",
         "request"},
        {"{\"request\":\"describe\"} trailing", 0, "out_of_range", "request"},
        {"{\"request\":\"\xFF\xFE\"}", 0, "out_of_range", "request"},
        {"{\"request\":\"describe\",\"more\":1}", 0, "unknown_field", NULL},
        {"{\"request\":\"describe\"}", 1, "missing_field", NULL},
        {"{\"request\":\"inspect\"}", 0, "missing_field", NULL},
        {"{\"request\":\"inspect\"}", 2, "missing_field", NULL},
        {"{\"request\":\"inspect\"}", 1, "not_audio", NULL},
        {"{\"request\":\"measure\",\"settings\":{}}", 2, "missing_field", "measurement"},
        {"{\"request\":\"measure\",\"measurement\":7,\"settings\":{}}", 2,
         "missing_field", "measurement"},
        {"{\"request\":\"measure\",\"measurement\":\"none\",\"settings\":{}}", 2,
         "out_of_range", "measurement"},
        {MEASURE "[]}", 2, "missing_field", "settings"},
        {MEASURE "{}}", 1, "missing_field", NULL},
        {MEASURE "{}}", 2, "not_audio", NULL},
        {MEASURE "{}}", 3, "not_audio", NULL},
        {RENDER "\"parameters\":{}}", 3, "missing_field", NULL},
        {MEASURE "{\"no\":1}}", 2, "unknown_field", "no"},
        {MEASURE "{\"harmonics\":-1}}", 2, "out_of_range", "harmonics"},
        {RENDER "\"parameters\":{\"bits\":17}}", 1, "out_of_range", "bits"},
        {RENDER "\"parameters\":null}", 1, "missing_field", "parameters"},
        {RENDER "\"parameters\":{}}", 0, "missing_field", NULL},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        assert_problem(*state, cases[i].text, cases[i].descriptors, cases[i].code,
                       cases[i].field);
    describe_is_answered(state);
}

/* A name of 10000 bytes, of two each and beginning at an odd place: what is cut off the
 * sentence must leave valid UTF-8, or the answer could not be JSON. */
static void long_names_are_cut_between_characters(void **state)
{
    static char text[10200] = MEASURE "{\"x";
    size_t used = strlen(text);
    for (int i = 0; i < 5000; i++, used += 2)
        memcpy(text + used, "µ", 2);
    memcpy(text + used, "\":1}}", 6);
    json_t *answer = ask(
        *state, text, (const int[]){memfd_create("a", 0), memfd_create("b", 0)}, 2, NULL);
    assert_true(says(answer, "code", "unknown_field"));
    assert_int_equal(json_string_length(json_object_get(answer, "field")), 63);
    json_decref(answer);
}

static void result_that_cannot_be_written_is_a_problem(void **state)
{
    int recording = render_tone(*state, "{\"duration_s\":2,\"channels\":1}", NULL);
    int read_only[] = {recording, recording};
    char path[64];
    snprintf(path, sizeof path, "/proc/self/fd/%d", recording);
    read_only[1] = open(path, O_RDONLY | O_CLOEXEC);
    assert_true(read_only[1] >= 0);
    json_t *answer = ask(*state, MEASURE "{}}", read_only, 2, NULL);
    assert_true(says(answer, "code", "unavailable"));
    json_decref(answer);
    close(read_only[1]);
    close(recording);
}

static void hanging_up_ends_well(void **state)
{
    struct worker *worker = *state;
    hang_up(worker);
    assert_true(worker->ended_well);
}

static void broken_frame_ends_the_talk(void **state)
{
    struct worker *worker = *state;
    assert_int_equal(send(worker->socket, "GET / HT", 8, MSG_NOSIGNAL), 8);
    char byte;
    assert_int_equal(recv(worker->socket, &byte, 1, 0), 0);
    hang_up(worker);
    assert_false(worker->ended_well);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(describe_is_answered, start, stop),
        cmocka_unit_test_setup_teardown(render_inspect_and_measure_are_answered, start,
                                        stop),
        cmocka_unit_test_setup_teardown(results_are_the_same_each_time, start, stop),
        cmocka_unit_test_setup_teardown(measure_with_a_floor_is_answered, start, stop),
        cmocka_unit_test_setup_teardown(progress_is_told_now_and_then, start, stop),
        cmocka_unit_test_setup_teardown(bad_requests_are_answered_with_problems, start,
                                        stop),
        cmocka_unit_test_setup_teardown(long_names_are_cut_between_characters, start,
                                        stop),
        cmocka_unit_test_setup_teardown(result_that_cannot_be_written_is_a_problem, start,
                                        stop),
        cmocka_unit_test_setup_teardown(hanging_up_ends_well, start, stop),
        cmocka_unit_test_setup_teardown(broken_frame_ends_the_talk, start, stop),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
