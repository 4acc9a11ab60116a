#include "analysis/signals/tone_bank.h"

#include <math.h>
#include <string.h>

#include "analysis/signals/tone.h"

enum { BLOCK = TONE_BANK_BLOCK, QUARTERS = 4 };

static double sine(uint64_t angle)
{
    return tone_sine((int64_t)(angle % TONE_BANK_TURN), (int64_t)TONE_BANK_TURN);
}

static double cosine(uint64_t angle)
{
    return sine(angle + TONE_BANK_TURN / QUARTERS);
}

void tone_bank_fill(const int64_t *cycles, const uint64_t *phases, int count,
                    int64_t period, struct tone_bank *ret)
{
    ret->count = count;
    for (int i = 0; i < count; i++) {
        ret->step[i] = (uint64_t)cycles[i] * (TONE_BANK_TURN / (uint64_t)period);
        ret->phase[i] = phases[i];
        for (int k = 0; k < BLOCK; k++) {
            ret->sine[i][k] = sine(ret->step[i] * (uint64_t)k);
            ret->cosine[i][k] = cosine(ret->step[i] * (uint64_t)k);
        }
    }
}

void tone_bank_block(const struct tone_bank *bank, int64_t frame, double *ret)
{
    memset(ret, 0, sizeof *ret * BLOCK);
    for (int i = 0; i < bank->count; i++) {
        /* Whole turns leave the 64 bits without harm. */
        uint64_t angle = bank->phase[i] + bank->step[i] * (uint64_t)frame;
        double s = sine(angle), c = cosine(angle);
        const double *sines = bank->sine[i], *cosines = bank->cosine[i];
        for (int k = 0; k < BLOCK; k++)
            ret[k] += s * cosines[k] + c * sines[k];
    }
}

/* Beside frame `frame`, `parts` parts of 2^10 of a frame later. */
static double size_at(const struct tone_bank *bank, int64_t frame, int64_t parts)
{
    double sum = 0;
    for (int i = 0; i < bank->count; i++) {
        int64_t part = (int64_t)(bank->step[i] >> 10) * parts;
        sum += sine(bank->phase[i] + bank->step[i] * (uint64_t)frame + (uint64_t)part);
    }
    return fabs(sum);
}

/* Uphill from a frame that is higher than both its neighbours. */
static double climbed(const struct tone_bank *bank, int64_t frame, double size)
{
    int64_t parts = 0;
    for (int64_t step = 512; step > 0; step /= 2) {
        double later = size_at(bank, frame, parts + step);
        double earlier = size_at(bank, frame, parts - step);
        if (later > size && later >= earlier)
            parts += step;
        else if (earlier > size)
            parts -= step;
        size = fmax(size, fmax(later, earlier));
    }
    return size;
}

double tone_bank_peak(const struct tone_bank *bank, int64_t period)
{
    /* With 8 frames a cycle the sum exceeds its highest frame by no more than
     * 1/(1 − (π/8)²/2): its curvature is at most (2π·highest)² of its peak (Bernstein).
     */
    const double lowest_share = 0.92;
    double block[BLOCK], before[2] = {0}, peak = 0;
    for (int64_t frame = 0; frame < period + BLOCK; frame += BLOCK) {
        tone_bank_block(bank, frame, block);
        for (int k = 0; k < BLOCK; k++) {
            double size = fabs(block[k]);
            if (before[1] >= lowest_share * peak && before[1] >= before[0] &&
                before[1] >= size)
                peak = fmax(peak, climbed(bank, frame + k - 1, before[1]));
            before[0] = before[1];
            before[1] = size;
        }
    }
    return peak;
}
