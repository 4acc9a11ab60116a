/**
 * Fourier transforms of real blocks, in place, with a cache of plans and windows.
 *
 * A long block is taken apart into rows of FFT_ROW samples, sample n into row n modulo
 * their number, so that each row's transform stays in the processor's cache; short
 * transforms across the rows then put the spectrum together, 64 bins of each at a time.
 * (One transform of 2^18 samples takes 1.3 times as long.) Where samples and bins lie in
 * a buffer is known only here: fft_put and fft_bin. Up to FFT_ROW samples there is one
 * row, and they lie in order, as do the complex bins.
 *
 * Plans are made with FFTW_ESTIMATE: reproducible to the bit. Buffers must come from
 * fft_buffer_new, since the alignment of a buffer changes the last bits of a result.
 * One thread only: a worker is single-threaded, and planning is not thread-safe.
 */
#ifndef ANALYSIS_DSP_FFT_H
#define ANALYSIS_DSP_FFT_H

#include <complex.h>
#include <stdbool.h>

#include "analysis/core/problem.h"
#include "analysis/dsp/kernels.h"
#include "analysis/dsp/window.h"

enum {
    FFT_MAX_LOG2 = 26,
    FFT_ROW = 1 << 14,
    FFT_MAX_ROWS = 64,
};

struct fft_cache;

/** NULL: no memory. */
struct fft_cache *fft_cache_new(void) __attribute__((warn_unused_result));
void fft_cache_free(struct fft_cache *cache);

/** Drops the longest windows until those kept take at most 8 MiB: for a cache that serves
 * one job after another. Windows lent before are gone. */
void fft_cache_trim(struct fft_cache *cache);

/** Lends a window of a power of two, 2 … 2^26: the cache keeps it until fft_cache_trim or
 * fft_cache_free. OUT_OF_MEMORY. */
bool fft_window(struct fft_cache *cache, enum window_kind kind, int length,
                const struct window **ret, struct problem *problem)
    __attribute__((warn_unused_result));

/** Room for a real block of `length` and its transform: a power of two, 2 … 2^26. NULL:
 * no memory. */
double *fft_buffer_new(int length) __attribute__((warn_unused_result));
void fft_buffer_free(double *buffer);

/** Puts values[count] into the buffer of a block of `length`, from sample `first` on;
 * both are multiples of 4·FFT_MAX_ROWS, or the block is no longer than FFT_ROW. */
void fft_put(double *buffer, int length, int first, const double *values, int count);

/** Puts the whole block samples[window->length], `dc` taken off and windowed. A multiple
 * of KERNELS_BLOCK. */
void fft_put_windowed(double *buffer, const struct window *window, const double *samples,
                      double dc);

/** Transforms the block in the buffer in place, unscaled; hands on the powers of its
 * length/2 + 1 bins, while they are in cache, unless that is NULL. OUT_OF_MEMORY. */
bool fft_forward(struct fft_cache *cache, int length, double *buffer,
                 const struct kernels_powers *powers, struct problem *problem)
    __attribute__((warn_unused_result));

/** How many bins at a time fft_forward hands to kernels_powers, at most. */
int fft_run_bins(int length);

/** One number of a transform, bin 0 … length/2. */
double complex fft_bin(const double *buffer, int length, int bin);

/** Fills ret[2·count] with the transform's bins from `first` on, in order. */
void fft_bins(const double *buffer, int length, int first, int count, double *ret);

#endif
