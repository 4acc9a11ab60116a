/* What is known of the files that rows name. */
#include "server/store/store.h"

#include <limits.h>
#include <string.h>

#include "tests/server/store/rows.h"
#include "tests/support/support.h"

static int open_store(void **state)
{
    char folder[PATH_MAX];
    support_temporary_folder(folder);
    struct server_problem problem = {0};
    return store_open(folder, (struct store **)state, &problem) ? 0 : -1;
}

static int close_store(void **state)
{
    store_close(*state);
    return 0;
}

/* Capture n, whose file has that time. */
static void add_capture(struct store *store, int n, int64_t mtime_ns)
{
    struct store_capture capture = rows_capture(n);
    struct server_problem problem = {0};
    capture.content_mtime_ns = mtime_ns;
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
}

static void content_is_known_by_its_digest(void **state)
{
    struct store *store = *state;
    add_capture(store, 1, 0);
    struct store_capture capture = rows_capture(1), other = rows_capture(2);
    assert_true(store_has_content(store, capture.sha256));
    assert_false(store_has_content(store, other.sha256));
}

struct folder {
    int asked;
    const char *absent, *changed;
};

static enum store_audio look(const struct store_content *content, void *context)
{
    struct folder *folder = context;
    folder->asked++;
    assert_true(content->bytes == 1152044);
    assert_string_equal(content->name, "unit A, take 1");
    assert_true(id_valid("cap", content->capture));
    return strcmp(content->sha256, folder->absent) == 0    ? STORE_AUDIO_MISSING
           : strcmp(content->sha256, folder->changed) == 0 ? STORE_AUDIO_CHANGED
                                                           : STORE_AUDIO_PRESENT;
}

static enum store_audio audio(struct store *store, const char *id)
{
    struct store_capture got;
    assert_true(store_capture_get(store, id, &got, NULL));
    enum store_audio audio = got.audio;
    store_capture_free(&got);
    return audio;
}

static void content_is_marked_missing_or_changed_and_found_again(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    for (int n = 1; n <= 3; n++)
        add_capture(store, n, 0);
    struct store_capture first = rows_capture(1), second = rows_capture(2),
                         third = rows_capture(3);
    struct folder folder = {.absent = second.sha256, .changed = third.sha256};
    assert_true(store_mark_audio(store, look, &folder, &problem));
    assert_int_equal(folder.asked, 3);
    assert_int_equal(audio(store, first.id), STORE_AUDIO_PRESENT);
    assert_int_equal(audio(store, second.id), STORE_AUDIO_MISSING);
    assert_int_equal(audio(store, third.id), STORE_AUDIO_CHANGED);
    folder.absent = first.sha256;
    assert_true(store_mark_audio(store, look, &folder, &problem));
    assert_int_equal(audio(store, first.id), STORE_AUDIO_MISSING);
    assert_int_equal(audio(store, second.id), STORE_AUDIO_PRESENT);
    assert_int_equal(audio(store, third.id), STORE_AUDIO_CHANGED);
}

static int64_t mtime_ns(struct store *store, const char *id)
{
    struct store_capture got;
    assert_true(store_capture_get(store, id, &got, NULL));
    int64_t mtime_ns = got.content_mtime_ns;
    store_capture_free(&got);
    return mtime_ns;
}

/* Captures 1 and 2 of one content, 3 of another. */
static void finding_holds_for_all_captures_of_the_content(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    add_capture(store, 1, 100);
    struct store_capture first = rows_capture(1), second = rows_capture(2),
                         third = rows_capture(3);
    memcpy(second.sha256, first.sha256, sizeof second.sha256);
    second.content_mtime_ns = 100;
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &second}, &problem));
    add_capture(store, 3, 100);
    struct store_finding finding = {first.sha256, STORE_AUDIO_CHANGED, 0, 100};
    assert_true(store_content_found(store, &finding, &problem));
    assert_int_equal(audio(store, first.id), STORE_AUDIO_CHANGED);
    assert_int_equal(audio(store, second.id), STORE_AUDIO_CHANGED);
    assert_true(mtime_ns(store, second.id) == 0);
    assert_int_equal(audio(store, third.id), STORE_AUDIO_PRESENT);
    assert_true(mtime_ns(store, third.id) == 100);
}

/* Whoever looked at the old file must not judge the new one. */
static void finding_of_a_file_replaced_meanwhile_is_void(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    add_capture(store, 1, 100);
    struct store_capture first = rows_capture(1), again = rows_capture(2);
    memcpy(again.sha256, first.sha256, sizeof again.sha256);
    again.content_mtime_ns = 200; /* the same bytes uploaded again */
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &again}, &problem));
    assert_true(mtime_ns(store, first.id) == 200);
    struct store_finding finding = {first.sha256, STORE_AUDIO_CHANGED, 0, 100};
    assert_true(store_content_found(store, &finding, &problem));
    assert_int_equal(audio(store, first.id), STORE_AUDIO_PRESENT);
    assert_true(mtime_ns(store, first.id) == 200);
}

static void upload_heals_the_captures_of_its_content(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    struct store_capture first = rows_capture(1), again = rows_capture(2);
    first.audio = STORE_AUDIO_MISSING;
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &first}, &problem));
    memcpy(again.sha256, first.sha256, sizeof again.sha256);
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &again}, &problem));
    assert_int_equal(audio(store, first.id), STORE_AUDIO_PRESENT);
}

static void note_result(const char *id, void *context)
{
    char *ids = context;
    strcat(ids, id);
}

static void results_are_those_of_analyses_that_are_done(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    char ids[200] = "";
    add_capture(store, 1, 0);
    static const enum store_state ends[] = {STORE_QUEUED, STORE_DONE, STORE_FAILED,
                                            STORE_CANCELLED};
    for (int n = 1; n <= 4; n++) {
        struct store_analysis analysis = rows_analysis(n, 1);
        assert_true(store_analysis_add(store, &analysis, &problem));
        analysis.state = ends[n - 1];
        if (analysis.state != STORE_QUEUED)
            assert_true(store_analysis_finish(store, &analysis, &problem));
    }
    assert_true(store_each_result(store, note_result, ids, &problem));
    assert_string_equal(ids, rows_analysis(2, 1).id);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_store, close_store)
    const struct CMUnitTest tests[] = {
        TEST(content_is_known_by_its_digest),
        TEST(content_is_marked_missing_or_changed_and_found_again),
        TEST(finding_holds_for_all_captures_of_the_content),
        TEST(finding_of_a_file_replaced_meanwhile_is_void),
        TEST(upload_heals_the_captures_of_its_content),
        TEST(results_are_those_of_analyses_that_are_done),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
