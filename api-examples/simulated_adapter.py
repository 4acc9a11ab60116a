#!/usr/bin/python3
"""A SIMULATED playback adapter and recorder, so that a first run needs no hardware.

    simulated_adapter.py [--one-clock] IN.wav OUT.wav

Nothing here was measured: the adapter of the Harbour Street Library's listening desks and all
its numbers are invented. IN.wav is a test tone (PCM 24 bit) as it would be played; OUT.wav is
what a recorder with a clock of its own would have recorded, two channels, 24 bit. With
--one-clock it shares the adapter's: for signals above a few kHz, which the simple change of
clock made here would bend. Prints what was put in, so that the figures measured can be
compared with it. The same input gives the same output, byte for byte.
"""

import math
import random
import sys
import wave

CLOCK_PPM = 37.0        # the adapter's clock is faster than the recorder's
GAIN = 0.7943282347     # -2 dB
SECOND = 4.0e-5         # y = x + SECOND x² + THIRD x³, for the left channel
THIRD = 6.0e-5
WORSE = 2.0             # the right channel bends that many times as much
NOISE_RMS = 7.0711e-6   # -100 dBFS where a full-scale sine reads 0 dBFS
SEED = 20
FULL_SCALE = 1 << 23
TAPS = 6


def read_first_channel(path):
    with wave.open(path, "rb") as file:
        if file.getsampwidth() != 3:
            sys.exit(f"{path}: {8 * file.getsampwidth()} bits a sample; give a WAV of 24 bits")
        step = 3 * file.getnchannels()
        raw = file.readframes(file.getnframes())
        rate = file.getframerate()
    return rate, [
        int.from_bytes(raw[i : i + 3], "little", signed=True) / FULL_SCALE
        for i in range(0, len(raw), step)
    ]


def weights(fraction):
    """Lagrange interpolation between six neighbours, exact for polynomials to the fifth
    degree: its error on a 997 Hz tone at 48 kHz is below -140 dB."""
    result = []
    for i in range(TAPS):
        weight = 1.0
        for j in range(TAPS):
            if j != i:
                weight *= (fraction + TAPS // 2 - 1 - j) / (i - j)
        result.append(weight)
    return result


def at_recorders_clock(played):
    """The tone read at the recorder's sample times: CLOCK_PPM faster than it was played."""
    recorded = []
    position = float(TAPS)
    while position < len(played) - TAPS:
        whole = int(position)
        first = whole - (TAPS // 2 - 1)
        neighbours = played[first : first + TAPS]
        recorded.append(
            sum(w * x for w, x in zip(weights(position - whole), neighbours))
        )
        position = TAPS + len(recorded) * (1 + CLOCK_PPM * 1e-6)
    return recorded


def sample_bytes(value):
    code = round(value * FULL_SCALE)
    return min(max(code, -FULL_SCALE), FULL_SCALE - 1).to_bytes(3, "little", signed=True)


def record(recorded, rate, path):
    noise = random.Random(SEED)
    frames = bytearray()
    for x in recorded:
        x *= GAIN
        for bend in (1.0, WORSE):
            y = x + bend * (SECOND * x * x + THIRD * x * x * x)
            frames += sample_bytes(y + noise.gauss(0.0, NOISE_RMS))
    with wave.open(path, "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(3)
        file.setframerate(rate)
        file.writeframes(frames)


def decibels(ratio):
    return f"{20 * math.log10(ratio):.2f}"


def curves():
    """What was put in, of any signal."""
    return (
        "Simulated, invented adapter. What was put in:\n"
        f"  gain {decibels(GAIN)} dB, noise {decibels(NOISE_RMS * math.sqrt(2))} dBFS over the "
        "whole band, one clock for both\n"
        f"  then on channel 1: x + {SECOND:g} x^2 + {THIRD:g} x^3\n"
        f"  then on channel 2: x + {WORSE * SECOND:g} x^2 + {WORSE * THIRD:g} x^3"
    )


def expectation(peak):
    """What a perfect instrument reads, by the closed forms of a tone of that peak through
    y = x + a x^2 + b x^3: second harmonic a·peak/2, third b·peak²/4."""
    seconds = [decibels(bend * SECOND * peak / 2) for bend in (1.0, WORSE)]
    thirds = [decibels(bend * THIRD * peak**2 / 4) for bend in (1.0, WORSE)]
    return (
        "Simulated, invented adapter. What was put in:\n"
        f"  fundamental {decibels(peak)} dBFS, clock {CLOCK_PPM:+.1f} ppm, "
        f"noise {decibels(NOISE_RMS * math.sqrt(2))} dBFS over the whole band\n"
        f"  harmonic 2: {seconds[0]} dBc on channel 1, {seconds[1]} dBc on channel 2\n"
        f"  harmonic 3: {thirds[0]} dBc on channel 1, {thirds[1]} dBc on channel 2"
    )


def main():
    one_clock = sys.argv[1:2] == ["--one-clock"]
    paths = sys.argv[1 + one_clock :]
    if len(paths) != 2:
        sys.exit(__doc__)
    try:
        rate, played = read_first_channel(paths[0])
    except (OSError, EOFError, wave.Error) as error:
        sys.exit(f"{paths[0]}: {error}")
    record(played if one_clock else at_recorders_clock(played), rate, paths[1])
    print(curves() if one_clock else expectation(GAIN * max(played)))


if __name__ == "__main__":
    main()
