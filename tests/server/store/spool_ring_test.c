/* The ring between receiver and second thread: order, wrap-around, failures of either
 * side. */
#include "server/store/spool_ring.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tests/support/support.h"

enum { BODY_BYTES = 3 * SPOOL_RING_BYTES + 12345 };

struct sink {
    uint8_t bytes[BODY_BYTES];
    size_t count;
    size_t fails_after; /* fails with the piece that reaches this count */
    unsigned pause_us;  /* a slow disk */
    size_t odd_pieces;  /* pieces that are no whole chunks */
};

static bool take(void *context, const uint8_t *bytes, size_t count,
                 struct server_problem *problem)
{
    struct sink *sink = context;
    if (sink->pause_us > 0)
        usleep(sink->pause_us);
    if (count > sizeof sink->bytes - sink->count)
        return server_problem_set(problem, SERVER_PROBLEM_CONFLICT, NULL, "too much");
    memcpy(sink->bytes + sink->count, bytes, count);
    sink->count += count;
    sink->odd_pieces += count % SPOOL_RING_CHUNK_BYTES != 0;
    return sink->count < sink->fails_after ||
           server_problem_set(problem, SERVER_PROBLEM_DISK_FULL, NULL,
                              "full at %zu bytes", sink->count);
}

static uint8_t body[BODY_BYTES];
static struct sink sink;

static struct spool_ring *started(size_t fails_after, unsigned pause_us)
{
    struct spool_ring *ring = NULL;
    struct server_problem problem = {0};
    sink = (struct sink){.fails_after = fails_after, .pause_us = pause_us};
    for (size_t i = 0; i < BODY_BYTES; i++)
        body[i] = (uint8_t)(i * 131 + (i >> 8) * 17); /* no period that fits the ring */
    assert_true(spool_ring_start(take, &sink, &ring, &problem));
    return ring;
}

static void ring_passes_everything_in_order(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 8; seed++) {
        /* Even seeds with a slow reader, so that the ring fills. */
        struct spool_ring *ring = started(SIZE_MAX, seed % 2 == 0 ? 500 : 0);
        struct support_random random = support_random_seed(seed);
        struct server_problem problem = {0};
        for (size_t at = 0, count; at < BODY_BYTES; at += count) {
            count = (size_t)(support_uniform(&random) * 100000) + 1;
            if (count > BODY_BYTES - at)
                count = BODY_BYTES - at;
            spool_ring_put(ring, body + at, count);
        }
        assert_true(spool_ring_end(ring, &problem));
        spool_ring_free(ring);
        if (sink.count != BODY_BYTES || memcmp(sink.bytes, body, BODY_BYTES) != 0)
            fail_msg("seed %d: %zu bytes came", (int)seed, sink.count);
        assert_in_range(sink.odd_pieces, 0, 1); /* only the rest at the end */
    }
}

static void ring_without_bytes_ends(void **state)
{
    (void)state;
    struct spool_ring *ring = started(SIZE_MAX, 0);
    struct server_problem problem = {0};
    assert_true(spool_ring_end(ring, &problem));
    assert_int_equal(sink.count, 0);
    spool_ring_free(ring);
    spool_ring_free(NULL);
}

static void ring_swallows_the_rest_after_a_failure(void **state)
{
    (void)state;
    struct spool_ring *ring = started(1, 0); /* fails with the first piece */
    struct server_problem problem = {0};
    spool_ring_put(ring, body, BODY_BYTES); /* three times what the ring holds: returns */
    spool_ring_put(ring, body, BODY_BYTES);
    assert_false(spool_ring_end(ring, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    /* The first piece is of whole chunks and at most the ring. */
    assert_in_range(sink.count, SPOOL_RING_CHUNK_BYTES, SPOOL_RING_BYTES);
    char detail[64];
    snprintf(detail, sizeof detail, "full at %zu bytes", sink.count);
    assert_string_equal(problem.detail, detail);
    assert_false(spool_ring_end(ring, NULL)); /* told again, nobody listening */
    spool_ring_free(ring);
}

static void ring_keeps_the_first_of_two_failures(void **state)
{
    (void)state;
    struct spool_ring *ring = started(SIZE_MAX, 0);
    struct server_problem first = {0}, second = {0}, problem = {0};
    server_problem_set(&first, SERVER_PROBLEM_TOO_LARGE, NULL, "first");
    server_problem_set(&second, SERVER_PROBLEM_DISK_FULL, NULL, "second");
    spool_ring_fail(ring, &first);
    spool_ring_fail(ring, &second);
    spool_ring_put(ring, body, BODY_BYTES);
    assert_false(spool_ring_end(ring, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_TOO_LARGE);
    assert_int_equal(sink.count, 0);
    spool_ring_free(ring);
}

static void ring_may_be_freed_at_any_time(void **state)
{
    (void)state;
    struct spool_ring *ring = started(SIZE_MAX, 1000);
    spool_ring_put(ring, body, SPOOL_RING_BYTES);
    spool_ring_free(ring);
    assert_int_equal(sink.count, SPOOL_RING_BYTES); /* what waited was processed */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ring_passes_everything_in_order),
        cmocka_unit_test(ring_without_bytes_ends),
        cmocka_unit_test(ring_swallows_the_rest_after_a_failure),
        cmocka_unit_test(ring_keeps_the_first_of_two_failures),
        cmocka_unit_test(ring_may_be_freed_at_any_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
