#include "analysis/dsp/fft.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <fftw3.h>

enum {
    PIECE = 64,      /* bins of each row put together at a time: they fit a cache */
    GAP = 2 * PIECE, /* doubles between rows, or they would meet in few cache sets */
    KEPT_BYTES = 8 << 20,
    WINDOW_KINDS = 2,
};

/* How the transforms of the rows become that of the block. Bin k of row r is first turned
 * by −r·k/length, in two parts: from the piece's first bin, and within the piece. */
struct assembly {
    fftw_plan piece, last; /* across the rows: of PIECE bins, of one */
    double *within;        /* [rows][PIECE][4]: re, re, −im, im */
    double complex *first; /* [rows][pieces] */
};

struct fft_cache {
    fftw_plan forward[FFT_MAX_LOG2 + 1];
    struct assembly assemblies[FFT_MAX_LOG2 + 1];
    struct window windows[WINDOW_KINDS][FFT_MAX_LOG2 + 1];
};

struct fft_cache *fft_cache_new(void)
{
    return calloc(1, sizeof(struct fft_cache));
}

static void free_assembly(struct assembly *assembly)
{
    if (assembly->piece)
        fftw_destroy_plan(assembly->piece);
    if (assembly->last)
        fftw_destroy_plan(assembly->last);
    free(assembly->within);
    free(assembly->first);
    *assembly = (struct assembly){NULL, NULL, NULL, NULL};
}

void fft_cache_free(struct fft_cache *cache)
{
    if (!cache)
        return;
    for (int i = 0; i <= FFT_MAX_LOG2; i++) {
        if (cache->forward[i])
            fftw_destroy_plan(cache->forward[i]);
        free_assembly(&cache->assemblies[i]);
        for (int kind = 0; kind < WINDOW_KINDS; kind++)
            window_free(&cache->windows[kind][i]);
    }
    free(cache);
}

void fft_cache_trim(struct fft_cache *cache)
{
    size_t kept = 0;
    for (int i = 0; i <= FFT_MAX_LOG2; i++)
        for (int kind = 0; kind < WINDOW_KINDS; kind++) {
            struct window *window = &cache->windows[kind][i];
            size_t bytes = window->values ? sizeof(double) << i : 0;
            if (kept + bytes > KEPT_BYTES)
                window_free(window);
            else
                kept += bytes;
        }
}

static int log2_of(int length)
{
    int log2 = 0;
    while ((1 << log2) < length)
        log2++;
    assert((1 << log2) == length && log2 >= 1 && log2 <= FFT_MAX_LOG2);
    return log2;
}

bool fft_window(struct fft_cache *cache, enum window_kind kind, int length,
                const struct window **ret, struct problem *problem)
{
    struct window *window = &cache->windows[kind][log2_of(length)];
    if (!window->values && !window_new(kind, length, window, problem))
        return false;
    *ret = window;
    return true;
}

static int rows_of(int length)
{
    int rows = length / FFT_ROW;
    return rows < 1 ? 1 : rows < FFT_MAX_ROWS ? rows : FFT_MAX_ROWS;
}

/* Doubles from one row to the next. */
static int stride_of(int length)
{
    return length / rows_of(length) + GAP;
}

double *fft_buffer_new(int length)
{
    size_t rows = (size_t)rows_of(length), stride = (size_t)stride_of(length);
    double *buffer = fftw_malloc(rows * stride * sizeof *buffer);
    for (size_t row = 1; buffer && row <= rows;
         row++) /* of the gap a spare bin is read */
        memset(buffer + row * stride - GAP, 0, GAP * sizeof *buffer);
    return buffer;
}

void fft_buffer_free(double *buffer)
{
    fftw_free(buffer);
}

void fft_put(double *buffer, int length, int first, const double *values, int count)
{
    int rows = rows_of(length), stride = stride_of(length);
    if (rows == 1)
        memcpy(buffer + first, values, (size_t)count * sizeof *values);
    else
        kernels_deal(values, rows, count / rows, stride, buffer + first / rows);
}

void fft_put_windowed(double *buffer, const struct window *window, const double *samples,
                      double dc)
{
    double windowed[KERNELS_BLOCK];
    int length = window->length;
    assert(length % KERNELS_BLOCK == 0);
    for (int n = 0; n < length; n += KERNELS_BLOCK) {
        bool falls = n >= length / 2; /* the half just read is still in cache */
        kernels_window(samples + n, window->values + (falls ? length - n : n),
                       falls ? -1 : 1, dc, windowed);
        fft_put(buffer, length, n, windowed, KERNELS_BLOCK);
    }
}

static double complex turn_of(int64_t row, int64_t bin, int length)
{
    double angle = -2 * M_PI * (double)(row * bin % length) / length;
    return cos(angle) + I * sin(angle);
}

static fftw_plan plan_across(int rows, int bins, int stride, double *buffer)
{
    fftw_complex *z = (fftw_complex *)buffer;
    return fftw_plan_many_dft(1, &rows, bins, z, NULL, stride / 2, 1, z, NULL, stride / 2,
                              1, FFTW_FORWARD, FFTW_ESTIMATE);
}

static bool new_assembly(int length, double *buffer, struct assembly *ret)
{
    int rows = rows_of(length), stride = stride_of(length);
    int pieces = length / rows / 2 / PIECE + 1;
    struct assembly made = {
        .piece = plan_across(rows, PIECE, stride, buffer),
        .last = plan_across(rows, 1, stride, buffer),
        .within = malloc((size_t)rows * PIECE * 4 * sizeof *made.within),
        .first = malloc((size_t)rows * (size_t)pieces * sizeof *made.first),
    };
    if (!made.piece || !made.last || !made.within || !made.first) {
        free_assembly(&made);
        return false;
    }
    for (int row = 0; row < rows; row++) {
        double *four = made.within + row * PIECE * 4;
        for (int k = 0; k < PIECE; k++, four += 4) {
            double complex turn = turn_of(row, k, length);
            four[0] = four[1] = creal(turn);
            four[2] = -cimag(turn);
            four[3] = cimag(turn);
        }
        for (int i = 0; i < pieces; i++)
            made.first[row * pieces + i] = turn_of(row, i * PIECE, length);
    }
    *ret = made;
    return true;
}

/* Powers of `count` bins of one row, from its bin k on. Its bins are those of the block
 * from row·M on, M being a row's length; above half the block they are mirrored. */
static void take_powers(const double *buffer, int length, int row, int k, int count,
                        const struct kernels_powers *powers)
{
    int rows = rows_of(length), row_length = length / rows;
    const double *at = buffer + row * (int64_t)stride_of(length) + 2 * k;
    if (row == 0 || row < rows / 2)
        kernels_powers(at, count, row * row_length + k, 1, powers);
    else if (k > 0)
        kernels_powers(at, count, (rows - row) * row_length - k, -1, powers);
    else { /* bin 0 belongs to the row that is not mirrored, or is the last of all */
        kernels_powers(at + 2, count - 1, (rows - row) * row_length - 1, -1, powers);
        if (row == rows / 2)
            kernels_powers(at, 1, length / 2, 1, powers);
    }
}

/* Afterwards bin k of row r holds bin k + r·M of the block, M being a row's length. */
static void assemble(const struct assembly *assembly, int length, double *buffer,
                     const struct kernels_powers *powers)
{
    int rows = rows_of(length), stride = stride_of(length);
    int bins = length / rows / 2, pieces = bins / PIECE + 1;
    for (int i = 0; i < pieces; i++) {
        double *at = buffer + 2 * PIECE * i;
        bool whole = i < bins / PIECE; /* the last is one bin, and a spare */
        for (int row = 1; row < rows; row++) {
            double complex first = assembly->first[row * pieces + i];
            kernels_turn(at + row * (int64_t)stride, assembly->within + row * PIECE * 4,
                         creal(first), cimag(first), whole ? PIECE : 2);
        }
        fftw_execute_dft(whole ? assembly->piece : assembly->last, (fftw_complex *)at,
                         (fftw_complex *)at);
        /* A row's last bin is the mirrored row's last too: the lower half has it. */
        for (int row = 0; powers && row < (whole ? rows : rows / 2); row++)
            take_powers(buffer, length, row, i * PIECE, whole ? PIECE : 1, powers);
    }
}

/* FFTW aborts the process where it gets no memory, for a plan or for a buffer of its own.
 * So as much is allocated and given back before, and nothing else takes any in between:
 * twice what was seen to be needed, 0.5 MiB up to 2^14 samples, 9 bytes a sample beyond.
 */
static bool has_room(int row_length)
{
    void *volatile room = malloc((1 << 20) + 16 * (size_t)row_length);
    bool has = room != NULL;
    free(room);
    return has;
}

bool fft_forward(struct fft_cache *cache, int length, double *buffer,
                 const struct kernels_powers *powers, struct problem *problem)
{
    int log2 = log2_of(length), rows = rows_of(length), row_length = length / rows;
    fftw_plan *plan = &cache->forward[log2_of(row_length)];
    struct assembly *assembly = &cache->assemblies[log2];
    bool room = has_room(row_length);
    if (!*plan && room)
        /* FFTW_ESTIMATE leaves the buffer untouched while planning. */
        *plan = fftw_plan_dft_r2c_1d(row_length, buffer, (fftw_complex *)buffer,
                                     FFTW_ESTIMATE);
    if (!room || !*plan ||
        (rows > 1 && !assembly->piece && !new_assembly(length, buffer, assembly)))
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for a transform of %d samples.", length);
    for (int row = 0; row < rows; row++) {
        double *at = buffer + row * (int64_t)stride_of(length);
        fftw_execute_dft_r2c(*plan, at, (fftw_complex *)at);
    }
    if (rows > 1)
        assemble(assembly, length, buffer, powers);
    else if (powers)
        take_powers(buffer, length, 0, 0, length / 2 + 1, powers);
    return true;
}

int fft_run_bins(int length)
{
    return rows_of(length) > 1 ? PIECE : length / 2 + 1;
}

double complex fft_bin(const double *buffer, int length, int bin)
{
    int rows = rows_of(length), row_length = length / rows;
    int row = bin / row_length, k = bin % row_length;
    /* A row's upper half is another row's lower half, mirrored. */
    bool mirrored = k > row_length / 2;
    if (mirrored) {
        row = rows - 1 - row;
        k = row_length - k;
    }
    const double *at = buffer + row * (int64_t)stride_of(length) + 2 * k;
    return at[0] + I * (mirrored ? -at[1] : at[1]);
}

void fft_bins(const double *buffer, int length, int first, int count, double *ret)
{
    int rows = rows_of(length), row_length = length / rows;
    for (int done = 0; done < count;) {
        int row = (first + done) / row_length, k = (first + done) % row_length;
        bool mirrored = k > row_length / 2;
        int left = (mirrored ? row_length : row_length / 2 + 1) - k;
        int run = left < count - done ? left : count - done;
        const double *at =
            buffer + (mirrored ? rows - 1 - row : row) * (int64_t)stride_of(length);
        if (!mirrored)
            memcpy(ret + 2 * done, at + 2 * k, 2 * (size_t)run * sizeof *ret);
        for (int i = 0; mirrored && i < run; i++) {
            ret[2 * (done + i)] = at[2 * (row_length - k - i)];
            ret[2 * (done + i) + 1] = -at[2 * (row_length - k - i) + 1];
        }
        done += run;
    }
}
