/**
 * The wire between daemon and worker: frames over a stream socketpair.
 *
 * A frame is an 8-byte header (magic "RWF1", length as little-endian uint32) and `length`
 * bytes of UTF-8 JSON, one object. Descriptors travel by SCM_RIGHTS with the header's
 * first byte. A worker serves one request at a time:
 *
 *   request (daemon → worker)                                            descriptors
 *   {"request":"describe"}                                               none
 *   {"request":"inspect"}                                                capture
 *   {"request":"health","signal":null|{"name":NAME,"parameters":{…}}}    capture
 *   {"request":"measure","measurement":NAME,"settings":{…}}              capture, result,
 *                                                        and a floor capture, if any
 *     with "signal", what was played, as in "health" and null where unknown
 *     with "health" and "floor_health", where known: what "health" answered as health
 *   {"request":"render","signal":NAME,"format":"wav"|"flac","parameters":{…}}   output
 *
 *   answer (worker → daemon): any number of progress frames, then exactly one other
 *   {"answer":"progress","fraction":0.25}
 *   {"answer":"done", …}       describe adds engine, measurements, signals;
 *                              inspect adds format, warnings; health adds format,
 *                              health, suggested; render adds bytes
 *   {"answer":"problem","code":"not_audio","field":null,"detail":"…"}
 *
 * Captures are open for reading, each with its own offset; result and output are empty
 * and open for writing. Both ends treat what they read as hostile: a frame over its
 * limit, bad magic, or a descriptor too many ends the conversation.
 *
 * The result file that `measure` writes:
 *   struct wire_result_header (32 bytes, little-endian)
 *   body_bytes   of JSON: {"engine":{…},"settings":{…},"channels":[…],"warnings":[…]}
 *   index_bytes  of JSON: [{"name":"spectrum","channel":1,"points":131073,"offset":0,
 *                 "x":{"name":"frequency","unit":"Hz","start":0.0,"step":0.73},
 *                 "y":{"name":"level","unit":"dBFS"},"resolution_bandwidth_hz":1.93}, …]
 *                 `offset` counts bytes from the start of the series data to the column
 *                 of y. Where x is not evenly spaced it has "offset", that of a column of
 *                 as many ascending values, in place of start and step.
 *   series_bytes of little-endian float32 columns; −∞ stands for "no value" (JSON null)
 */
#ifndef ANALYSIS_WORKER_WIRE_H
#define ANALYSIS_WORKER_WIRE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
    WIRE_FRAME_MAX_BYTES = 1 << 20,
    WIRE_MAX_DESCRIPTORS = 3,
    WIRE_RESULT_BODY_MAX_BYTES = 16 << 20,
    WIRE_RESULT_INDEX_MAX_BYTES = 1 << 20,
};

#define WIRE_RESULT_MAGIC "RSDRES01"

struct wire_result_header {
    char magic[8];
    uint32_t body_bytes;
    uint32_t index_bytes;
    uint64_t series_bytes;
    uint64_t reserved; /* zero */
};

enum wire_status {
    WIRE_OK,
    WIRE_CLOSED,  /* the other end closed between two frames */
    WIRE_TIMEOUT, /* nothing, or not a whole frame, before the deadline */
    WIRE_BROKEN,  /* closed within a frame, bad magic, too long, error of the socket */
};

/** Sends one frame with 0…WIRE_MAX_DESCRIPTORS descriptors, which stay the caller's.
 * Never raises SIGPIPE. */
enum wire_status wire_send(int socket, const char *json, size_t length,
                           const int *descriptors, size_t descriptor_count)
    __attribute__((warn_unused_result));

struct wire_frame {
    char *json; /* malloc'ed, zero-terminated; free with wire_frame_free */
    size_t length;
    int descriptors[WIRE_MAX_DESCRIPTORS]; /* close-on-exec, the caller's */
    size_t descriptor_count;
};

/** Receives one frame. timeout_ms < 0 waits for ever. *ret is filled only on WIRE_OK; on
 *  any failure every descriptor received is closed. */
enum wire_status wire_receive(int socket, int timeout_ms, struct wire_frame *ret)
    __attribute__((warn_unused_result));

/** Frees the text and closes descriptors that are still ≥ 0. */
void wire_frame_free(struct wire_frame *frame);

#endif
