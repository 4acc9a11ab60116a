#include "analysis/capture/chunks.h"

#include <time.h>

#include "tests/analysis/capture/files.h"

static struct files_bytes bytes;

static void start(enum container container)
{
    static const size_t heads[] = {
        [CONTAINER_WAV] = 12, [CONTAINER_W64] = 40, [CONTAINER_CAF] = 8};
    memset(&bytes, 0, sizeof bytes);
    bytes.count = heads[container];
}

static struct chunks begin(enum container container)
{
    int descriptor = files_from_bytes(&bytes);
    return chunks_begin(descriptor, container, (int64_t)bytes.count);
}

static void put(const char *name, uint32_t size, size_t present)
{
    files_text(&bytes, name);
    files_little(&bytes, size, 4);
    bytes.count += present;
}

static void chunks_are_gone_through_in_order(void **state)
{
    (void)state;
    static const char *const names[] = {"fmt ", "odd ", "JUNK", "data"};
    start(CONTAINER_WAV);
    put("fmt ", 16, 16);
    put("odd ", 3, 4);
    put("JUNK", 0, 0);
    put("data", 5, 5);
    struct chunks chunks = begin(CONTAINER_WAV);
    struct chunk chunk;
    for (int i = 0; i < 4; i++) {
        assert_true(chunks_next(&chunks, &chunk));
        assert_string_equal(chunk.name, names[i]);
        assert_true(chunks_holds(&chunks, &chunk));
        chunks_pass(&chunks, &chunk);
    }
    assert_false(chunks_next(&chunks, &chunk));
    assert_int_equal(chunks.offset, bytes.count);
    assert_false(chunks.pad_missing);
    close(chunks.descriptor);
}

/* Sizes that lead backwards or nowhere are no sizes, or reach beyond the end. */
static void senseless_sizes_lead_nowhere(void **state)
{
    (void)state;
    static const uint64_t sizes[] = {
        0, 1, 23, UINT64_MAX, 1ULL << 63, INT64_MAX, INT64_MAX - 40};
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        struct chunk chunk;
        start(CONTAINER_W64);
        files_text(&bytes, "junkGUIDGUIDGUID");
        files_little(&bytes, sizes[i], 8);
        struct chunks chunks = begin(CONTAINER_W64);
        assert_true(chunks_next(&chunks, &chunk));
        assert_false(chunks_holds(&chunks, &chunk));
        close(chunks.descriptor);
        start(CONTAINER_CAF);
        files_text(&bytes, "free");
        files_big(&bytes, sizes[i], 8);
        chunks = begin(CONTAINER_CAF);
        assert_true(chunks_next(&chunks, &chunk));
        assert_int_equal(chunks_holds(&chunks, &chunk), sizes[i] == 0);
        close(chunks.descriptor);
    }
}

/* 10000 empty chunks: the walk gives up instead of going through them all. */
static void endless_chunks_end(void **state)
{
    (void)state;
    start(CONTAINER_WAV);
    for (int i = 0; i < 10000; i++)
        put("JUNK", 0, 0);
    struct chunks chunks = begin(CONTAINER_WAV);
    struct chunk chunk;
    int count = 0;
    while (chunks_next(&chunks, &chunk)) {
        chunks_pass(&chunks, &chunk);
        count++;
    }
    assert_int_equal(count, CHUNKS_MOST);
    close(chunks.descriptor);
}

static void tail_begins_with_the_first_chunk_that_leads_to_the_end(void **state)
{
    (void)state;
    start(CONTAINER_WAV);
    put("data", 0xFFFFFFFF, 70000);
    size_t end = bytes.count;
    put("abcd", 4, 4); /* leads to the end, but is nobody's name: could be audio */
    put("LIST", 5, 6);
    put("zzzz", 2, 2);
    put("bext", 1, 1); /* its pad is missing */
    struct chunks chunks = begin(CONTAINER_WAV);
    assert_int_equal(chunks_tail(&chunks, 20), end + 12);
    assert_int_equal(chunks_tail(&chunks, (int64_t)end + 20), end + 12 + 14 + 10);
    assert_int_equal(chunks_tail(&chunks, (int64_t)bytes.count), bytes.count);
    close(chunks.descriptor);
    files_text(&bytes, "no chunk");
    chunks = begin(CONTAINER_WAV);
    assert_int_equal(chunks_tail(&chunks, 20), bytes.count);
    close(chunks.descriptor);
}

/* Every place of the tail could begin a chunk and none leads to the end: a search by
 * trying each would read the tail a thousand times. 0.5 s is a thousand times enough. */
static void hostile_tail_costs_no_time(void **state)
{
    (void)state;
    start(CONTAINER_WAV);
    put("data", 0, 0);
    while (bytes.count < 100000)
        put("LIST", 0, 0);
    files_text(&bytes, "...");
    struct chunks chunks = begin(CONTAINER_WAV);
    clock_t before = clock();
    assert_int_equal(chunks_tail(&chunks, 20), bytes.count);
    assert_true((double)(clock() - before) / CLOCKS_PER_SEC < 0.5);
    close(chunks.descriptor);
}

static void numbers_are_read_in_both_orders(void **state)
{
    (void)state;
    static const unsigned char digits[] = {1, 2, 3, 4, 5, 6, 7, 0xF8};
    assert_true(chunks_little(digits, 8) == 0xF807060504030201);
    assert_true(chunks_big(digits, 8) == 0x01020304050607F8);
    assert_true(chunks_little(digits, 3) == 0x030201);
    assert_true(chunks_big(digits, 2) == 0x0102);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(chunks_are_gone_through_in_order),
        cmocka_unit_test(senseless_sizes_lead_nowhere),
        cmocka_unit_test(endless_chunks_end),
        cmocka_unit_test(tail_begins_with_the_first_chunk_that_leads_to_the_end),
        cmocka_unit_test(hostile_tail_costs_no_time),
        cmocka_unit_test(numbers_are_read_in_both_orders),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
