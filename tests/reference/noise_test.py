"""`noise` of files that SoX made, against SciPy on the same samples.

A 24-bit recording of a tone at -60 dBFS, and one of nothing but faint noise, are reduced to 16
bits by SoX: cut off without dither, with TPDF dither, with noise shaping. The other method is
Welch's average with a Hann window, the tone's band left out and refilled by interpolation, the
curves from the poles (A) and from the usual rational form (BS.468-4, from memory); for the
quasi-peak reading the curve in one transform of the whole recording, and the detector's four
time constants sample by sample at four times the rate.
"""
import pathlib
import subprocess
import tempfile
import unittest

import numpy as np
import scipy.signal

import bench

TOLERANCE_DB = 0.05
RATE_HZ = 48000
TONE_HZ = 997
A_POLES = [20.598997, 20.598997, 107.65265, 737.86223, 12194.217, 12194.217]
REDUCTIONS = {
    "undithered": "sox -D in.wav -b 16 out.wav",
    "TPDF dither": "sox in.wav -b 16 out.wav dither",
    "shaped dither": "sox in.wav -b 16 out.wav dither -s",
}


def a_power(hz):
    _, h = scipy.signal.freqs_zpk([0, 0, 0, 0], -2 * np.pi * np.array(A_POLES), 1,
                                  2 * np.pi * np.append(hz, 1000))
    return np.abs(h[:-1] / h[-1]) ** 2


def curve_468(hz):
    """Complex, without its gain."""
    h1 = (-4.737338981378384e-24 * hz**6 + 2.043828333606125e-15 * hz**4
          - 1.363894795463638e-7 * hz**2 + 1)
    h2 = (1.306612257412824e-19 * hz**5 - 2.118150887518656e-11 * hz**3
          + 5.559488023498642e-4 * hz)
    return 1j * hz / (h1 + 1j * h2)


def power_468(hz, unity_hz):
    return np.abs(curve_468(hz) / curve_468(unity_hz)) ** 2


def level(power):
    return 10 * np.log10(2 * power)


def noise_levels(x, tone):
    """Unweighted, A, BS.468 re 2 kHz, in dBFS."""
    hz, density = scipy.signal.welch(x, RATE_HZ, "hann", 1 << 16, detrend="constant")
    inside = (hz >= 20) & (hz <= 20000)
    quiet = inside.copy()
    if tone:
        quiet &= np.abs(hz - TONE_HZ) > 0.011 * TONE_HZ
    density = np.interp(hz[inside], hz[quiet], density[quiet])
    step = hz[1]
    band = hz[inside]
    return [level((density * weights).sum() * step)
            for weights in (np.ones(len(band)), a_power(band), power_468(band, 2000))]


def quasi_peak(x):
    """Mean of the needle once it has settled; a sine of 1 kHz reads its rms."""
    times = 4
    spectrum = np.fft.rfft(x - x.mean())
    hz = np.arange(len(spectrum)) * RATE_HZ / len(x)
    weighted = np.zeros(times * (len(x) // 2) + 1, dtype=complex)
    weighted[:len(spectrum)] = spectrum * curve_468(hz) / np.abs(curve_468(1000.0))
    fine = times * np.fft.irfft(weighted)
    return needle(np.abs(fine), RATE_HZ * times) / needle(
        np.abs(np.sin(2 * np.pi * 1000 * np.arange(4 * RATE_HZ * times) / (RATE_HZ * times))),
        RATE_HZ * times) / np.sqrt(2)


def needle(rectified, rate):
    charge = [1 - np.exp(-1 / (s * rate)) for s in (0.001442, 0.236)]
    drain = [1 - np.exp(-1 / (s * rate)) for s in (0.2895, 0.347)]
    first = second = total = 0.0
    settled = 3 * rate
    for n, value in enumerate(rectified.tolist()):
        first += charge[0] * max(value - first, 0) - drain[0] * first
        second += charge[1] * max(first - second, 0) - drain[1] * second
        if n >= settled:
            total += second
    return total / (len(rectified) - settled)


class NoiseTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = bench.harness.Daemon()
        cls.folder = tempfile.TemporaryDirectory(prefix="residuum-noise-")
        cls.path = pathlib.Path(cls.folder.name)

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()
        cls.daemon.stop()

    def reduce(self, command, level_dbfs, noise_rms):
        """Samples that SoX has reduced to 16 bits, and our figures of them."""
        random = np.random.default_rng(16)
        t = np.arange(20 * RATE_HZ) / RATE_HZ
        x = noise_rms * random.standard_normal(len(t))
        if level_dbfs is not None:
            x += 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * TONE_HZ * t)
        bench.write(self.path / "in.wav", RATE_HZ, x[:, None])
        subprocess.run(command.split(), cwd=self.path, check=True)
        answer = self.daemon.upload((self.path / "out.wav").read_bytes())
        self.assertEqual(answer.status, 201)
        analysis = self.daemon.analyse(answer.json["id"], {}, "noise")
        state = self.daemon.wait_for_end(analysis)
        self.assertEqual(state["state"], "done", state)
        result = self.daemon.get(f"/v1/analyses/{analysis}/result").json
        channel = result["channels"][0]
        _, samples = bench.samples(self.path / "out.wav")
        first, last = bench.span(channel, RATE_HZ)
        return samples[first:last, 0], channel["figures"]

    def close(self, what, got, want, tolerance=TOLERANCE_DB):
        print(f"    {what:28} {got:10.4f}  SciPy {want:10.4f}  {got - want:+.4f}")
        self.assertLessEqual(abs(got - want), tolerance, what)

    def check_levels(self, figures, levels):
        for name, want in zip(("noise_level", "noise_level_a", "noise_level_468"), levels):
            self.close(name, figures[name]["value"], want)

    def test_a_tone_reduced_to_16_bits(self):
        for name, command in REDUCTIONS.items():
            with self.subTest(name):
                print(f"  {name}")
                x, figures = self.reduce(command, -60, 1e-7)
                levels = noise_levels(x, True)
                self.check_levels(figures, levels)
                for figure, noise in zip(
                        ("dynamic_range", "dynamic_range_a", "dynamic_range_468"), levels):
                    self.close(figure, figures[figure]["value"], -noise)

    def test_faint_noise_reduced_to_16_bits(self):
        for name, command in REDUCTIONS.items():
            with self.subTest(name):
                print(f"  {name}")
                x, figures = self.reduce(command, None, 3e-5)
                self.check_levels(figures, noise_levels(x, False))
                self.close("noise_level_468_quasi_peak",
                           figures["noise_level_468_quasi_peak"]["value"],
                           20 * np.log10(np.sqrt(2) * quasi_peak(x)))


if __name__ == "__main__":
    unittest.main(verbosity=2)
