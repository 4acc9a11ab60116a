/* Expected: RFC 9110, sections 12.4.2 (quality values) and 12.5.1 (Accept, the most
 * specific range counts). Where all are equal or none is acceptable: the first offer, as
 * accept.h says. */
#include "tests/support/support.h"

#include "server/http/accept.h"

static const char *const types[] = {"application/json", "text/csv"};
static const struct accept_offers offers = {types, 2};
enum { JSON, CSV };

static const struct {
    const char *lines[2];
    int want;
} cases[] = {
    {{NULL}, JSON},
    {{""}, JSON},
    {{"*/*"}, JSON},
    {{"text/csv"}, CSV},
    {{"Text/CSV"}, CSV},
    {{"text/*"}, CSV},
    {{"application/json"}, JSON},
    {{"application/json, text/csv"}, JSON},
    {{"text/csv, application/json"}, JSON},
    {{"text/csv, */*"}, JSON},
    {{"text/csv, */*;q=0.1"}, CSV},
    {{"text/csv;q=0.5, application/json;q=0.9"}, JSON},
    {{"text/csv;q=0.9, application/json;q=0.5"}, CSV},
    {{"text/csv;q=0.901, application/json;q=0.9"}, CSV},
    {{"text/csv ; Q=1.000 , application/json ;\tq=0.999"}, CSV},
    {{"application/json;q=0.1", "text/csv"}, CSV},
    /* the most specific one counts, wherever it stands */
    {{"*/*, application/json;q=0"}, CSV},
    {{"application/json;q=0, */*"}, CSV},
    {{"*/*;q=0.8, text/csv;q=0.1"}, JSON},
    {{"text/*;q=0.9, text/csv;q=0.2, application/*;q=0.5"}, JSON},
    {{"text/csv;q=0"}, JSON},
    {{"application/json;q=0, text/csv;q=0"}, JSON},
    {{"image/png"}, JSON},
    {{"text/csv-schema"}, JSON},
    {{"text/c"}, JSON},
    {{"*/csv"}, JSON},
    /* other parameters, quoted commas and semicolons */
    {{"text/csv;header=present"}, CSV},
    {{"text/csv;x=\"a,b;q=0\";q=0.9, application/json;q=0.8"}, CSV},
    {{"text/csv;x=\"\\\",application/json\""}, CSV},
    /* a malformed weight: the range is ignored */
    {{"text/csv;q=2"}, JSON},
    {{"text/csv;q=1.001"}, JSON},
    {{"text/csv;q=0.1234"}, JSON},
    {{"text/csv;q=-1"}, JSON},
    {{"text/csv;q="}, JSON},
    {{"text/csv;q=x"}, JSON},
    {{",,;,text/csv,;q=1,"}, CSV},
};

static void best_offer_is_chosen(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int count = (cases[i].lines[0] != NULL) + (cases[i].lines[1] != NULL);
        if (accept_choose(cases[i].lines, count, &offers) != cases[i].want)
            fail_msg("Accept: %s", cases[i].lines[0]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(best_offer_is_chosen),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
