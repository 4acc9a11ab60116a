#!/usr/bin/python3
"""What a tester would write with SciPy for the same question: `distortion` is level, distortion
and noise of one steady tone, for each channel; the others are in scipy_others.py. Vectorised
throughout; prints JSON.

scipy_script.py MEASUREMENT FILE: measures once. scipy_script.py MEASUREMENT: reads names of
files from standard input, one a line, and prints for each the seconds that it took."""

import json
import sys
import time

import numpy as np
import scipy.fft
import scipy.io.wavfile
import scipy.signal

import scipy_others

LENGTH = 1 << 18
TERMS = [.27105140069342, .43329793923448, .21812299954311, .06592544638803, .01081174209837,
         .00077658482522, .00001388721735]
LOBE = 7


def lobe_power(power, centre):
    return power[max(centre - LOBE, 0):centre + LOBE + 1].sum()


def channel_figures(samples, rate):
    # One transform of the whole recording tells the frequency ...
    window = scipy.signal.windows.general_cosine(len(samples), TERMS, sym=False)
    whole = np.abs(scipy.fft.rfft(samples * window))
    peak = int(np.argmax(whole[LOBE:])) + LOBE
    low, mid, high = np.log(whole[peak - 1:peak + 2])
    frequency = (peak + 0.5 * (low - high) / (low - 2 * mid + high)) * rate / len(samples)
    del window, whole  # a recording of 1 GiB takes 14 GB as it is
    # ... and averaged segments the powers.
    dc_offset = float(np.mean(samples))
    samples -= dc_offset
    hz, density = scipy.signal.welch(samples, rate, ("general_cosine", TERMS), LENGTH,
                                     LENGTH // 2, detrend=False)
    power = density * (hz[1] - hz[0])
    band = (hz >= 20) & (hz <= 20000)
    centres = [round(k * frequency * LENGTH / rate) for k in range(1, 11)]
    tone = lobe_power(power, centres[0])
    harmonics = [lobe_power(power, centre) for centre in centres[1:]]
    noise = power.copy()
    for centre in centres:
        noise[max(centre - LOBE, 0):centre + LOBE + 1] = np.nan
    weights = a_weights(hz[band])
    in_band = noise[band]
    return {
        "fundamental_frequency": frequency,
        "fundamental_level": 10 * np.log10(2 * tone),
        "thd": 10 * np.log10(sum(harmonics) / tone),
        "sinad": 10 * np.log10(tone / (power[band].sum() - tone)),
        "noise_level": 10 * np.log10(2 * np.nansum(in_band)),
        "noise_level_a": 10 * np.log10(2 * np.nansum(in_band * weights)),
        "dc_offset": dc_offset,
    }


def a_weights(hz):
    squares = hz ** 2
    gain = 12194 ** 2 * squares ** 2 / (
        (squares + 20.6 ** 2) * (squares + 12194 ** 2)
        * np.sqrt((squares + 107.7 ** 2) * (squares + 737.9 ** 2)))
    return (gain * 10 ** 0.1) ** 2


def measure(path):
    figures = scipy_others.MEASUREMENTS.get(sys.argv[1], channel_figures)
    rate, data = scipy.io.wavfile.read(path)
    return [figures(data[:, c] / 2.0 ** 31, rate) for c in range(data.shape[1])]


if len(sys.argv) == 3:
    print(json.dumps(measure(sys.argv[2]), default=str))
else:
    for line in sys.stdin:
        begin = time.perf_counter()
        measure(line.rstrip("\n"))
        print(time.perf_counter() - begin, flush=True)
