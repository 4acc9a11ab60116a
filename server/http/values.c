#include "server/http/values.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "server/base/limits.h"

enum { DIGITS_MAX = 18 }; /* so many fit into 64 bits */

static const char cursor_prefix = 'p';

bool values_integer(const char *field, const char *text, int64_t minimum, int64_t maximum,
                    int64_t *ret, struct server_problem *problem)
{
    size_t length = strlen(text);
    bool good =
        length >= 1 && length <= DIGITS_MAX && strspn(text, "0123456789") == length;
    int64_t value = good ? (int64_t)strtoll(text, NULL, 10) : 0;
    if (!good || value < minimum || value > maximum)
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
                                  "%s is \"%.40s\"; it must be a whole number from "
                                  "%" PRId64 " to %" PRId64 ".",
                                  field, text, minimum, maximum);
    *ret = value;
    return true;
}

bool values_number(const char *field, const char *text, double *ret,
                   struct server_problem *problem)
{
    /* strtod alone would take blanks, hexadecimal, "inf" and "nan". */
    bool good = *text != '\0' && strspn(text, "0123456789+-.eE") == strlen(text);
    char *end = NULL;
    double value = good ? strtod(text, &end) : 0;
    if (!good || *end != '\0' || !isfinite(value))
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
                                  "%s is \"%.40s\"; it must be a finite decimal number.",
                                  field, text);
    *ret = value;
    return true;
}

static const char *skip_blanks(const char *text)
{
    return text + strspn(text, " \t");
}

/* The number after "wait=" (or "wait=" and a quote), or −1. */
static int wait_value(const char *text)
{
    static const char name[] = "wait";
    if (strncasecmp(text, name, sizeof name - 1) != 0)
        return -1;
    text = skip_blanks(text + sizeof name - 1);
    if (*text != '=')
        return -1;
    text = skip_blanks(text + 1);
    bool quoted = *text == '"';
    text += quoted;
    size_t digits = strspn(text, "0123456789");
    const char *rest = skip_blanks(text + digits + (quoted && text[digits] == '"'));
    if (digits == 0 || (*rest != '\0' && *rest != ',' && *rest != ';'))
        return -1;
    return digits > 6 ? 999999 : (int)strtol(text, NULL, 10);
}

int values_prefer_wait_s(const char *header)
{
    while (header != NULL) {
        int wait_s = wait_value(skip_blanks(header));
        if (wait_s >= 0)
            return wait_s;
        header = strchr(header, ',');
        if (header != NULL)
            header++;
    }
    return -1;
}

static const char alphabet[] =
    "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

static int base64_value(char c)
{
    const char *found = c == '\0' ? NULL : strchr(alphabet, c);
    return found == NULL ? -1 : (int)(found - alphabet);
}

/* 32 bytes are 43 characters of base64 and one '='; some senders leave the '=' out. The
 * last character carries four bits only: the other two must be zero. */
static bool decode_digest(const char *text, uint8_t digest[VALUES_SHA256_BYTES])
{
    enum { CHARACTERS = 43 };
    uint32_t bits = 0;
    int held = 0, count = 0;
    for (int i = 0; i < CHARACTERS; i++) {
        int value = base64_value(text[i]);
        if (value < 0)
            return false;
        bits = (bits << 6 | (uint32_t)value) & 0xffff;
        held += 6;
        if (held >= 8) {
            held -= 8;
            digest[count++] = (uint8_t)(bits >> held);
        }
    }
    const char *end = text + CHARACTERS + (text[CHARACTERS] == '=');
    return (bits & 3) == 0 && *end == ':' && strchr(",; \t", end[1]) != NULL;
}

bool values_content_digest(const char *header, uint8_t digest[VALUES_SHA256_BYTES],
                           bool *found, struct server_problem *problem)
{
    static const char key[] = "sha-256=";
    *found = false;
    for (const char *member = header; member != NULL;) {
        member = skip_blanks(member);
        if (strncasecmp(member, key, sizeof key - 1) == 0) {
            const char *value = member + sizeof key - 1;
            if (*value != ':' || !decode_digest(value + 1, digest))
                return server_problem_set(
                    problem, SERVER_PROBLEM_DIGEST_MISMATCH, "Content-Digest",
                    "The Content-Digest is malformed: sha-256 must be 32 bytes of base64 "
                    "between colons, sha-256=:…:.");
            *found = true; /* of two, the last one counts (RFC 8941, section 3.2) */
        }
        member = strchr(member, ',');
        if (member != NULL)
            member++;
    }
    return true;
}

static uint32_t nibble(char digit)
{
    return (uint32_t)(digit <= '9' ? digit - '0' : digit - 'a' + 10);
}

void values_digest_text(const char *sha256, char text[VALUES_DIGEST_TEXT_BYTES])
{
    uint32_t bits = 0;
    int held = 0;
    char *out = text + snprintf(text, VALUES_DIGEST_TEXT_BYTES, "sha-256=:");
    for (; *sha256 != '\0'; sha256++) {
        bits = (bits << 4 | nibble(*sha256)) & 0xffff;
        held += 4;
        if (held >= 6) {
            held -= 6;
            *out++ = alphabet[bits >> held & 63];
        }
    }
    *out++ = alphabet[bits << (6 - held) & 63]; /* 256 bits leave four over */
    memcpy(out, "=:", 3);
}

void values_cursor_text(int64_t cursor, char text[VALUES_CURSOR_TEXT_BYTES])
{
    snprintf(text, VALUES_CURSOR_TEXT_BYTES, "%c%" PRIx64, cursor_prefix,
             (uint64_t)cursor);
}

bool values_cursor(const char *text, int64_t *ret, struct server_problem *problem)
{
    size_t length = strlen(text);
    size_t digits = length > 0 ? strspn(text + 1, "0123456789abcdef") : 0;
    bool good =
        text[0] == cursor_prefix && digits >= 1 && digits <= 15 && digits + 1 == length;
    int64_t value = good ? (int64_t)strtoull(text + 1, NULL, 16) : 0;
    if (value <= 0)
        return server_problem_set(
            problem, SERVER_PROBLEM_OUT_OF_RANGE, "cursor",
            "cursor is \"%.40s\"; it must be the one in the \"next\" "
            "link of the page before.",
            text);
    *ret = value;
    return true;
}

bool values_key(const char *field, const char *text, struct server_problem *problem)
{
    size_t length = strlen(text), visible = 0;
    while (text[visible] > 0x20 && text[visible] < 0x7f)
        visible++;
    if (length >= 1 && length <= LIMIT_KEY_BYTES && visible == length)
        return true;
    return server_problem_set(
        problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
        "%s has %zu bytes, of which the first %zu are visible ASCII "
        "characters; give 1 to %d of these, such as a random UUID.",
        field, length, visible, LIMIT_KEY_BYTES);
}

bool values_text(const char *field, const char *text, size_t limit_bytes, bool lines,
                 struct server_problem *problem)
{
    size_t length = strlen(text);
    if (length > limit_bytes)
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
                                  "%s is %zu bytes long; at most %zu bytes are kept.",
                                  field, length, limit_bytes);
    for (const char *c = text; *c != '\0'; c++) {
        unsigned char byte = (unsigned char)*c;
        bool line = byte == '\n' || byte == '\r' || byte == '\t';
        if ((byte < 0x20 || byte == 0x7f) && !(line && lines))
            return server_problem_set(
                problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
                "%s holds the control character 0x%02x; leave it out.", field, byte);
    }
    return true;
}
