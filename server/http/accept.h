/** Which of several media types a client prefers (RFC 9110, section 12.5.1). Pure. */
#ifndef SERVER_HTTP_ACCEPT_H
#define SERVER_HTTP_ACCEPT_H

struct accept_offers {
    const char *const *types; /* "application/json", the server's favourite first */
    int count;
};

/**
 * The index of the offer with the highest quality by the `line_count` Accept lines; of
 * equal ones the first. Where nothing on offer is acceptable, or nothing was asked for,
 * the first: the standard leaves a server to answer rather than to refuse. The most
 * specific range that fits an offer counts for it; parameters but `q` are not looked at,
 * and a range whose q is malformed is ignored.
 */
int accept_choose(const char *const *lines, int line_count,
                  const struct accept_offers *offers);

#endif
