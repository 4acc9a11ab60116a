#include "server/http/ranges.h"

#include <stdbool.h>
#include <string.h>
#include <strings.h>

static const char blanks[] = " \t";

/* Digits at *text, which moves behind them; as many as there are, held at the largest. */
static uint64_t read_number(const char **text)
{
    uint64_t number = 0;
    for (; **text >= '0' && **text <= '9'; (*text)++) {
        uint64_t digit = (uint64_t)(**text - '0');
        number = number > (UINT64_MAX - digit) / 10 ? UINT64_MAX : 10 * number + digit;
    }
    return number;
}

/* Moves past blanks and empty members of a list. */
static const char *skip_empty(const char *text)
{
    return text + strspn(text, " \t,");
}

enum ranges_kind ranges_read(const char *header, uint64_t size, struct range *ret)
{
    static const char unit[] = "bytes=";
    if (header == NULL || strncasecmp(header, unit, sizeof unit - 1) != 0)
        return RANGES_WHOLE;
    const char *text = skip_empty(header + sizeof unit - 1);
    const char *from = text;
    uint64_t first = read_number(&text);
    bool suffix = text == from;
    if (*text++ != '-')
        return RANGES_WHOLE;
    const char *to = text;
    uint64_t last = read_number(&text);
    bool open = text == to;
    const char *rest = text + strspn(text, blanks);
    if ((*rest != '\0' && *rest != ',') || *skip_empty(rest) != '\0' ||
        (suffix && open) || (!suffix && !open && last < first))
        return RANGES_WHOLE;
    if (suffix ? last == 0 : first >= size)
        return RANGES_UNSATISFIABLE;
    if (suffix) {
        uint64_t count = last < size ? last : size;
        *ret = (struct range){size - count, count};
    } else {
        uint64_t end = open || last >= size ? size : last + 1;
        *ret = (struct range){first, end - first};
    }
    return RANGES_PART;
}
