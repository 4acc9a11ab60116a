#include "analysis/health/levels_warn.h"

#include <math.h>

#include "analysis/core/decibel.h"

enum { MOST_BITS_OF_CONVERTERS = 24 };

static const double over_from = 1.001;
static const double between_from = 1.0233;    /* +0.2 dBFS */
static const double scaled_integers_from = 2; /* with no fraction anywhere */
static const double scaled_from = 128;        /* +42 dBFS is no level of audio */
static const double right_justified = 0x1p-8; /* the largest value of 24 in 32 bits */
static const double right_justified_from = 0.3162; /* of that: −10 dB */

static double level_dbfs(double peak)
{
    return 20 * log10(peak);
}

void levels_warn_mute(struct health *health, int c, const struct levels_mute *mute,
                      const struct capture_format *format)
{
    double rate = format->sample_rate_hz;
    health_warn(
        health, "mute_suspected", c + 1,
        "Channel %d carries noise, but holds one exact value for %.6g s from "
        "frame %lld (%.6g s) on: something in the path mutes itself when the "
        "signal is low. Its noise cannot be measured there; turn the mute off, or "
        "keep a tone of about -60 dBFS playing.",
        c + 1, (double)mute->longest / rate, (long long)mute->first_frame,
        (double)mute->first_frame / rate);
}

static void warn_silence(struct health *health)
{
    int silent = 0;
    for (int c = 0; c < health->channel_count; c++)
        silent += health->channels[c].silent;
    if (silent == health->channel_count)
        health_warn(
            health, "channel_silent", 0,
            "The whole recording is digital silence: in %s every sample is "
            "exactly %.6g. Check that the recorder listens to the right input and "
            "is not muted.",
            silent > 1 ? "each channel" : "its one channel", health->channels[0].dc);
    for (int c = 0; silent < health->channel_count && c < health->channel_count; c++)
        if (health->channels[c].silent)
            health_warn(health, "channel_silent", c + 1,
                        "Channel %d is dead: every sample is exactly %.6g, while other "
                        "channels carry a signal or noise. Check its cable, and that the "
                        "recorder records this input.",
                        c + 1, health->channels[c].dc);
}

static void warn_clipping(struct health *health, int c)
{
    const struct health_channel *channel = &health->channels[c];
    double dbfs = level_dbfs(channel->clipping_level);
    if (dbfs > -0.001)
        health_warn(
            health, "clipping", c + 1,
            "Channel %d is clipped at full scale (%.2f dBFS): %lld samples stand "
            "in flat tops. Its distortion is the recorder's; lower the input gain "
            "by 3 dB or more and record again.",
            c + 1, dbfs, (long long)channel->clipped_samples);
    else
        health_warn(health, "clipping", c + 1,
                    "Channel %d is clipped below full scale, at %.2f dBFS: %lld samples "
                    "stand in flat tops. Something before the recording's last gain was "
                    "overloaded; lower the level there and record again.",
                    c + 1, dbfs, (long long)channel->clipped_samples);
}

static bool is_scaled(const struct health_channel *channel,
                      const struct levels_channel *found)
{
    return (found->written.integers && channel->peak >= scaled_integers_from) ||
           channel->peak >= scaled_from;
}

static void warn_of_floats(struct health *health, int c,
                           const struct levels_channel *found)
{
    const struct health_channel *channel = &health->channels[c];
    if (is_scaled(channel, found)) {
        health_warn(
            health, "suspect_int_scaled_float", c + 1,
            "Channel %d holds floats of up to %.8g%s, where full scale is 1: they "
            "look like integers that were never divided by their full scale "
            "(32768 for 16 bits, 8388608 for 24). All levels are off by that; "
            "export again as PCM or as floats within -1 and 1.",
            c + 1, channel->peak, found->written.integers ? " without a fraction" : "");
        return;
    }
    if (channel->peak >= over_from)
        health_warn(health, "over_full_scale", c + 1,
                    "Channel %d goes beyond full scale: %lld samples, up to %+.2f dBFS. "
                    "Floats keep that, a converter or PCM does not; lower the level "
                    "before playing or exporting it.",
                    c + 1, (long long)channel->over_full_scale,
                    level_dbfs(channel->peak));
}

static void warn_between(struct health *health, int c,
                         const struct levels_between *between)
{
    if (between->tone >= between_from && health->channels[c].peak < over_from)
        health_warn(health, "over_full_scale", c + 1,
                    "Channel %d stays within full scale at its samples, but the tone's "
                    "waveform between them reaches %+.2f dBFS: a converter that plays it "
                    "can clip. Lower its level by %.1f dB or more.",
                    c + 1, level_dbfs(between->tone),
                    ceil(10 * level_dbfs(between->tone)) / 10);
}

static double highest_peak(const struct health *health)
{
    double highest = 0;
    for (int c = 0; c < health->channel_count; c++)
        highest = fmax(highest, health->channels[c].peak);
    return highest;
}

/* A file is so as a whole. What was told to have been played says whether such a level is
 * meant. */
static bool is_right_justified(const struct health *health, int c, int bits,
                               const struct levels_channel *found,
                               const struct health_subject *subject)
{
    const struct health_channel *channel = &health->channels[c];
    return bits == 32 && channel->bits_in_use == 32 && !subject->request->signal &&
           levels_written_is_varied(&found->written) &&
           highest_peak(health) <= right_justified &&
           channel->peak >= right_justified_from * right_justified;
}

static void warn_of_pcm(struct health *health, int c, int bits,
                        const struct levels_channel *found,
                        const struct health_subject *subject)
{
    const struct health_channel *channel = &health->channels[c];
    if (is_right_justified(health, c, bits, found, subject))
        health_warn(
            health, "suspect_right_justified", c + 1,
            "Channel %d never leaves the lower 24 of its 32 bits (peak %.2f dBFS) "
            "yet uses all of these: 24-bit samples may stand at the wrong end of "
            "their container, and all levels read 48.16 dB too low. Check the "
            "recorder's sample format.",
            c + 1, level_dbfs(channel->peak));
    else if (channel->bits_in_use < bits && channel->bits_in_use > 0 &&
             channel->bits_in_use < MOST_BITS_OF_CONVERTERS &&
             levels_written_is_varied(&found->written))
        health_warn(
            health, "low_bits_unused", c + 1,
            "Channel %d uses %d of its %d bits; the lowest %d never change. It "
            "went through a path of %d bits (a driver, a mixer, a setting of the "
            "recorder), whose quantising noise is in every figure; if that is not "
            "meant, record with all bits.",
            c + 1, channel->bits_in_use, bits, bits - channel->bits_in_use,
            channel->bits_in_use);
}

void levels_warn(struct health *health, const struct levels_channel *channels, int bits,
                 const struct health_subject *subject)
{
    warn_silence(health);
    for (int c = 0; c < health->channel_count; c++) {
        if (health->channels[c].silent)
            continue;
        if (health->channels[c].clipped)
            warn_clipping(health, c);
        if (bits == 0)
            warn_of_floats(health, c, &channels[c]);
        else
            warn_of_pcm(health, c, bits, &channels[c], subject);
        warn_between(health, c, &channels[c].between);
    }
}
