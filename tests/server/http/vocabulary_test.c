#include "server/http/vocabulary.h"

#include "server/base/limits.h"
#include "tests/server/catalogue/described.h"
#include "tests/support/support.h"

static struct catalogue *made_up(void)
{
    struct catalogue *catalogue = NULL;
    json_t *described = described_several();
    assert_true(catalogue_new(described, &catalogue, NULL));
    json_decref(described);
    return catalogue;
}

static void limits_are_those_of_the_header(void **state)
{
    (void)state;
    static const struct {
        const char *word, *keyword;
        int want;
    } cases[] = {
        {"limit", "maximum", LIMIT_PAGE_ITEMS},
        {"limit", "default", LIMIT_PAGE_ITEMS_DEFAULT},
        {"points", "minimum", LIMIT_SERIES_POINTS_MIN},
        {"points", "maximum", LIMIT_SERIES_POINTS_MAX},
        {"name", "maxLength", LIMIT_NAME_BYTES},
        {"note", "maxLength", LIMIT_NOTE_BYTES},
    };
    struct catalogue *catalogue = made_up();
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        json_t *schema = vocabulary_schema(VOCABULARY_FIELD, cases[i].word, catalogue);
        assert_int_equal(json_integer_value(json_object_get(schema, cases[i].keyword)),
                         cases[i].want);
        assert_non_null(json_object_get(schema, "description"));
        json_decref(schema);
    }
    catalogue_free(catalogue);
}

static void a_word_is_known_for_what_it_is_only(void **state)
{
    (void)state;
    static const struct {
        enum vocabulary_kind kind;
        const char *word;
        bool known;
    } cases[] = {
        {VOCABULARY_FIELD, "capture", true},   {VOCABULARY_FIELD, "captures", false},
        {VOCABULARY_PART, "captures", true},   {VOCABULARY_PART, "capture", false},
        {VOCABULARY_HEADER, "Prefer", true},   {VOCABULARY_FIELD, "Prefer", false},
        {VOCABULARY_HEADER, "capture", false}, {VOCABULARY_FIELD, "", false},
    };
    struct catalogue *catalogue = made_up();
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        json_t *schema = vocabulary_schema(cases[i].kind, cases[i].word, catalogue);
        if ((schema != NULL) != cases[i].known)
            fail_msg("\"%s\" as %d", cases[i].word, (int)cases[i].kind);
        json_decref(schema);
    }
    catalogue_free(catalogue);
}

static void names_of_curves_come_from_the_catalogue(void **state)
{
    (void)state;
    struct catalogue *catalogue = made_up();
    json_t *schema = vocabulary_schema(VOCABULARY_PART, "series", catalogue);
    json_t *want = json_pack("[s, s]", "spectrum", "by_band"); /* each once */
    assert_true(json_equal(json_object_get(schema, "enum"), want));
    json_decref(want);
    json_decref(schema);
    catalogue_free(catalogue);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(limits_are_those_of_the_header),
        cmocka_unit_test(a_word_is_known_for_what_it_is_only),
        cmocka_unit_test(names_of_curves_come_from_the_catalogue),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
