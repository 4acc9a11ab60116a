#include "analysis/worker/encode.h"

#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#include <sys/mman.h>

#include "analysis/worker/settings_json.h"
#include "analysis/worker/wire.h"
#include "tests/analysis/worker/made_up.h"

static struct report *full_report(void)
{
    struct report *report = report_new(&made_up.description, (const int[]){1, 3}, 2);
    assert_non_null(report);
    struct problem problem = {0};
    assert_true(made_up_run(&(struct measurement_input){0}, report, &problem));
    return report;
}

static const struct signal_json untold;

static struct settings default_settings(void)
{
    struct settings settings;
    struct problem problem = {0};
    assert_true(settings_json_read(&made_up.description, NULL, &settings, &problem));
    return settings;
}

/* Writes the result of `report` and reads the whole file. */
static size_t file_of(const struct report *report, char *bytes, size_t size)
{
    struct settings settings = default_settings();
    struct problem problem = {0};
    int descriptor = memfd_create("test", MFD_CLOEXEC);
    assert_true(encode_result(&settings, &untold, report, descriptor, &problem));
    ssize_t count = pread(descriptor, bytes, size, 0);
    assert_true(count > 0 && (size_t)count < size);
    close(descriptor);
    return (size_t)count;
}

/* The shapes are those of the interface's example of a result; 12 significant digits. */
#define CHANNEL(number)                                                                  \
    "{\"channel\":" number ",\"span\":{\"start_s\":0.25,\"end_s\":9.75},"                \
    "\"figures\":{\"level\":{\"value\":-0.333333333333,\"unit\":\"dBFS\",\"u95\":0.001}" \
    ","                                                                                  \
    "\"thd\":{\"value\":null,\"unit\":\"dB\",\"reason\":\"below_noise\","                \
    "\"bound\":-120.5}},\"findings\":{\"overload\":true},"                               \
    "\"lists\":{\"harmonics\":["                                                         \
    "{\"order\":2,\"level_dbc\":-200.5,\"aliased\":false,\"origin\":null},"              \
    "{\"order\":3,\"level_dbc\":-300.75,\"aliased\":true,\"origin\":\"mains\"}]},"       \
    "\"series\":{\"spectrum\":{\"points\":3,\"x\":{\"name\":\"frequency\","              \
    "\"unit\":\"Hz\"},\"y\":{\"name\":\"level\",\"unit\":\"dBFS\"},"                     \
    "\"resolution_bandwidth_hz\":1.93}}}"

static const char want_body[] =
    "{\"engine\":{\"name\":\"residuum\",\"version\":\"" RESIDUUM_VERSION "\"},"
    "\"settings\":{\"channels\":null,\"start_s\":0,\"duration_s\":null,"
    "\"band_hz\":[20,20000],\"harmonics\":10,\"bits\":16,\"kind\":\"auto\","
    "\"notch\":\"band\",\"load\":null},\"signal\":null,"
    "\"channels\":[" CHANNEL("1") "," CHANNEL(
        "3") "],"
             "\"warnings\":[{\"code\":\"clock_offset\",\"message\":\"Tone 37 ppm above "
             "nominal.\","
             "\"channel\":1},{\"code\":\"channels_identical\","
             "\"message\":\"Both say \\\"the same\\\".\"}]}";

/* 1/3 with the 17 digits that a double needs. */
#define ENTRY(number, offset)                                                            \
    "{\"name\":\"spectrum\",\"channel\":" number ",\"points\":3,\"offset\":" offset ","  \
    "\"x\":{\"name\":\"frequency\",\"unit\":\"Hz\",\"start\":0.0,"                       \
    "\"step\":0.33333333333333331},\"y\":{\"name\":\"level\",\"unit\":\"dBFS\"},"        \
    "\"resolution_bandwidth_hz\":1.9299999999999999}"

static const char want_index[] = "[" ENTRY("1", "0") "," ENTRY("3", "12") "]";

static void file_is_header_body_index_and_columns(void **state)
{
    (void)state;
    static char bytes[1 << 16];
    struct report *report = full_report();
    size_t count = file_of(report, bytes, sizeof bytes);
    struct wire_result_header header;
    memcpy(&header, bytes, sizeof header);
    assert_memory_equal(header.magic, "RSDRES01", 8);
    assert_int_equal(header.body_bytes, strlen(want_body));
    assert_memory_equal(bytes + 32, want_body, header.body_bytes);
    assert_int_equal(header.index_bytes, strlen(want_index));
    assert_memory_equal(bytes + 32 + header.body_bytes, want_index, header.index_bytes);
    assert_int_equal(header.series_bytes, 24);
    assert_int_equal(header.reserved, 0);
    assert_int_equal(count, 32 + header.body_bytes + header.index_bytes + 24);
    float columns[6];
    memcpy(columns, bytes + count - 24, sizeof columns);
    static const float want[] = {-1.5f, -INFINITY, -150, -3, -INFINITY, -150};
    assert_memory_equal(columns, want, sizeof want);
    report_free(report);
}

/* Third-octave centres of ISO 266; the column of x lies behind that of y, and the next
 * channel's behind both. */
static void uneven_x_is_a_column(void **state)
{
    (void)state;
    static const float bands_hz[] = {25, 31.5f, 40}, levels[] = {-1, -2, -3};
    static char bytes[1 << 16];
    struct report *report = full_report();
    struct report_series series = {malloc(sizeof levels),  3, 0, 0, 0,
                                   malloc(sizeof bands_hz)};
    assert_true(series.y && series.x);
    memcpy(series.y, levels, sizeof levels);
    memcpy(series.x, bands_hz, sizeof bands_hz);
    report_series(report, 0, 1, &series);
    size_t count = file_of(report, bytes, sizeof bytes);
    struct wire_result_header header;
    memcpy(&header, bytes, sizeof header);
    static const char want[] = "[" ENTRY(
        "1",
        "0") ",{\"name\":\"error\",\"channel\":1,\"points\":3,"
             "\"offset\":12,\"x\":{\"name\":\"level\",\"unit\":\"dBFS\",\"offset\":24},"
             "\"y\":{\"name\":\"error\",\"unit\":\"dB\"}}," ENTRY("3", "36") "]";
    assert_int_equal(header.index_bytes, strlen(want));
    const char *index = bytes + 32 + header.body_bytes;
    assert_memory_equal(index, want, header.index_bytes);
    assert_int_equal(header.series_bytes, 48);
    assert_ptr_equal(index + header.index_bytes + 48, bytes + count);
    assert_memory_equal(index + header.index_bytes + 12, levels, sizeof levels);
    assert_memory_equal(index + header.index_bytes + 24, bands_hz, sizeof bands_hz);
    report_free(report);
}

static void same_report_gives_the_same_bytes(void **state)
{
    (void)state;
    static char first[1 << 16], second[1 << 16];
    struct report *reports[] = {full_report(), full_report()};
    size_t count = file_of(reports[0], first, sizeof first);
    assert_int_equal(file_of(reports[1], second, sizeof second), count);
    assert_memory_equal(first, second, count);
    report_free(reports[0]);
    report_free(reports[1]);
}

static void channel_without_anything_is_nulls(void **state)
{
    (void)state;
    struct report *report = report_new(&made_up.description, (const int[]){2}, 1);
    struct settings settings = default_settings();
    report_value(report, 0, 0, 1, NAN);
    json_t *body = encode_body(&settings, &untold, report);
    json_t *want = json_loads(
        "{\"channel\":2,\"span\":null,\"figures\":{"
        "\"level\":{\"value\":1.0,\"unit\":\"dBFS\",\"u95\":null},"
        "\"thd\":{\"value\":null,\"unit\":\"dB\",\"reason\":\"not_determinable\"}},"
        "\"findings\":{\"overload\":null},\"lists\":{\"harmonics\":[]},\"series\":{}}",
        0, NULL);
    assert_true(json_equal(json_array_get(json_object_get(body, "channels"), 0), want));
    assert_int_equal(json_array_size(json_object_get(body, "warnings")), 0);
    json_decref(body);
    json_decref(want);
    report_free(report);
}

/* "at_most" where less is better, "at_least" where more is: the interface's words. */
static void value_that_is_a_bound_says_so(void **state)
{
    (void)state;
    static const struct figure_description figures[] = {
        {"thd", "dB", "", "", BETTER_LOWER, FLOOR_HARMONIC, NULL},
        {"sinad", "dB", "", "", BETTER_HIGHER, FLOOR_HARMONIC, NULL},
    };
    const struct description description = {.figures = figures, .figure_count = 2};
    struct report *report = report_new(&description, (const int[]){1}, 1);
    struct settings settings = default_settings();
    report_at_worst(report, 0, 0, -110.5);
    report_at_worst(report, 0, 1, 108.5);
    json_t *body = encode_body(&settings, &untold, report);
    json_t *want = json_loads("{\"thd\":{\"value\":-110.5,\"unit\":\"dB\",\"u95\":null,"
                              "\"bound\":\"at_most\"},"
                              "\"sinad\":{\"value\":108.5,\"unit\":\"dB\",\"u95\":null,"
                              "\"bound\":\"at_least\"}}",
                              0, NULL);
    const json_t *channel = json_array_get(json_object_get(body, "channels"), 0);
    assert_true(json_equal(json_object_get(channel, "figures"), want));
    json_decref(body);
    json_decref(want);
    report_free(report);
}

static void full_disk_is_said(void **state)
{
    (void)state;
    struct report *report = full_report();
    struct settings settings = default_settings();
    struct problem problem = {0};
    int descriptor = open("/dev/full", O_WRONLY | O_CLOEXEC);
    assert_false(encode_result(&settings, &untold, report, descriptor, &problem));
    assert_int_equal(problem.kind, PROBLEM_DISK_FULL);
    assert_non_null(strstr(problem.detail, "No space left"));
    close(descriptor);
    report_free(report);
}

/* A row has some 70 bytes: 300000 of them pass the 16 MiB that the daemon accepts. */
static void result_over_its_limit_is_refused(void **state)
{
    (void)state;
    struct report *report = full_report();
    for (int i = 0; i < 300000; i++)
        report_row(report, 0, 0,
                   (const struct report_cell[]){report_number(i), report_number(-1.0 / 3),
                                                report_boolean(true),
                                                report_word("mains")});
    struct settings settings = default_settings();
    struct problem problem = {0};
    int descriptor = memfd_create("test", MFD_CLOEXEC);
    assert_false(encode_result(&settings, &untold, report, descriptor, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_MEMORY);
    assert_non_null(strstr(problem.detail, "16777216"));
    assert_int_equal(lseek(descriptor, 0, SEEK_END), 0);
    close(descriptor);
    report_free(report);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(file_is_header_body_index_and_columns),
        cmocka_unit_test(uneven_x_is_a_column),
        cmocka_unit_test(same_report_gives_the_same_bytes),
        cmocka_unit_test(channel_without_anything_is_nulls),
        cmocka_unit_test(value_that_is_a_bound_says_so),
        cmocka_unit_test(full_disk_is_said),
        cmocka_unit_test(result_over_its_limit_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
