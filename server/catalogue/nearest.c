#include "server/catalogue/nearest.h"

#include <string.h>

static int least(int a, int b, int c)
{
    int ab = a < b ? a : b;
    return ab < c ? ab : c;
}

int nearest_distance(const char *a, const char *b)
{
    size_t rows = strlen(a), columns = strlen(b);
    if (rows > NEAREST_MAX_BYTES || columns > NEAREST_MAX_BYTES)
        return NEAREST_MAX_BYTES + 1;
    int table[NEAREST_MAX_BYTES + 1][NEAREST_MAX_BYTES + 1];
    for (size_t i = 0; i <= rows; i++)
        table[i][0] = (int)i;
    for (size_t j = 0; j <= columns; j++)
        table[0][j] = (int)j;
    for (size_t i = 1; i <= rows; i++)
        for (size_t j = 1; j <= columns; j++) {
            int other = a[i - 1] != b[j - 1];
            table[i][j] = least(table[i - 1][j] + 1, table[i][j - 1] + 1,
                                table[i - 1][j - 1] + other);
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] &&
                table[i - 2][j - 2] + 1 < table[i][j])
                table[i][j] = table[i - 2][j - 2] + 1;
        }
    return table[rows][columns];
}

const char *nearest_name(const char *wrong, const char *const *names, size_t count)
{
    const char *best = NULL;
    int best_distance = 0;
    for (size_t i = 0; i < count; i++) {
        int distance = nearest_distance(wrong, names[i]);
        if (distance > 1 + (int)(strlen(names[i]) / 4))
            continue;
        if (best == NULL || distance < best_distance) {
            best = names[i];
            best_distance = distance;
        }
    }
    return best;
}
