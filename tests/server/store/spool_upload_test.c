/* Uploads: what is kept, what is refused, whatever the pieces it came in. */
#include "server/store/spool.h"

#include <dirent.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <gnutls/crypto.h>

#include "tests/support/support.h"

/* SHA-256 of "abc" and of nothing (NIST, examples of FIPS 180-4). */
static const char sha256_abc[] =
    "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
static const char sha256_nothing[] =
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

enum { LIMIT_BYTES = 10 << 20 };

static char folder[PATH_MAX];

static int open_spool(void **state)
{
    struct server_problem problem = {0};
    support_temporary_folder(folder);
    return spool_open(folder, (struct spool **)state, &problem) ? 0 : -1;
}

static int close_spool(void **state)
{
    spool_close(*state);
    return 0;
}

static struct spool_upload *begun(struct spool *spool, int64_t declared_bytes)
{
    struct spool_upload *upload = NULL;
    struct server_problem problem = {0};
    if (!spool_upload_begin(spool, declared_bytes, LIMIT_BYTES, &upload, &problem))
        fail_msg("%s", problem.detail);
    return upload;
}

static int count_incoming(void)
{
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/incoming", folder);
    DIR *entries = opendir(path);
    assert_non_null(entries);
    int count = -2; /* "." and ".." */
    while (readdir(entries) != NULL)
        count++;
    closedir(entries);
    return count;
}

/* The content as a caller finds it. */
static void assert_content(int file, const void *bytes, size_t count)
{
    assert_true(file >= 0);
    assert_true(fcntl(file, F_GETFD) & FD_CLOEXEC);
    assert_int_equal(fcntl(file, F_GETFL) & O_ACCMODE, O_RDONLY);
    struct stat facts;
    assert_int_equal(fstat(file, &facts), 0);
    assert_int_equal(facts.st_size, count);
    void *got = malloc(count + 1);
    assert_non_null(got);
    assert_int_equal(read(file, got, count + 1), count);
    assert_memory_equal(got, bytes, count);
    free(got);
    close(file);
}

static void upload_is_kept_under_its_digest(void **state)
{
    struct spool *spool = *state;
    struct server_problem problem = {0};
    struct spool_upload *upload = begun(spool, 3);
    spool_upload_write(upload, "a", 1);
    spool_upload_write(upload, "bc", 2);
    assert_true(spool_upload_finish(upload, NULL, &problem));
    assert_true(spool_upload_bytes(upload) == 3);
    assert_string_equal(spool_upload_sha256(upload), sha256_abc);
    assert_int_equal(spool_open_content(spool, sha256_abc), -1); /* not yet */
    assert_content(spool_upload_open(upload), "abc", 3);
    assert_true(spool_upload_keep(upload, &problem));
    assert_content(spool_upload_open(upload), "abc", 3);
    assert_int_equal(count_incoming(), 0);
    spool_upload_free(upload);
    assert_content(spool_open_content(spool, sha256_abc), "abc", 3);
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/objects/ba/%s", folder, sha256_abc);
    struct stat facts;
    assert_int_equal(stat(path, &facts), 0);
    assert_int_equal(facts.st_mode & 0777, 0600);
}

static void upload_of_nothing_finishes(void **state)
{
    static const int64_t declared[] = {0, -1};
    for (int i = 0; i < 2; i++) {
        struct server_problem problem = {0};
        struct spool_upload *upload = begun(*state, declared[i]);
        assert_true(spool_upload_finish(upload, NULL, &problem));
        assert_true(spool_upload_bytes(upload) == 0);
        assert_string_equal(spool_upload_sha256(upload), sha256_nothing);
        assert_false(spool_upload_looks_mangled(upload));
        spool_upload_free(upload);
    }
    assert_int_equal(count_incoming(), 0);
}

static void upload_not_kept_leaves_nothing(void **state)
{
    struct server_problem problem = {0};
    struct spool_upload *upload = begun(*state, 5 << 20); /* broken off at once */
    assert_int_equal(count_incoming(), 1);
    spool_upload_free(upload);
    upload = begun(*state, -1); /* broken off within the body */
    spool_upload_write(upload, "abc", 3);
    spool_upload_free(upload);
    upload = begun(*state, -1); /* discarded after an inspection */
    spool_upload_write(upload, "abc", 3);
    assert_true(spool_upload_finish(upload, NULL, &problem));
    spool_upload_free(upload);
    spool_upload_free(NULL);
    assert_int_equal(count_incoming(), 0);
    assert_int_equal(spool_open_content(*state, sha256_abc), -1);
}

static void upload_digest_is_checked(void **state)
{
    struct server_problem problem = {0};
    uint8_t digest[32];
    assert_int_equal(gnutls_hash_fast(GNUTLS_DIG_SHA256, "abc", 3, digest), 0);
    struct spool_upload *upload = begun(*state, -1);
    spool_upload_write(upload, "abc", 3);
    assert_true(spool_upload_finish(upload, digest, &problem));
    spool_upload_free(upload);
    digest[31] ^= 1; /* …15ad becomes …15ac */
    upload = begun(*state, -1);
    spool_upload_write(upload, "abc", 3);
    assert_false(spool_upload_finish(upload, digest, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DIGEST_MISMATCH);
    assert_non_null(strstr(problem.detail, sha256_abc));
    assert_non_null(strstr(problem.detail, "b410ff61f20015ac"));
    spool_upload_free(upload);
    assert_int_equal(count_incoming(), 0);
}

static void upload_over_the_limit_is_refused(void **state)
{
    struct spool *spool = *state;
    struct spool_upload *upload = NULL;
    struct server_problem problem = {0};
    assert_false(spool_upload_begin(spool, 101, 100, &upload, &problem));
    assert_null(upload);
    assert_int_equal(problem.code, SERVER_PROBLEM_TOO_LARGE);
    assert_true(problem.limit_bytes == 100);
    assert_non_null(strstr(problem.detail, "100 bytes"));
    assert_int_equal(count_incoming(), 0);

    /* 100 bytes pass where the length is not declared; 101 do not. */
    for (int length = 100; length <= 101; length++) {
        problem = (struct server_problem){0};
        assert_true(spool_upload_begin(spool, -1, 100, &upload, &problem));
        for (int i = 0; i < length; i++)
            spool_upload_write(upload, "x", 1);
        spool_upload_write(upload, "", 0);
        assert_int_equal(spool_upload_finish(upload, NULL, &problem), length == 100);
        assert_int_equal(problem.code,
                         length == 100 ? SERVER_PROBLEM_NONE : SERVER_PROBLEM_TOO_LARGE);
        assert_true(problem.limit_bytes == (length == 100 ? 0 : 100));
        spool_upload_free(upload);
    }
    /* The rest of a body that is much too long is swallowed. */
    static const char block[1 << 20];
    problem = (struct server_problem){0};
    upload = begun(spool, -1);
    for (int i = 0; i < 30; i++)
        spool_upload_write(upload, block, sizeof block);
    assert_false(spool_upload_finish(upload, NULL, &problem));
    assert_true(problem.limit_bytes == LIMIT_BYTES);
    spool_upload_free(upload);
    assert_int_equal(count_incoming(), 0);
}

static void upload_of_another_length_than_declared_is_refused(void **state)
{
    static const int64_t declared[] = {2, 4, 0};
    for (int i = 0; i < 3; i++) {
        struct server_problem problem = {0};
        struct spool_upload *upload = begun(*state, declared[i]);
        spool_upload_write(upload, "abc", 3);
        assert_false(spool_upload_finish(upload, NULL, &problem));
        assert_int_equal(problem.code, SERVER_PROBLEM_BODY_MANGLED);
        assert_non_null(strstr(problem.detail, "3 bytes arrived"));
        spool_upload_free(upload);
    }
}

/* More than any disk has free: the reservation fails before the body. */
static void upload_without_room_is_refused_at_its_beginning(void **state)
{
    struct spool_upload *upload = NULL;
    struct server_problem problem = {0};
    assert_false(spool_upload_begin(*state, INT64_C(1) << 60, UINT64_C(1) << 61, &upload,
                                    &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    assert_non_null(strstr(problem.detail, "bytes are free"));
    assert_null(upload);
    assert_int_equal(count_incoming(), 0);
}

static void upload_twice_is_stored_once(void **state)
{
    struct spool *spool = *state;
    struct server_problem problem = {0};
    struct spool_upload *uploads[2];
    for (int i = 0; i < 2; i++) {
        uploads[i] = begun(spool, -1);
        spool_upload_write(uploads[i], "abc", 3);
        assert_true(spool_upload_finish(uploads[i], NULL, &problem));
    }
    assert_true(spool_upload_keep(uploads[0], &problem));
    int opened = spool_open_content(spool, sha256_abc);
    assert_true(spool_upload_keep(uploads[1], &problem));
    assert_content(opened, "abc", 3); /* who reads it meanwhile is not disturbed */
    spool_upload_free(uploads[0]);
    spool_upload_free(uploads[1]);
    assert_content(spool_open_content(spool, sha256_abc), "abc", 3);
    assert_int_equal(count_incoming(), 0);
}

static void upload_again_heals_a_damaged_content(void **state)
{
    struct spool *spool = *state;
    struct server_problem problem = {0};
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/objects/ba/%s", folder, sha256_abc);
    for (int i = 0; i < 2; i++) {
        struct spool_upload *upload = begun(spool, -1);
        spool_upload_write(upload, "abc", 3);
        assert_true(spool_upload_finish(upload, NULL, &problem));
        assert_true(spool_upload_keep(upload, &problem));
        spool_upload_free(upload);
        if (i == 0)
            assert_int_equal(truncate(path, 1), 0);
    }
    assert_content(spool_open_content(spool, sha256_abc), "abc", 3);
}

struct client {
    struct spool *spool;
    const uint8_t *bytes;
    size_t count;
    bool kept;
};

static void *upload_whole(void *context)
{
    struct client *client = context;
    struct spool_upload *upload = NULL;
    struct server_problem problem = {0};
    if (!spool_upload_begin(client->spool, (int64_t)client->count, LIMIT_BYTES, &upload,
                            &problem))
        return NULL;
    spool_upload_write(upload, client->bytes, client->count);
    client->kept = spool_upload_finish(upload, NULL, &problem) &&
                   spool_upload_keep(upload, &problem);
    spool_upload_free(upload);
    return NULL;
}

static void uploads_of_the_same_content_at_once_are_safe(void **state)
{
    enum { CLIENTS = 6, BYTES = 700001 };
    struct client clients[CLIENTS];
    pthread_t threads[CLIENTS];
    uint8_t *bytes = malloc(BYTES);
    assert_non_null(bytes);
    for (size_t i = 0; i < BYTES; i++)
        bytes[i] = (uint8_t)(i * i >> 5);
    for (int i = 0; i < CLIENTS; i++) {
        clients[i] = (struct client){*state, bytes, BYTES, false};
        pthread_create(&threads[i], NULL, upload_whole, &clients[i]);
    }
    for (int i = 0; i < CLIENTS; i++) {
        pthread_join(threads[i], NULL);
        assert_true(clients[i].kept);
    }
    uint8_t digest[32];
    char sha256[65];
    assert_int_equal(gnutls_hash_fast(GNUTLS_DIG_SHA256, bytes, BYTES, digest), 0);
    for (int i = 0; i < 32; i++)
        snprintf(sha256 + 2 * i, 3, "%02x", digest[i]);
    assert_content(spool_open_content(*state, sha256), bytes, BYTES);
    assert_int_equal(count_incoming(), 0);
    free(bytes);
}

/* Property: whatever the pieces, the bytes are those sent and the digest is that of the
 * whole computed in one go. Lengths around the ring's and the chunk's are among them. */
static void upload_does_not_depend_on_its_pieces(void **state)
{
    static const size_t lengths[] = {1,      65535,  65536,  65537,  262143,
                                     262144, 262145, 524288, 999999, 3 << 20};
    uint8_t *bytes = malloc(3 << 20);
    assert_non_null(bytes);
    for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++) {
        uint64_t seed = 100 + i;
        struct support_random random = support_random_seed(seed);
        struct server_problem problem = {0};
        uint8_t digest[32];
        for (size_t k = 0; k < lengths[i]; k++)
            bytes[k] = (uint8_t)(support_uniform(&random) * 256);
        gnutls_hash_fast(GNUTLS_DIG_SHA256, bytes, lengths[i], digest);
        struct spool_upload *upload = begun(*state, i % 2 ? (int64_t)lengths[i] : -1);
        double longest = support_uniform(&random) < 0.5 ? 5000 : 400000;
        for (size_t at = 0, count; at < lengths[i]; at += count) {
            count = (size_t)(support_uniform(&random) * longest) + 1;
            if (count > lengths[i] - at)
                count = lengths[i] - at;
            spool_upload_write(upload, bytes + at, count);
        }
        if (!spool_upload_finish(upload, digest, &problem))
            fail_msg("seed %d, %zu bytes: %s", (int)seed, lengths[i], problem.detail);
        assert_content(spool_upload_open(upload), bytes, lengths[i]);
        spool_upload_free(upload);
    }
    free(bytes);
}

/* Heads of files as the formats' descriptions give them, and a little audio. */
static const struct {
    const char *name;
    const char *bytes;
    size_t count;
    bool mangled; /* what it looks like once CR, LF and NUL are gone */
} heads[] = {
#define HEAD(name, text, mangled)                                                        \
    {                                                                                    \
        name, text, sizeof(text) - 1, mangled                                            \
    }
    HEAD("wav", "RIFF\x24\x08\0\0WAVEfmt \x10\0\0\0\1\0\2\0\x80\xbb\0\0\1\2\3\4", true),
    HEAD("wav, odd length", "RIFF\x24\x08\x07\x01WAVEfmt \x10\0\0\0\1\0\2\0", true),
    HEAD("wav, stripped length", "RIFF\0\r\n\0WAVEfmt \x10\0\0\0\1\0\2\0", true),
    HEAD("rf64", "RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0", true),
    HEAD("bw64", "BW64\xff\xff\xff\xffWAVEds64\x1c\0\0\0", true),
    HEAD("aiff",
         "FORM\0\0\x10\x2e"
         "AIFFCOMM\0\0\0\x12",
         true),
    HEAD("aifc",
         "FORM\0\0\x10\x2e"
         "AIFCFVER\0\0\0\4",
         true),
    HEAD("flac", "fLaC\0\0\0\x22\x10\0\x10\0", true),
    HEAD("text", "take 1\r\n", false),
    HEAD("another riff", "RIFF\x24\x08\0\0AVI LIST", true),
    HEAD("another iff", "FORM\0\0\x10\x2eILBMBMHD", true),
    HEAD("ogg", "OggS\0\2\0\0", false),
    HEAD("no more than the magic", "RIFF", true),
    HEAD("three", "fLa", false),
#undef HEAD
};

/* What curl 7.88.1 -d sends of a file: all but CR, LF and NUL. */
static size_t strip(const char *bytes, size_t count, char *ret)
{
    size_t kept = 0;
    for (size_t i = 0; i < count; i++)
        if (bytes[i] != '\r' && bytes[i] != '\n' && bytes[i] != '\0')
            ret[kept++] = bytes[i];
    return kept;
}

static void upload_mangled_by_a_form_post_is_recognised(void **state)
{
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++) {
        char stripped[64];
        size_t count = strip(heads[i].bytes, heads[i].count, stripped);
        for (int whole = 0; whole < 2; whole++) {
            struct server_problem problem = {0};
            struct spool_upload *upload = begun(*state, -1);
            const char *from = whole ? heads[i].bytes : stripped;
            for (size_t k = 0; k < (whole ? heads[i].count : count); k++)
                spool_upload_write(upload, from + k, 1);
            assert_true(spool_upload_finish(upload, NULL, &problem));
            bool mangled = spool_upload_looks_mangled(upload);
            spool_upload_free(upload);
            if (mangled != (heads[i].mangled && (!whole || count == heads[i].count)))
                fail_msg("%s, %s", heads[i].name, whole ? "whole" : "stripped");
        }
    }
}

/* One NUL anywhere shows that the body came as it was. */
static void upload_with_a_late_zero_is_not_mangled(void **state)
{
    static const char zeroes[] = {'\0', '\r', '\n'};
    for (int i = 0; i < 3; i++) {
        struct server_problem problem = {0};
        struct spool_upload *upload = begun(*state, -1);
        spool_upload_write(upload, "fLaC\x22\x10\x10", 7);
        for (int k = 0; k < 1000; k++)
            spool_upload_write(upload, "noise", 5);
        spool_upload_write(upload, &zeroes[i], 1);
        assert_true(spool_upload_finish(upload, NULL, &problem));
        assert_false(spool_upload_looks_mangled(upload));
        spool_upload_free(upload);
    }
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_spool, close_spool)
    const struct CMUnitTest tests[] = {
        TEST(upload_is_kept_under_its_digest),
        TEST(upload_of_nothing_finishes),
        TEST(upload_not_kept_leaves_nothing),
        TEST(upload_digest_is_checked),
        TEST(upload_over_the_limit_is_refused),
        TEST(upload_of_another_length_than_declared_is_refused),
        TEST(upload_without_room_is_refused_at_its_beginning),
        TEST(upload_twice_is_stored_once),
        TEST(upload_again_heals_a_damaged_content),
        TEST(uploads_of_the_same_content_at_once_are_safe),
        TEST(upload_does_not_depend_on_its_pieces),
        TEST(upload_mangled_by_a_form_post_is_recognised),
        TEST(upload_with_a_late_zero_is_not_mangled),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
