/* Expected outcomes are those that talk.h and wire.h promise. */
#include "server/workers/talk.h"

#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "tests/server/workers/health_answer.h"
#include "tests/support/support.h"

struct answer_case {
    const char *name;
    const char *request;
    const char *answer; /* what the worker sends */
    enum workers_outcome want;
    enum server_problem_code code; /* of the problem; NONE when done */
};

/* within the answer's object these are levels 2 to 16, and 2 to 17 */
#define DEEPEST "[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]"
#define TOO_DEEP "[" DEEPEST "]"

static const struct answer_case cases[] = {
    {"describe done", "describe",
     "{\"answer\":\"done\",\"engine\":{},\"measurements\":[],\"signals\":[]}",
     WORKERS_DONE, SERVER_PROBLEM_NONE},
    {"inspect done", "inspect", HEALTH_ANSWER_INSPECTED, WORKERS_DONE,
     SERVER_PROBLEM_NONE},
    {"inspect of another shape", "inspect",
     "{\"answer\":\"done\",\"format\":{},\"warnings\":[]}", WORKERS_CRASHED,
     SERVER_PROBLEM_WORKER_CRASHED},
    {"measure done", "measure", "{\"answer\":\"done\"}", WORKERS_DONE,
     SERVER_PROBLEM_NONE},
    {"render done", "render", "{\"answer\":\"done\",\"bytes\":44}", WORKERS_DONE,
     SERVER_PROBLEM_NONE},
    {"nested to the limit", "describe",
     "{\"answer\":\"done\",\"engine\":{},\"signals\":[],\"measurements\":" DEEPEST "}",
     WORKERS_DONE, SERVER_PROBLEM_NONE},
    {"nested too deep", "describe",
     "{\"answer\":\"done\",\"engine\":{},\"signals\":[],\"measurements\":" TOO_DEEP "}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"done lacks a field", "inspect", "{\"answer\":\"done\",\"format\":{}}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"done of another type", "inspect",
     "{\"answer\":\"done\",\"format\":[],\"warnings\":[]}", WORKERS_CRASHED,
     SERVER_PROBLEM_WORKER_CRASHED},
    {"done with an unknown field", "measure", "{\"answer\":\"done\",\"more\":1}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"bytes that are no integer", "render", "{\"answer\":\"done\",\"bytes\":44.5}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"health done", "health", HEALTH_ANSWER, WORKERS_DONE, SERVER_PROBLEM_NONE},
    {"health of another shape", "health",
     "{\"answer\":\"done\",\"format\":{},\"health\":{},\"suggested\":[]}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"refused", "measure",
     "{\"answer\":\"problem\",\"code\":\"not_measurable\",\"field\":null,\"detail\":"
     "\"d\"}",
     WORKERS_REFUSED, SERVER_PROBLEM_NOT_MEASURABLE},
    {"out of memory", "measure",
     "{\"answer\":\"problem\",\"code\":\"out_of_memory\",\"field\":null,\"detail\":"
     "\"d\"}",
     WORKERS_OUT_OF_MEMORY, SERVER_PROBLEM_OUT_OF_MEMORY},
    {"a full disk where it writes", "measure",
     "{\"answer\":\"problem\",\"code\":\"disk_full\",\"field\":null,\"detail\":\"d\"}",
     WORKERS_REFUSED, SERVER_PROBLEM_DISK_FULL},
    {"a full disk where it only reads", "health",
     "{\"answer\":\"problem\",\"code\":\"disk_full\",\"field\":null,\"detail\":\"d\"}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"a code of no table", "measure",
     "{\"answer\":\"problem\",\"code\":\"tired\",\"field\":null,\"detail\":\"d\"}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"a code that is not a worker's", "measure",
     "{\"answer\":\"problem\",\"code\":\"forbidden\",\"field\":null,\"detail\":\"d\"}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"problem lacks its field", "measure",
     "{\"answer\":\"problem\",\"code\":\"not_audio\",\"detail\":\"d\"}", WORKERS_CRASHED,
     SERVER_PROBLEM_WORKER_CRASHED},
    {"problem with more", "measure",
     "{\"answer\":\"problem\",\"code\":\"not_audio\",\"field\":null,\"detail\":\"d\","
     "\"status\":200}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"fraction above 1", "measure", "{\"answer\":\"progress\",\"fraction\":1.01}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"fraction below 0", "measure", "{\"answer\":\"progress\",\"fraction\":-0.01}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"fraction as text", "measure", "{\"answer\":\"progress\",\"fraction\":\"0.5\"}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"progress without end", "measure", "{\"answer\":\"progress\",\"fraction\":0.5}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"duplicate fields", "measure", "{\"answer\":\"problem\",\"answer\":\"done\"}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"unknown answer", "measure", "{\"answer\":\"perhaps\"}", WORKERS_CRASHED,
     SERVER_PROBLEM_WORKER_CRASHED},
    {"no object", "measure", "[\"done\"]", WORKERS_CRASHED,
     SERVER_PROBLEM_WORKER_CRASHED},
    {"no JSON", "measure", "done", WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
    {"more after the JSON", "measure", "{\"answer\":\"done\"} {}", WORKERS_CRASHED,
     SERVER_PROBLEM_WORKER_CRASHED},
    {"no UTF-8", "measure",
     "{\"answer\":\"problem\",\"code\":\"not_audio\",\"field\":null,\"detail\":\"\xff\"}",
     WORKERS_CRASHED, SERVER_PROBLEM_WORKER_CRASHED},
};

struct talk {
    int ours, workers;
    int result;
    json_t *request;
    struct workers_call call;
};

static struct talk open_talk(const char *request)
{
    int ends[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends), 0);
    struct talk talk = {.ours = ends[0], .workers = ends[1]};
    talk.result = memfd_create("result", MFD_CLOEXEC);
    assert_true(talk.result >= 0);
    assert_int_equal(ftruncate(talk.result, sizeof(struct wire_result_header)), 0);
    talk.request = json_pack("{s:s}", "request", request);
    talk.call = (struct workers_call){
        .request = talk.request, .descriptors = {-1, talk.result, -1}, .deadline_s = 7};
    return talk;
}

static void close_talk(struct talk *talk)
{
    close(talk->ours);
    if (talk->workers >= 0)
        close(talk->workers);
    close(talk->result);
    json_decref(talk->request);
}

static void say(struct talk *talk, const char *text)
{
    assert_int_equal(wire_send(talk->workers, text, strlen(text), NULL, 0), WIRE_OK);
}

static enum workers_outcome answer_of(struct talk *talk, json_t **answer,
                                      struct server_problem *problem)
{
    return talk_answer(talk->ours, &talk->call, clock_monotonic_ms() + 5000, answer,
                       problem);
}

static void an_answer_is_taken_for_what_it_is(void **state)
{
    const struct answer_case *row = *state;
    struct talk talk = open_talk(row->request);
    say(&talk, row->answer);
    close(talk.workers);
    talk.workers = -1;
    json_t *answer = NULL;
    struct server_problem problem = {0};
    assert_int_equal(answer_of(&talk, &answer, &problem), row->want);
    assert_int_equal(problem.code, row->code);
    assert_int_equal(answer != NULL, row->want == WORKERS_DONE);
    json_decref(answer);
    close_talk(&talk);
}

static void a_refusal_names_field_and_sentence(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    say(&talk, "{\"answer\":\"problem\",\"code\":\"out_of_range\",\"field\":\"start_s\","
               "\"detail\":\"start_s is 12 s; the recording has 10 s.\"}");
    json_t *answer = NULL;
    struct server_problem problem = {0};
    assert_int_equal(answer_of(&talk, &answer, &problem), WORKERS_REFUSED);
    assert_string_equal(problem.field, "start_s");
    assert_string_equal(problem.detail, "start_s is 12 s; the recording has 10 s.");
    close_talk(&talk);
}

/* 300 two-byte characters: 399 bytes hold 199 of them whole; 63 bytes hold 31. */
static void a_long_sentence_is_cut_between_characters(void **state)
{
    (void)state;
    char long_text[601] = "", text[2000];
    for (int i = 0; i < 300; i++)
        memcpy(long_text + 2 * i, "\xc3\xa9", 3);
    snprintf(text, sizeof text,
             "{\"answer\":\"problem\",\"code\":\"not_audio\",\"field\":\"%s\","
             "\"detail\":\"%s\"}",
             long_text, long_text);
    struct talk talk = open_talk("measure");
    say(&talk, text);
    json_t *answer = NULL;
    struct server_problem problem = {0};
    assert_int_equal(answer_of(&talk, &answer, &problem), WORKERS_REFUSED);
    assert_int_equal(strlen(problem.detail), 398);
    assert_int_equal(strlen(problem.field), 62);
    close_talk(&talk);
}

static void note_fraction(double fraction, void *context)
{
    double *fractions = context;
    fractions[(int)fractions[0] + 1] = fraction;
    fractions[0]++;
}

static void progress_is_told_in_order(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    double fractions[8] = {0}; /* how many, then they */
    talk.call.progress = note_fraction;
    talk.call.context = fractions;
    say(&talk, "{\"answer\":\"progress\",\"fraction\":0}");
    say(&talk, "{\"answer\":\"progress\",\"fraction\":0.75}");
    say(&talk, "{\"answer\":\"progress\",\"fraction\":1}");
    say(&talk, "{\"answer\":\"done\"}");
    json_t *answer = NULL;
    assert_int_equal(answer_of(&talk, &answer, NULL), WORKERS_DONE);
    json_decref(answer);
    assert_close(fractions[0], 3, 0);
    assert_close(fractions[1], 0, 0);
    assert_close(fractions[2], 0.75, 0);
    assert_close(fractions[3], 1, 0);
    close_talk(&talk);
}

static void done_without_a_result_is_nonsense(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    assert_int_equal(ftruncate(talk.result, sizeof(struct wire_result_header) - 1), 0);
    say(&talk, "{\"answer\":\"done\"}");
    json_t *answer = NULL;
    assert_int_equal(answer_of(&talk, &answer, NULL), WORKERS_CRASHED);
    assert_null(answer);
    close_talk(&talk);
}

struct speech {
    int socket;
    char *text;
};

/* More than a socket holds. */
static void *say_at_length(void *context)
{
    const struct speech *speech = context;
    (void)!wire_send(speech->socket, speech->text, strlen(speech->text), NULL, 0);
    return NULL;
}

/* HEALTH_ANSWER with blanks before it, so many bytes in all. */
static enum workers_outcome answer_of_bytes(size_t bytes)
{
    struct talk talk = open_talk("health");
    struct speech speech = {talk.workers, malloc(bytes + 1)};
    size_t blanks = bytes - strlen(HEALTH_ANSWER);
    assert_non_null(speech.text);
    memset(speech.text, ' ', blanks);
    memcpy(speech.text + blanks, HEALTH_ANSWER, sizeof HEALTH_ANSWER);
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, say_at_length, &speech), 0);
    json_t *answer = NULL;
    enum workers_outcome outcome = answer_of(&talk, &answer, NULL);
    pthread_join(thread, NULL);
    json_decref(answer);
    free(speech.text);
    close_talk(&talk);
    return outcome;
}

static void health_is_told_within_its_limit(void **state)
{
    (void)state;
    assert_int_equal(answer_of_bytes(LIMIT_HEALTH_BYTES), WORKERS_DONE);
    assert_int_equal(answer_of_bytes(LIMIT_HEALTH_BYTES + 1), WORKERS_CRASHED);
}

static void an_answer_with_a_descriptor_is_nonsense(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    const char *text = "{\"answer\":\"done\"}";
    int null = STDIN_FILENO;
    assert_int_equal(wire_send(talk.workers, text, strlen(text), &null, 1), WIRE_OK);
    json_t *answer = NULL;
    assert_int_equal(answer_of(&talk, &answer, NULL), WORKERS_CRASHED);
    close_talk(&talk);
}

static void an_answer_that_breaks_off_is_nonsense(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    assert_int_equal(write(talk.workers, "RWF1\x02\0\0\0{", 9), 9);
    close(talk.workers);
    talk.workers = -1;
    json_t *answer = NULL;
    struct server_problem problem = {0};
    assert_int_equal(answer_of(&talk, &answer, &problem), WORKERS_CRASHED);
    assert_non_null(strstr(problem.detail, "broke off"));
    close_talk(&talk);
}

static void silence_ends_at_the_deadline(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    json_t *answer = NULL;
    struct server_problem problem = {0};
    int64_t start_ms = clock_monotonic_ms();
    assert_int_equal(
        talk_answer(talk.ours, &talk.call, start_ms + 120, &answer, &problem),
        WORKERS_TIMED_OUT);
    assert_between((double)(clock_monotonic_ms() - start_ms), 120, 2000);
    assert_int_equal(problem.code, SERVER_PROBLEM_TIMED_OUT);
    assert_non_null(strstr(problem.detail, "7 s")); /* the call's deadline */
    close_talk(&talk);
}

static void *talk_for_ever(void *context)
{
    const char *text = "{\"answer\":\"progress\",\"fraction\":0.5}";
    while (wire_send(*(int *)context, text, strlen(text), NULL, 0) == WIRE_OK)
        poll(NULL, 0, 1);
    return NULL;
}

static void progress_does_not_put_off_the_deadline(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, talk_for_ever, &talk.workers), 0);
    json_t *answer = NULL;
    int64_t start_ms = clock_monotonic_ms();
    assert_int_equal(talk_answer(talk.ours, &talk.call, start_ms + 150, &answer, NULL),
                     WORKERS_TIMED_OUT);
    assert_between((double)(clock_monotonic_ms() - start_ms), 150, 2000);
    shutdown(talk.ours, SHUT_RDWR);
    pthread_join(thread, NULL);
    close_talk(&talk);
}

static void *cancel_soon(void *context)
{
    poll(NULL, 0, 60);
    atomic_store((atomic_bool *)context, true);
    return NULL;
}

static void a_cancellation_is_seen_while_waiting(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    atomic_bool cancel = false;
    talk.call.cancel = &cancel;
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, cancel_soon, &cancel), 0);
    json_t *answer = NULL;
    int64_t start_ms = clock_monotonic_ms();
    assert_int_equal(answer_of(&talk, &answer, NULL), WORKERS_CANCELLED);
    assert_between((double)(clock_monotonic_ms() - start_ms), 50, 1000);
    pthread_join(thread, NULL);
    close_talk(&talk);
}

static void a_worker_that_dies_before_it_reads_has_cost_nothing(void **state)
{
    (void)state;
    struct talk talk = open_talk("measure");
    assert_int_equal(talk_send(talk.ours, &talk.call), WIRE_OK);
    close(talk.workers);
    talk.workers = -1;
    json_t *answer = NULL;
    struct server_problem problem = {0};
    assert_int_equal(answer_of(&talk, &answer, &problem), WORKERS_STOPPED);
    assert_int_equal(problem.code, SERVER_PROBLEM_NONE);
    /* nor one that was dead before the request was sent */
    assert_int_equal(talk_send(talk.ours, &talk.call), WIRE_CLOSED);
    close_talk(&talk);
}

static void sends_only_descriptors_in_use(void **state)
{
    (void)state;
    struct talk talk = open_talk("render");
    assert_int_equal(talk_send(talk.ours, &talk.call), WIRE_OK);
    struct wire_frame frame;
    assert_int_equal(wire_receive(talk.workers, 1000, &frame), WIRE_OK);
    assert_string_equal(frame.json, "{\"request\":\"render\"}");
    assert_int_equal(frame.descriptor_count, 1);
    wire_frame_free(&frame);
    close_talk(&talk);
}

int main(void)
{
    enum { PLAIN = 11, CASES = sizeof cases / sizeof cases[0] };
    struct CMUnitTest tests[PLAIN + CASES] = {
        cmocka_unit_test(a_refusal_names_field_and_sentence),
        cmocka_unit_test(a_long_sentence_is_cut_between_characters),
        cmocka_unit_test(progress_is_told_in_order),
        cmocka_unit_test(done_without_a_result_is_nonsense),
        cmocka_unit_test(health_is_told_within_its_limit),
        cmocka_unit_test(an_answer_with_a_descriptor_is_nonsense),
        cmocka_unit_test(an_answer_that_breaks_off_is_nonsense),
        cmocka_unit_test(silence_ends_at_the_deadline),
        cmocka_unit_test(progress_does_not_put_off_the_deadline),
        cmocka_unit_test(a_cancellation_is_seen_while_waiting),
        cmocka_unit_test(a_worker_that_dies_before_it_reads_has_cost_nothing),
        cmocka_unit_test(sends_only_descriptors_in_use),
    };
    for (size_t i = 0; i < CASES; i++)
        tests[PLAIN + i] =
            (struct CMUnitTest){cases[i].name, an_answer_is_taken_for_what_it_is, NULL,
                                NULL, (void *)&cases[i]};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
