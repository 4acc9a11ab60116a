/* Thinning and cutting against naive searches over the whole curve held in memory; the
 * file's layout is written by the structure of analysis/worker/wire.h. */
#include "tests/support/support.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "analysis/worker/wire.h"
#include "server/http/series_text.h"

enum { POINTS_MAX = 10000 };

struct fixture {
    float x[POINTS_MAX], y[POINTS_MAX];
    uint64_t points;
    struct result_file result;
    json_t *index;
    struct series series;
    enum series_text_format format;
};

static void write_all(int file, const void *bytes, size_t count)
{
    assert_int_equal(write(file, bytes, count), (ssize_t)count);
}

/* A result with one series of the fixture's x (a column where `column`) and y. */
static void make(struct fixture *fixture, bool column)
{
    static const char body[] = "{\"settings\":{}}";
    char index[400], x[80];
    size_t bytes = fixture->points * sizeof(float);
    if (column)
        snprintf(x, sizeof x, "\"offset\":%zu", bytes);
    else
        snprintf(x, sizeof x, "\"start\":10.5,\"step\":0.25");
    snprintf(index, sizeof index,
             "[{\"name\":\"spectrum\",\"channel\":2,\"points\":%lu,\"offset\":0,"
             "\"x\":{\"name\":\"frequency\",\"unit\":\"Hz\",%s},"
             "\"y\":{\"name\":\"level\",\"unit\":\"dBFS\"}}]",
             (unsigned long)fixture->points, x);
    struct wire_result_header header = {
        .body_bytes = sizeof body - 1,
        .index_bytes = (uint32_t)strlen(index),
        .series_bytes = bytes * (column ? 2 : 1),
    };
    memcpy(header.magic, WIRE_RESULT_MAGIC, sizeof header.magic);
    int file = memfd_create("result", MFD_CLOEXEC);
    assert_true(file >= 0);
    write_all(file, &header, sizeof header);
    write_all(file, body, sizeof body - 1);
    write_all(file, index, strlen(index));
    write_all(file, fixture->y, bytes);
    if (column)
        write_all(file, fixture->x, bytes);

    struct server_problem problem = {0};
    if (!result_file_open(file, &fixture->result, &problem) ||
        !result_file_index(&fixture->result, &fixture->index, &problem) ||
        !series_open(&fixture->result, json_array_get(fixture->index, 0),
                     &fixture->series, &problem))
        fail_msg("%s", problem.detail);
}

static void discard(struct fixture *fixture)
{
    series_close(&fixture->series);
    json_decref(fixture->index);
    result_file_close(&fixture->result);
}

static void random_curve(struct fixture *fixture, struct support_random *random,
                         uint64_t points, bool column)
{
    double x = 10.5;
    fixture->points = points;
    for (uint64_t i = 0; i < points; i++) {
        fixture->x[i] = (float)x;
        x += column ? 0.01 + support_uniform(random) : 0.25;
        fixture->y[i] = (float)support_gaussian(random);
        if (support_uniform(random) < 0.02)
            fixture->y[i] = -INFINITY;
        if (support_uniform(random) < 0.1 && i > 0)
            fixture->y[i] = fixture->y[i - 1];
    }
}

static void columns_are_read_back(void **state)
{
    (void)state;
    static struct fixture fixture;
    struct support_random random = support_random_seed(1);
    random_curve(&fixture, &random, POINTS_MAX, true);
    make(&fixture, true);
    for (int i = 0; i < 20000; i++) {
        uint64_t at = (uint64_t)(support_uniform(&random) * POINTS_MAX);
        assert_true(series_x(&fixture.series, at) == (double)fixture.x[at]);
        assert_true(series_y(&fixture.series, at) == (double)fixture.y[at]);
    }
    assert_false(fixture.series.broken);
    discard(&fixture);
}

static void cut_is_that_of_a_search_from_the_start(void **state)
{
    (void)state;
    static struct fixture fixture;
    for (unsigned seed = 1; seed <= 40; seed++) {
        struct support_random random = support_random_seed(seed);
        bool column = seed % 2 == 0;
        random_curve(&fixture, &random, 1 + (uint64_t)(support_uniform(&random) * 300),
                     column);
        make(&fixture, column);
        double from = (double)fixture.x[0] + 40 * support_gaussian(&random);
        double to = from + 50 * support_uniform(&random);
        if (seed % 5 == 0) /* right on a point, both sides */
            from = to = (double)fixture.x[fixture.points / 2];
        uint64_t first, count, want_first = 0, want_count = 0;
        for (uint64_t i = 0; i < fixture.points; i++) {
            want_first += (double)fixture.x[i] < from;
            want_count += (double)fixture.x[i] >= from && (double)fixture.x[i] <= to;
        }
        series_cut(&fixture.series, from, to, &first, &count);
        if (first != want_first || count != want_count)
            fail_msg("seed %u: %lu+%lu, want %lu+%lu", seed, (unsigned long)first,
                     (unsigned long)count, (unsigned long)want_first,
                     (unsigned long)want_count);
        discard(&fixture);
    }
}

/* The smallest and largest of each interval, by sorting nothing and looking at
 * everything. */
static void check_thinned(const struct fixture *fixture, uint64_t first, uint64_t count,
                          uint64_t points, const uint64_t *picks, unsigned seed)
{
    uint64_t intervals = points / 2;
    for (uint64_t k = 0; k < intervals; k++) {
        uint64_t begin = first + count * k / intervals;
        uint64_t end = first + count * (k + 1) / intervals;
        float low = INFINITY, high = -INFINITY;
        for (uint64_t i = begin; i < end; i++) {
            low = fminf(low, fixture->y[i]);
            high = fmaxf(high, fixture->y[i]);
        }
        uint64_t a = picks[2 * k], b = picks[2 * k + 1];
        float ya = fixture->y[a], yb = fixture->y[b];
        if (a < begin || b >= end || a >= b || fminf(ya, yb) != low ||
            fmaxf(ya, yb) != high)
            fail_msg("seed %u, interval %lu: picked %lu and %lu", seed, (unsigned long)k,
                     (unsigned long)a, (unsigned long)b);
    }
}

static void thinning_keeps_the_extremes_of_each_interval(void **state)
{
    (void)state;
    static struct fixture fixture;
    static uint64_t picks[POINTS_MAX];
    for (unsigned seed = 1; seed <= 40; seed++) {
        struct support_random random = support_random_seed(seed);
        random_curve(&fixture, &random, 100 + (uint64_t)(support_uniform(&random) * 9000),
                     false);
        make(&fixture, false);
        uint64_t first = (uint64_t)(support_uniform(&random) * 20);
        uint64_t count =
            fixture.points - first - (uint64_t)(support_uniform(&random) * 20);
        uint64_t points = 2 + (uint64_t)(support_uniform(&random) * (double)(count - 2));
        if (seed == 1)
            points = 2;
        if (seed == 2)
            points = count - 1; /* nearly nothing to thin */
        series_thin(&fixture.series, first, count, points, picks);
        check_thinned(&fixture, first, count, points, picks, seed);
        discard(&fixture);
    }
}

static char *text_of(struct fixture *fixture, uint64_t first, uint64_t count,
                     const uint64_t *picks, size_t piece)
{
    struct series_text text;
    assert_true(
        series_text_begin(json_array_get(fixture->index, 0), fixture->format, &text));
    text.series = &fixture->series;
    text.first = first;
    text.count = count;
    text.picks = picks;
    size_t used = 0, got;
    char *whole = malloc(64 * POINTS_MAX + piece);
    assert_non_null(whole);
    while ((got = series_text_next(&text, whole + used, piece)) > 0) {
        assert_true(got <= piece);
        used += got;
    }
    whole[used] = '\0';
    series_text_free(&text);
    return whole;
}

static void text_is_json_whatever_the_pieces(void **state)
{
    (void)state;
    static struct fixture fixture;
    struct support_random random = support_random_seed(7);
    random_curve(&fixture, &random, 3000, true);
    fixture.y[5] = NAN;
    make(&fixture, true);
    char *whole = text_of(&fixture, 0, 3000, NULL, 1 << 20);
    for (size_t piece = 64; piece < 400; piece += 37) {
        char *again = text_of(&fixture, 0, 3000, NULL, piece);
        assert_string_equal(again, whole);
        free(again);
    }
    json_t *json = json_loads(whole, JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(json);
    assert_string_equal(json_string_value(json_object_get(json, "name")), "spectrum");
    assert_int_equal(json_integer_value(json_object_get(json, "channel")), 2);
    json_t *x = json_object_get(json_object_get(json, "x"), "values");
    json_t *y = json_object_get(json_object_get(json, "y"), "values");
    assert_string_equal(
        json_string_value(json_object_get(json_object_get(json, "y"), "unit")), "dBFS");
    assert_int_equal(json_array_size(x), 3000);
    assert_int_equal(json_array_size(y), 3000);
    assert_true(json_is_null(json_array_get(y, 5)));
    for (size_t i = 0; i < 3000; i++) {
        double want = (double)fixture.x[i];
        assert_close(json_number_value(json_array_get(x, i)), want, 1e-11 * fabs(want));
        if (isfinite(fixture.y[i]))
            assert_close(json_number_value(json_array_get(y, i)), (double)fixture.y[i],
                         1e-11 * fabs((double)fixture.y[i]));
        else
            assert_true(json_is_null(json_array_get(y, i)));
    }
    json_decref(json);
    free(whole);
    discard(&fixture);
}

static void text_of_three_points_to_the_letter(void **state)
{
    (void)state;
    static struct fixture fixture;
    static const uint64_t picks[] = {0, 2};
    fixture.points = 3;
    fixture.y[0] = -100.5f;
    fixture.y[1] = 0;
    fixture.y[2] = -INFINITY;
    make(&fixture, false);
    char *all = text_of(&fixture, 0, 3, NULL, 4096);
    assert_string_equal(
        all, "{\"name\":\"spectrum\",\"channel\":2,\"x\":{\"name\":\"frequency\","
             "\"unit\":\"Hz\",\"values\":[10.5,10.75,11]},\"y\":{\"name\":"
             "\"level\",\"unit\":\"dBFS\",\"values\":[-100.5,0,null]}}");
    char *none = text_of(&fixture, 3, 0, NULL, 64);
    assert_non_null(strstr(none, "\"unit\":\"Hz\",\"values\":[]},"));
    char *two = text_of(&fixture, 0, 2, picks, 64);
    assert_non_null(strstr(two, "\"values\":[10.5,11]},"));
    free(all);
    free(none);
    free(two);
    discard(&fixture);
}

static void csv_of_three_points_to_the_letter(void **state)
{
    (void)state;
    static struct fixture fixture = {.points = 3, .format = SERIES_TEXT_CSV};
    static const uint64_t picks[] = {0, 2};
    fixture.y[0] = -100.5f;
    fixture.y[1] = 0;
    fixture.y[2] = -INFINITY;
    make(&fixture, false);
    char *all = text_of(&fixture, 0, 3, NULL, 4096);
    assert_string_equal(all,
                        "frequency_hz,level_dbfs\r\n10.5,-100.5\r\n10.75,0\r\n11,\r\n");
    char *none = text_of(&fixture, 3, 0, NULL, 64);
    assert_string_equal(none, "frequency_hz,level_dbfs\r\n");
    char *two = text_of(&fixture, 0, 2, picks, 64);
    assert_string_equal(two, "frequency_hz,level_dbfs\r\n10.5,-100.5\r\n11,\r\n");
    free(all);
    free(none);
    free(two);
    discard(&fixture);
}

static void csv_is_the_same_whatever_the_pieces(void **state)
{
    (void)state;
    static struct fixture fixture = {.format = SERIES_TEXT_CSV};
    struct support_random random = support_random_seed(11);
    random_curve(&fixture, &random, 2000, true);
    make(&fixture, true);
    char *whole = text_of(&fixture, 0, 2000, NULL, 1 << 20);
    for (size_t piece = 64; piece < 400; piece += 37) {
        char *again = text_of(&fixture, 0, 2000, NULL, piece);
        assert_string_equal(again, whole);
        free(again);
    }
    const char *line = whole;
    for (uint64_t i = 0; i < 2000; i++) {
        char *end;
        line = strchr(line, '\n') + 1;
        assert_close(strtod(line, &end), (double)fixture.x[i],
                     1e-11 * fabs((double)fixture.x[i]));
        assert_int_equal(*end, ',');
        bool empty = end[1] == '\r';
        assert_true(empty == !isfinite(fixture.y[i]));
        double y = strtod(end + 1, &end);
        if (!empty)
            assert_close(y, (double)fixture.y[i], 1e-11 * fabs((double)fixture.y[i]));
        else
            end = strchr(line, '\r');
        assert_memory_equal(end, "\r\n", 2);
    }
    assert_string_equal(strchr(line, '\n'), "\n");
    free(whole);
    discard(&fixture);
}

static void csv_names_hold_only_plain_letters(void **state)
{
    (void)state;
    static const struct {
        const char *unit, *want;
    } cases[] = {
        {"dBFS", "frequency_hz,level_dbfs\r\n"},
        {"%", "frequency_hz,level_percent\r\n"},
        {"dBFS/\u221aHz", "frequency_hz,level_dbfs_per_sqrt_hz\r\n"},
        {"", "frequency_hz,level\r\n"},
        {"a,\"b", "frequency_hz,level_a__b\r\n"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct series_text text;
        json_t *entry =
            json_pack("{s:{s:s, s:s}, s:{s:s, s:s}}", "x", "name", "frequency", "unit",
                      "Hz", "y", "name", "level", "unit", cases[i].unit);
        assert_true(series_text_begin(entry, SERIES_TEXT_CSV, &text));
        assert_string_equal(text.head, cases[i].want);
        series_text_free(&text);
        json_decref(entry);
    }
}

static void series_are_found_by_name_and_channel(void **state)
{
    (void)state;
    json_t *index =
        json_pack("[{s:s,s:i},{s:s,s:i},{s:s,s:i},{}]", "name", "spectrum", "channel", 2,
                  "name", "spectrum", "channel", 4, "name", "phase", "channel", 2);
    const json_t *entry;
    struct server_problem problem = {0};
    struct series_entry_choice choice = {"spectrum", 0};
    assert_true(series_find(index, &choice, &entry, &problem));
    assert_ptr_equal(entry, json_array_get(index, 0));
    choice.channel = 4;
    assert_true(series_find(index, &choice, &entry, &problem));
    assert_ptr_equal(entry, json_array_get(index, 1));
    choice.channel = 1;
    assert_false(series_find(index, &choice, &entry, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_OUT_OF_RANGE);
    assert_non_null(strstr(problem.detail, "2, 4."));
    problem = (struct server_problem){0};
    choice.name = "spektrum";
    assert_false(series_find(index, &choice, &entry, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    assert_non_null(strstr(problem.detail, "spectrum, phase."));
    json_decref(index);
}

static void columns_outside_the_file_are_refused(void **state)
{
    (void)state;
    static const char *const entries[] = {
        "{\"points\":101,\"offset\":0,\"x\":{\"start\":0,\"step\":1}}",
        "{\"points\":100,\"offset\":4,\"x\":{\"start\":0,\"step\":1}}",
        "{\"points\":1,\"offset\":401,\"x\":{\"start\":0,\"step\":1}}",
        "{\"points\":1,\"offset\":-4,\"x\":{\"start\":0,\"step\":1}}",
        "{\"points\":-1,\"offset\":0,\"x\":{\"start\":0,\"step\":1}}",
        "{\"points\":4611686018427387905,\"offset\":0,\"x\":{\"start\":0,\"step\":1}}",
        "{\"points\":100,\"offset\":0,\"x\":{\"start\":0,\"step\":0}}",
        "{\"points\":100,\"offset\":0,\"x\":{\"start\":\"0\",\"step\":1}}",
        "{\"points\":100,\"offset\":0,\"x\":{\"offset\":4}}",
        "{\"points\":100,\"offset\":0,\"x\":{}}",
        "{\"points\":100,\"x\":{\"start\":0,\"step\":1}}",
        "{}",
    };
    const struct result_file result = {.file = -1, .series_bytes = 400};
    for (size_t i = 0; i < sizeof entries / sizeof entries[0]; i++) {
        json_t *entry = json_loads(entries[i], 0, NULL);
        struct server_problem problem = {0};
        struct series series;
        assert_non_null(entry);
        if (series_open(&result, entry, &series, &problem))
            fail_msg("%s was taken", entries[i]);
        assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
        json_decref(entry);
    }
}

static void file_that_shrank_breaks_the_series(void **state)
{
    (void)state;
    static struct fixture fixture;
    fixture.points = 100;
    make(&fixture, false);
    assert_int_equal(ftruncate(fixture.result.file, 200), 0);
    series_y(&fixture.series, 50);
    assert_true(fixture.series.broken);
    discard(&fixture);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(columns_are_read_back),
        cmocka_unit_test(cut_is_that_of_a_search_from_the_start),
        cmocka_unit_test(thinning_keeps_the_extremes_of_each_interval),
        cmocka_unit_test(text_is_json_whatever_the_pieces),
        cmocka_unit_test(text_of_three_points_to_the_letter),
        cmocka_unit_test(csv_of_three_points_to_the_letter),
        cmocka_unit_test(csv_is_the_same_whatever_the_pieces),
        cmocka_unit_test(csv_names_hold_only_plain_letters),
        cmocka_unit_test(series_are_found_by_name_and_channel),
        cmocka_unit_test(columns_outside_the_file_are_refused),
        cmocka_unit_test(file_that_shrank_breaks_the_series),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
