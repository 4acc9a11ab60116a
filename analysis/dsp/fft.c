#include "analysis/dsp/fft.h"

#include <assert.h>
#include <stdlib.h>

#include <fftw3.h>

struct fft_cache {
    fftw_plan forward[FFT_MAX_LOG2 + 1];
};

struct fft_cache *fft_cache_new(void)
{
    return calloc(1, sizeof(struct fft_cache));
}

void fft_cache_free(struct fft_cache *cache)
{
    if (!cache)
        return;
    for (int i = 0; i <= FFT_MAX_LOG2; i++)
        if (cache->forward[i])
            fftw_destroy_plan(cache->forward[i]);
    free(cache);
}

double *fft_buffer_new(int length)
{
    return fftw_malloc(((size_t)length + 2) * sizeof(double));
}

void fft_buffer_free(double *buffer)
{
    fftw_free(buffer);
}

static int log2_of(int length)
{
    int log2 = 0;
    while ((1 << log2) < length)
        log2++;
    assert((1 << log2) == length && log2 >= 1 && log2 <= FFT_MAX_LOG2);
    return log2;
}

bool fft_forward(struct fft_cache *cache, int length, double *buffer,
                 struct problem *problem)
{
    int log2 = log2_of(length);
    if (!cache->forward[log2])
        /* FFTW_ESTIMATE leaves the buffer untouched while planning. */
        cache->forward[log2] =
            fftw_plan_dft_r2c_1d(length, buffer, (fftw_complex *)buffer, FFTW_ESTIMATE);
    if (!cache->forward[log2])
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory to plan a transform of %d samples.", length);
    fftw_execute_dft_r2c(cache->forward[log2], buffer, (fftw_complex *)buffer);
    return true;
}
