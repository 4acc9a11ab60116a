#include "analysis/measurements/intermodulation_products.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tests/support/support.h"

/* The frequency that an expression such as "3f1-2f2" says. */
static double value_of(const char *expression, const double tones[2])
{
    double sum = 0;
    while (*expression) {
        double sign = *expression == '-' ? -1 : 1, times = 1;
        if (*expression == '-' || *expression == '+')
            expression++;
        if (*expression != 'f')
            times = *expression++ - '0';
        assert_true(expression[0] == 'f' &&
                    (expression[1] == '1' || expression[1] == '2'));
        sum += sign * times * tones[expression[1] - '1'];
        expression += 2;
    }
    return sum;
}

/* By arithmetic: of order n there are 2n products up to their sign, 28 from the second to
 * the fifth. */
static void every_product_is_there_once(void **state)
{
    int count[INTERMODULATION_MAX_ORDER + 1] = {0};
    (void)state;
    for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
        const struct intermodulation_product *product = &intermodulation_products[i];
        int order = intermodulation_products_order(product);
        assert_true(order >= 2 && order <= INTERMODULATION_MAX_ORDER);
        count[order]++;
        assert_int_equal(intermodulation_products_index(product->a, product->b), i);
        assert_int_equal(intermodulation_products_index(-product->a, -product->b), i);
        assert_true(i == 0 || order >= intermodulation_products_order(product - 1));
    }
    for (int order = 2; order <= INTERMODULATION_MAX_ORDER; order++)
        assert_int_equal(count[order], 2 * order);
}

/* What the expression says is positive, and folds to the place; whoever holds a place has
 * a lobe of 15 bins there, and holds it himself. */
static void places_are_what_expressions_say(void **state)
{
    enum { LENGTH = 4096 };
    struct support_random random = support_random_seed(71);
    struct intermodulation_place places[INTERMODULATION_PRODUCTS];
    int shared = 0, folded = 0;
    (void)state;
    for (int draw = 0; draw < 500; draw++) {
        double tones[2] = {20 + 1900 * support_uniform(&random), 0};
        tones[1] = tones[0] + 20 + (2000 - tones[0]) * support_uniform(&random);
        intermodulation_products_place(tones, LENGTH, places);
        for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
            const struct intermodulation_place *place = &places[i];
            double value = value_of(place->expression, tones);
            double rest = fmod(value, LENGTH);
            assert_true(value >= 0);
            assert_close(place->bin, fmin(rest, LENGTH - rest), 1e-9);
            assert_int_equal(place->aliased, value > LENGTH / 2.0);
            folded += place->aliased;
            if (!place->coincides_with)
                continue;
            shared++;
            double held = value_of(place->coincides_with, tones);
            rest = fmod(held, LENGTH);
            assert_between(fabs(fmin(rest, LENGTH - rest) - place->bin), 0, 15.5);
            if (strlen(place->coincides_with) == 2 && place->coincides_with[0] == 'f')
                continue; /* a tone */
            int holder = 0;
            while (strcmp(places[holder].expression, place->coincides_with) != 0)
                holder++;
            assert_null(places[holder].coincides_with);
            assert_true(places[holder].aliased == place->aliased ? holder < i
                                                                 : place->aliased);
        }
    }
    assert_true(shared > 1000 && folded > 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_product_is_there_once),
        cmocka_unit_test(places_are_what_expressions_say),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
