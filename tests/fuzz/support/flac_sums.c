#include "tests/fuzz/support/flac_sums.h"

#include <stdbool.h>
#include <string.h>

/* RFC 9639, sections 9.1.8 and 9.3: most significant bit first, from zero. */
static uint32_t sum(const uint8_t *bytes, size_t count, int bits, uint32_t polynomial)
{
    uint32_t value = 0, top = 1u << (bits - 1), mask = (top << 1) - 1;
    for (size_t i = 0; i < count; i++) {
        value ^= (uint32_t)bytes[i] << (bits - 8);
        for (int bit = 0; bit < 8; bit++)
            value = (value & top ? value << 1 ^ polynomial : value << 1) & mask;
    }
    return value;
}

/* Bytes of a frame's header before its sum (RFC 9639, section 9.1); at most 15. */
static size_t header_bytes(const uint8_t *frame)
{
    size_t bytes = 5;
    for (int bit = 6; bit > 0 && frame[4] & 0x80 && frame[4] >> bit & 1; bit--)
        bytes++; /* a coded number, as UTF-8 */
    int block = frame[2] >> 4, rate = frame[2] & 15;
    bytes += block == 6 ? 1 : block == 7 ? 2 : 0;
    return bytes + (rate == 12 ? 1 : rate == 13 || rate == 14 ? 2 : 0);
}

static size_t next_frame(const uint8_t *data, size_t size, size_t from)
{
    while (from + 1 < size && !(data[from] == 0xFF && (data[from + 1] & 0xFE) == 0xF8))
        from++;
    return from + 1 < size ? from : size;
}

static void put_right(uint8_t *data, size_t size)
{
    size_t frame = next_frame(data, size, 4);
    while (frame + 20 < size) {
        size_t next = next_frame(data, size, frame + 2),
               head = header_bytes(data + frame);
        data[frame + head] = (uint8_t)sum(data + frame, head, 8, 0x07);
        if (next > frame + head + 3) {
            uint32_t whole = sum(data + frame, next - frame - 2, 16, 0x8005);
            data[next - 2] = (uint8_t)(whole >> 8);
            data[next - 1] = (uint8_t)whole;
        }
        frame = next;
    }
}

size_t flac_sums_mutate(uint8_t *data, size_t size, size_t max_size, unsigned seed)
{
    size = LLVMFuzzerMutate(data, size, max_size);
    if (seed % 2 && size > 4 && memcmp(data, "fLaC", 4) == 0)
        put_right(data, size);
    return size;
}
