#include "analysis/dsp/statistics.h"

#include <math.h>

#include "analysis/dsp/kernels.h"

void moments_add(struct moments *moments, double x, double y)
{
    if (moments->count == 0) {
        moments->x0 = x;
        moments->y0 = y;
    }
    x -= moments->x0;
    y -= moments->y0;
    moments->count++;
    moments->sum_x += x;
    moments->sum_y += y;
    moments->sum_xx += x * x;
    moments->sum_yy += y * y;
    moments->sum_xy += x * y;
}

double moments_mean_x(const struct moments *moments)
{
    return moments->x0 + moments->sum_x / moments->count;
}

double moments_u95_of_difference(const struct moments *moments, double factor)
{
    int n = moments->count;
    if (n < 3)
        return NAN;
    double mean = (moments->sum_x - factor * moments->sum_y) / n;
    double squares = moments->sum_xx - 2 * factor * moments->sum_xy +
                     factor * factor * moments->sum_yy;
    double variance = (squares - n * mean * mean) / (n - 1);
    return statistics_student_975(n - 1) * sqrt(fmax(variance, 0) / n);
}

double moments_u95(const struct moments *moments)
{
    return moments_u95_of_difference(moments, 0);
}

/* Continued fraction of the incomplete beta function (modified Lentz). */
static double beta_fraction(double a, double b, double x)
{
    const double tiny = 1e-300;
    double c = 1, d = 1 / (1 - (a + b) * x / (a + 1)), h = d;
    for (int m = 1; m < 500; m++) {
        double even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m));
        d = 1 / fmax(1 + even * d, tiny);
        c = 1 + even / c;
        h *= d * c;
        double odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1));
        d = 1 / (1 + odd * d);
        c = 1 + odd / c;
        h *= d * c;
        if (fabs(d * c - 1) < 1e-15)
            break;
    }
    return h;
}

static double beta_regularised(double a, double b, double x)
{
    double front =
        exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x));
    if (x < (a + 1) / (a + b + 2))
        return front * beta_fraction(a, b, x) / a;
    return 1 - front * beta_fraction(b, a, 1 - x) / b;
}

double statistics_student_975(double degrees)
{
    /* P(|T| > t) = I(degrees/(degrees + t²); degrees/2, 1/2) falls with t and is convex,
     * so that Newton's steps from below come near and stay below. */
    double half = degrees / 2, t = 1.9;
    double scale = 2 * exp(lgamma(half + 0.5) - lgamma(half)) / sqrt(degrees * M_PI);
    for (int i = 0; i < 50; i++) {
        double beyond = beta_regularised(half, 0.5, degrees / (degrees + t * t)) - 0.05;
        double slope = scale * exp(-(half + 0.5) * log1p(t * t / degrees));
        t += beyond / slope;
        if (fabs(beyond) < 1e-13)
            break;
    }
    return t;
}

/* log of P(gamma(shape) > x) for a whole-numbered shape: e^−x Σ x^i/i!, i < shape. */
static double log_gamma_tail(int shape, double x)
{
    double last =
        (shape - 1) * log(x) - lgamma(shape); /* the largest term where x > shape */
    double sum = 1, term = 1;
    for (int i = shape - 1; i > 0 && term > 1e-17; i--) {
        term *= i / x;
        sum += term;
    }
    return last + log(sum) - x;
}

double statistics_line_threshold(int averages, double bins)
{
    double target = log(1e-3 / fmax(bins, 1));
    double low = 1, high = 60;
    for (int i = 0; i < 60; i++) {
        double factor = (low + high) / 2;
        if (log_gamma_tail(averages, factor * averages) > target)
            low = factor;
        else
            high = factor;
    }
    return (low + high) / 2;
}

static void swap(double *a, double *b)
{
    double kept = *a;
    *a = *b;
    *b = kept;
}

/* Hoare's selection: afterwards values[k] is the k-th smallest, none before it is larger.
 */
static double select_kth(double *values, int count, int k)
{
    int low = 0, high = count - 1;
    while (low < high) {
        double pivot = values[(low + high) / 2];
        int i = low, j = high;
        while (i <= j) {
            while (values[i] < pivot)
                i++;
            while (values[j] > pivot)
                j--;
            if (i <= j)
                swap(&values[i++], &values[j--]);
        }
        if (k <= j)
            high = j;
        else if (k >= i)
            low = i;
        else
            break;
    }
    return values[k];
}

double statistics_median(double *values, int count)
{
    double upper = select_kth(values, count, count / 2);
    if (count % 2)
        return upper;
    double lower = values[0];
    for (int i = 1; i < count / 2; i++)
        lower = fmax(lower, values[i]);
    return (lower + upper) / 2;
}

struct density statistics_density(double *powers, int count)
{
    const double quartile_z = 0.6744897501960817, most_averages = 1e6;
    double median = statistics_median(powers, count);
    double quartile = select_kth(powers, count, count / 4);
    if (median <= 0)
        return (struct density){0, 1};
    double c = (1 - cbrt(quartile / median)) / quartile_z;
    if (c < 1e-3)
        return (struct density){median, most_averages};
    double root = (sqrt(1 + 4 * c * c) - 1) / (2 * c), a = root * root;
    return (struct density){median / pow(1 - a, 3), 1 / (9 * a)};
}

double statistics_mean_without_lines(double *powers, int count)
{
    const double line_factor = 8;
    double highest = line_factor * statistics_median(powers, count), sum = 0;
    int kept = 0;
    for (int i = 0; i < count; i++)
        if (powers[i] <= highest) {
            sum += powers[i];
            kept++;
        }
    return sum / kept;
}

double statistics_rms(const double *samples, int count)
{
    struct kernels_levels levels;
    kernels_levels(samples, count, &levels);
    double mean = levels.sum / count;
    return sqrt(fmax(levels.sum_squares / count - mean * mean, 0));
}
