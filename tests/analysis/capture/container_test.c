#include "analysis/capture/container.h"

#include "tests/analysis/capture/files.h"

/* The magics are those of each format's own specification, here from memory. */

static bool sniff(const char *bytes, enum container *ret, struct problem *problem)
{
    char head[16] = {0};
    memcpy(head, bytes, 16);
    int descriptor = files_descriptor(head, sizeof head);
    bool good = container_sniff(descriptor, ret, problem);
    close(descriptor);
    return good;
}

static void readable_containers_are_told_apart(void **state)
{
    (void)state;
    static const struct {
        const char *bytes, *name;
    } heads[] = {
        {"RIFF\1\2\3\4WAVEfmt ", "wav"},
        {"RF64\xFF\xFF\xFF\xFFWAVEds64", "rf64"},
        {"BW64\xFF\xFF\xFF\xFFWAVEds64", "bw64"},
        {"riff\x2E\x91\xCF\x11\xA5\xD6\x28\xDB\4\xC1\0", "w64"},
        {"FORM\1\2\3\4AIFFCOMM", "aiff"},
        {"FORM\1\2\3\4AIFCFVER", "aiff"},
        {"caff\0\1\0\0desc\0\0\0", "caf"},
        {"fLaC\0\0\0\x22\x10\0\x10\0\0\0\0", "flac"},
    };
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++) {
        enum container container;
        struct problem problem = {0};
        assert_true(sniff(heads[i].bytes, &container, &problem));
        assert_string_equal(container_name(container), heads[i].name);
    }
}

static void known_formats_are_refused_by_name(void **state)
{
    (void)state;
    static const struct {
        const char *bytes, *says;
    } heads[] = {
        {"OggS\0\2\0\0\0\0\0\0\0\0\0", "Ogg"},
        {"ID3\4\0\0\0\0\0\0\0\0\0\0\0\0", "MP3"},
        {"\xFF\xFB\x90\x64\0\0\0\0\0\0\0\0\0\0\0", "MP3"},
        {"\xFF\xF1\x50\x80\0\0\0\0\0\0\0\0\0\0\0", "AAC"},
        {"\0\0\0\x20"
         "ftypM4A \0\0\0",
         "MP4"},
        {"\x1A\x45\xDF\xA3\1\0\0\0\0\0\0\0\0\0\0", "Matroska"},
        {"\x30\x26\xB2\x75\x8E\x66\xCF\x11\xA6\xD9\0\0\0\0\0", "ASF"},
        {"RIFF\1\2\3\4AVI LIST", "AVI"},
        {"RIFX\1\2\3\4WAVEfmt ", "RIFX"},
        {"FORM\1\2\3\4"
         "8SVXVHDR",
         "8SVX"},
        {".snd\0\0\0\x18\xFF\xFF\xFF\xFF\0\0\0", "AU"},
        {"wvpk\0\0\0\0\0\0\0\0\0\0\0", "WavPack"},
        {"DSD \x1C\0\0\0\0\0\0\0\0\0\0", "DSF"},
        {"FRM8\0\0\0\0\0\0\0\0DSD", "DSDIFF"},
        {"MThd\0\0\0\6\0\1\0\1\0\0\0", "MIDI"},
    };
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++) {
        enum container container;
        struct problem problem = {0};
        assert_false(sniff(heads[i].bytes, &container, &problem));
        if (!strstr(problem.detail, heads[i].says))
            print_error("%s: %s\n", heads[i].says, problem.detail);
        assert_int_equal(problem.kind, PROBLEM_UNSUPPORTED_FORMAT);
        assert_non_null(strstr(problem.detail, heads[i].says));
        assert_non_null(strstr(problem.detail, "WAV, RF64"));
    }
}

static void anything_else_is_not_audio(void **state)
{
    (void)state;
    static const char *const heads[] = {
        "%PDF-1.4 and so on",
        "PK\3\4 and more of it",
        "RIFF\1\2\3\4WEBPVP8 ",
        "FORM\1\2\3\4ILBMBMHD",
        "Riff\1\2\3\4WAVEfmt ",
        "\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0",
        "\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF",
        "{\"not\":\"audio at all\"}",
    };
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++) {
        enum container container;
        struct problem problem = {0};
        assert_false(sniff(heads[i], &container, &problem));
        assert_int_equal(problem.kind, PROBLEM_NOT_AUDIO);
    }
}

static void short_files_are_not_audio(void **state)
{
    (void)state;
    for (size_t bytes = 0; bytes < 16; bytes++) {
        int descriptor = files_descriptor("RIFF\1\2\3\4WAVEfmt ", bytes);
        enum container container;
        struct problem problem = {0};
        assert_false(container_sniff(descriptor, &container, &problem));
        assert_int_equal(problem.kind, PROBLEM_NOT_AUDIO);
        assert_non_null(strstr(problem.detail, "16 bytes"));
        close(descriptor);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(readable_containers_are_told_apart),
        cmocka_unit_test(known_formats_are_refused_by_name),
        cmocka_unit_test(anything_else_is_not_audio),
        cmocka_unit_test(short_files_are_not_audio),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
