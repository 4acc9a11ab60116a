/**
 * The quasi-peak detector of ITU-R BS.468-4: where its needle stands.
 *
 * Two peak rectifiers in tandem, each charged through one resistance and discharged
 * through another. The Recommendation gives no circuit, only what bursts of a tone must
 * read, so the four time constants (1.442 and 289.5 ms, 236 and 347 ms) are our own,
 * fitted to that table: each burst reads within 2 % of its nominal reading
 * (quasi_peak_test.c). The needle settles within about 2 s.
 * Input: samples through the curve (weighting_filter.h), at 64 to 128 kHz. The reading of
 * a steady sine is its rms; of one at a simple fraction of that rate it may be 0.5 dB off
 * near 12 kHz, 1 dB near 16, since its samples miss its tops.
 * Memory: none. Cost: 4 ns a sample of the input.
 */
#ifndef ANALYSIS_DSP_QUASI_PEAK_H
#define ANALYSIS_DSP_QUASI_PEAK_H

struct quasi_peak {
    /* Of each rectifier, per sample: what stays when it discharges alone, what stays when
     * it is charged too, what it takes over. */
    double discharge[2], charge[2], take[2];
    double scale; /* from the second rectifier's voltage to the reading */
    double held[2];
};

/** A detector at rest. */
struct quasi_peak quasi_peak_at(double rate_hz);

/** A rectifier (0 or 1) takes over some of what its input exceeds it by. Written as the
 * larger of two lines, since that is the shorter way from one sample to the next. */
static inline double quasi_peak_step(const struct quasi_peak *detector, int rectifier,
                                     double held, double input)
{
    double alone = detector->discharge[rectifier] * held;
    double charged =
        detector->charge[rectifier] * held + detector->take[rectifier] * input;
    return charged > alone ? charged : alone;
}

/** Readings over a stretch, as rms: Σ and the highest. */
struct quasi_peak_reading {
    double sum, highest;
};
/** Goes on where it stopped, over weighted[count]. */
struct quasi_peak_reading quasi_peak_run(struct quasi_peak *detector,
                                         const double *weighted, int count);

#endif
