/**
 * A result file that a hostile worker wrote, and curves of it as JSON and CSV. The first
 * byte says whether a right header is put before the rest, whose body and index then have
 * the lengths in the next two.
 */
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "server/http/result_file.h"
#include "server/http/series_text.h"
#include "tests/fuzz/support/told.h"

enum { HEADER_BYTES = 32, TEXT_MAX_BYTES = 1 << 20, PICKS = 8 };

/* Header and rest; the caller frees it. */
static uint8_t *with_header(const uint8_t *data, size_t size)
{
    uint8_t *bytes = calloc(1, HEADER_BYTES + size);
    assert(bytes != NULL);
    size_t body = data[1] < size - 3 ? data[1] : size - 3;
    size_t index = 8 * (size_t)data[2] < size - 3 - body ? 8 * data[2] : size - 3 - body;
    size_t series = size - 3 - body - index;
    memcpy(bytes, "RSDRES01", 8);
    bytes[8] = (uint8_t)body;
    bytes[12] = (uint8_t)index;
    bytes[13] = (uint8_t)(index >> 8);
    bytes[16] = (uint8_t)series;
    bytes[17] = (uint8_t)(series >> 8);
    memcpy(bytes + HEADER_BYTES, data + 3, size - 3);
    return bytes;
}

static void write_out(struct series *series, const json_t *entry,
                      enum series_text_format format, const uint64_t *picks)
{
    static char bytes[TEXT_MAX_BYTES];
    struct series_text text = {.count = 0};
    uint64_t first = 0, count = series->points;
    if (!series_text_begin(entry, format, &text))
        return;
    series_cut(series, -1000, 1e9, &first, &count);
    assert(first <= series->points && count <= series->points - first);
    text.series = series;
    text.first = picks ? 0 : first;
    text.count = picks ? PICKS : count;
    text.picks = picks;
    size_t used = 0, got = 1;
    while (got > 0 && used < sizeof bytes - 4096) {
        got = series_text_next(&text, bytes + used, 4096);
        assert(got <= 4096);
        used += got;
    }
    if (format == SERIES_TEXT_JSON && got == 0 && !series->broken) {
        json_t *read = json_loadb(bytes, used, 0, NULL);
        assert(read != NULL);
        json_decref(read);
    }
    series_text_free(&text);
}

static void check_series(const struct result_file *result, const json_t *entry)
{
    struct server_problem problem = {0};
    struct series series;
    uint64_t picks[PICKS];
    if (!told(series_open(result, entry, &series, &problem), &problem))
        return;
    write_out(&series, entry, SERIES_TEXT_JSON, NULL);
    write_out(&series, entry, SERIES_TEXT_CSV, NULL);
    if (series.points > PICKS) {
        series_thin(&series, 0, series.points, PICKS, picks);
        for (int i = 1; i < PICKS; i++)
            assert(picks[i] > picks[i - 1] && picks[i] < series.points);
        write_out(&series, entry, SERIES_TEXT_JSON, picks);
    }
    series_close(&series);
}

static void check_index(const struct result_file *result)
{
    struct server_problem problem = {0}, lost = {0};
    json_t *index = NULL;
    const json_t *entry;
    if (!told(result_file_index(result, &index, &problem), &problem))
        return;
    assert(json_is_array(index));
    const struct series_entry_choice choice = {"spectrum", 1};
    told(series_find(index, &choice, &entry, &lost), &lost);
    for (size_t i = 0; i < json_array_size(index) && i < 4; i++)
        check_series(result, json_array_get(index, i));
    json_decref(index);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static int file = -1;
    struct server_problem problem = {0};
    struct result_file result;
    if (size < 4)
        return 0;
    if (data[0] % 2) {
        uint8_t *bytes = with_header(data, size);
        file = fuzz_file(file, bytes, HEADER_BYTES + size - 3);
        free(bytes);
    } else {
        file = fuzz_file(file, data + 1, size - 1);
    }
    if (told(result_file_open(dup(file), &result, &problem), &problem)) {
        check_index(&result);
        result_file_close(&result);
    }
    return 0;
}
