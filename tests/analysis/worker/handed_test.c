#include "analysis/worker/handed.h"

#include <string.h>

#include "tests/analysis/worker/made_up.h"

static bool read(const char *text, struct handed *ret, struct problem *problem)
{
    static json_t *object; /* messages are borrowed from it */
    json_decref(object);
    object = text ? json_loads(text, 0, NULL) : NULL;
    assert_true(!text || object);
    return handed_read(object, ret, problem);
}

static void spans_and_warnings_are_read(void **state)
{
    (void)state;
    struct handed handed;
    assert_true(read("{\"channels\":[{\"channel\":1,\"clean_span\":{\"first_frame\":100,"
                     "\"frames\":5000}},{\"channel\":2,\"clean_span\":null}],"
                     "\"warnings\":[{\"code\":\"clipping\",\"message\":\"Tops.\","
                     "\"channel\":2},{\"code\":\"truncated\",\"message\":\"Short.\"}]}",
                     &handed, NULL));
    assert_true(handed.known);
    assert_int_equal(handed.clean[0].first_frame, 100);
    assert_int_equal(handed.clean[0].frames, 5000);
    assert_int_equal(handed.clean[1].frames, 0);
    assert_int_equal(handed.warning_count, 2);
    assert_string_equal(handed.warnings[0].code, "clipping");
    assert_int_equal(handed.warnings[0].channel, 2);
    assert_string_equal(handed.warnings[1].message, "Short.");
    assert_int_equal(handed.warnings[1].channel, 0);
}

static void nothing_handed_is_nothing_known(void **state)
{
    (void)state;
    struct handed handed;
    assert_true(read(NULL, &handed, NULL));
    assert_false(handed.known);
    assert_int_equal(handed.warning_count, 0);
}

static void what_no_worker_wrote_is_refused(void **state)
{
    static const char *const rows[] = {
        "{}",
        "{\"channels\":[]}",
        "{\"channels\":{},\"warnings\":[]}",
        "{\"channels\":[1],\"warnings\":[]}",
        "{\"channels\":[{\"channel\":0,\"clean_span\":null}],\"warnings\":[]}",
        "{\"channels\":[{\"channel\":17,\"clean_span\":null}],\"warnings\":[]}",
        "{\"channels\":[{\"channel\":1}],\"warnings\":[]}",
        "{\"channels\":[{\"channel\":1,\"clean_span\":[]}],\"warnings\":[]}",
        "{\"channels\":[{\"channel\":1,\"clean_span\":{\"first_frame\":-1,"
        "\"frames\":9}}],\"warnings\":[]}",
        "{\"channels\":[{\"channel\":1,\"clean_span\":{\"first_frame\":9,"
        "\"frames\":9223372036854775807}}],\"warnings\":[]}",
        "{\"channels\":[],\"warnings\":[{}]}",
        "{\"channels\":[],\"warnings\":[{\"code\":\"invented\",\"message\":\"a\"}]}",
        "{\"channels\":[],\"warnings\":[{\"code\":\"dropout\"}]}",
        "{\"channels\":[],\"warnings\":[{\"code\":\"dropout\",\"message\":\"a\","
        "\"channel\":17}]}",
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct problem problem = {0};
        struct handed handed;
        if (read(rows[i], &handed, &problem))
            print_error("%s\n", rows[i]);
        assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
        assert_string_equal(problem.field, "health");
    }
}

static void a_report_warns_of_its_own_channels(void **state)
{
    (void)state;
    struct handed handed;
    struct report *report = report_new(&made_up.description, (int[]){2}, 1);
    assert_non_null(report);
    assert_true(read("{\"channels\":[],\"warnings\":["
                     "{\"code\":\"clipping\",\"message\":\"One.\",\"channel\":1},"
                     "{\"code\":\"dropout\",\"message\":\"Two.\",\"channel\":2},"
                     "{\"code\":\"truncated\",\"message\":\"All 100%.\"}]}",
                     &handed, NULL));
    handed_warn(&handed, report);
    assert_int_equal(report->warning_count, 2);
    assert_string_equal(report->warnings[0].code, "dropout");
    assert_string_equal(report->warnings[1].message, "All 100%.");
    report_free(report);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(spans_and_warnings_are_read),
        cmocka_unit_test(nothing_handed_is_nothing_known),
        cmocka_unit_test(what_no_worker_wrote_is_refused),
        cmocka_unit_test(a_report_warns_of_its_own_channels),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
