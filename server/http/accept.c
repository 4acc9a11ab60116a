#include "server/http/accept.h"

#include <assert.h>
#include <stdbool.h>
#include <stddef.h>
#include <string.h>
#include <strings.h>

enum { QUALITY_BEST = 1000, OFFERS_MAX = 4 };

/* What is known of one offer: how closely a range fits it, and its quality. */
struct verdict {
    int closeness; /* 0: no range fits; 1: * / *; 2: type / *; 3: type / subtype */
    int quality;   /* thousandths */
};

/* The end of a member or of a parameter: the next of `ends` outside quotes. */
static size_t span_to(const char *text, size_t length, const char *ends)
{
    bool quoted = false;
    for (size_t i = 0; i < length; i++) {
        if (quoted && text[i] == '\\' && i + 1 < length)
            i++;
        else if (text[i] == '"')
            quoted = !quoted;
        else if (!quoted && strchr(ends, text[i]) != NULL)
            return i;
    }
    return length;
}

static void trim(const char **text, size_t *length)
{
    while (*length > 0 && strchr(" \t", **text) != NULL) {
        (*text)++;
        (*length)--;
    }
    while (*length > 0 && strchr(" \t", (*text)[*length - 1]) != NULL)
        (*length)--;
}

/* "0.75" in thousandths; −1 where it is not a weight of the standard. */
static int read_quality(const char *text, size_t length)
{
    if (length == 0 || length > 5 || (text[0] != '0' && text[0] != '1') ||
        (length > 1 && text[1] != '.'))
        return -1;
    int quality = text[0] == '1' ? QUALITY_BEST : 0, weight = 100;
    for (size_t i = 2; i < length; i++, weight /= 10) {
        if (text[i] < '0' || text[i] > '9')
            return -1;
        quality += weight * (text[i] - '0');
    }
    return quality <= QUALITY_BEST ? quality : -1;
}

/* The q of the parameters, which begin with ';' or are empty. */
static int parameters_quality(const char *text, size_t length)
{
    while (length > 0) {
        text++;
        length--;
        size_t part = span_to(text, length, ";");
        const char *name = text;
        size_t bytes = part;
        trim(&name, &bytes);
        if (bytes >= 2 && (*name == 'q' || *name == 'Q') && name[1] == '=')
            return read_quality(name + 2, bytes - 2);
        text += part;
        length -= part;
    }
    return QUALITY_BEST;
}

/* How closely "text/csv", "text/ *" or "* / *" fits an offer; 0: not at all. */
static int closeness(const char *range, size_t length, const char *offer)
{
    size_t type = strcspn(offer, "/") + 1;
    if (length == 3 && memcmp(range, "*/*", 3) == 0)
        return 1;
    if (length == type + 1 && range[type] == '*' && strncasecmp(range, offer, type) == 0)
        return 2;
    return length == strlen(offer) && strncasecmp(range, offer, length) == 0 ? 3 : 0;
}

static void take_member(const char *member, size_t length,
                        const struct accept_offers *offers, struct verdict *verdicts)
{
    size_t type = span_to(member, length, ";");
    int quality = parameters_quality(member + type, length - type);
    trim(&member, &type);
    for (int i = 0; quality >= 0 && i < offers->count; i++) {
        int fit = closeness(member, type, offers->types[i]);
        if (fit > verdicts[i].closeness)
            verdicts[i] = (struct verdict){fit, quality};
    }
}

int accept_choose(const char *const *lines, int line_count,
                  const struct accept_offers *offers)
{
    struct verdict verdicts[OFFERS_MAX] = {{0}};
    assert(offers->count <= OFFERS_MAX);
    for (int i = 0; i < line_count; i++) {
        const char *text = lines[i];
        size_t left = strlen(text);
        while (left > 0) {
            size_t length = span_to(text, left, ",");
            take_member(text, length, offers, verdicts);
            length += length < left;
            text += length;
            left -= length;
        }
    }
    int best = 0;
    for (int i = 1; i < offers->count; i++)
        if (verdicts[i].quality > verdicts[best].quality)
            best = i;
    return best;
}
