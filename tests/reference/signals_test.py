"""Rendered test signals, looked at by SciPy; and the health of what SciPy, as a fair device, makes
of them: another rate by its resampler, another clock, a filter, noise."""
import json
import os
import pathlib
import subprocess
import tempfile
import unittest

import numpy as np
import scipy.io.wavfile
import scipy.signal

BIN = pathlib.Path(os.environ["RESIDUUM_BIN"])


class SignalCase(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="residuum-signals-")
        self.addCleanup(folder.cleanup)
        self.path = os.path.join(folder.name, "x.wav")

    def rendered(self, name, rate, **parameters):
        self.signal = {"name": name, "parameters": {
            "sample_rate_hz": rate, "channels": 1, "bits": 24, "duration_s": 4, **parameters}}
        subprocess.run([BIN / "residuum-worker", "--render", name, "--output", self.path,
                        "--settings", json.dumps(self.signal["parameters"])], check=True)
        return scipy.io.wavfile.read(self.path)[1] / 2.0**31


class Spectra(SignalCase):
    def test_multitone(self):
        """One period: 31 equal lines, all odd; the true peak at the level asked for (8 times
        oversampled, a sine at 20 kHz alone would be missed by up to 0.14 dB)."""
        for rate in (44100, 192000):
            period = 1 << int(np.ceil(np.log2(rate / 0.4)))
            x = self.rendered("multitone", rate, level_dbfs=-6)[:period]
            spectrum = np.fft.rfft(x) / (period / 2)
            size = np.abs(spectrum)
            tones = np.flatnonzero(size > size.max() / 2)
            self.assertEqual(len(tones), 31)
            self.assertTrue(np.all(tones % 2 == 1))
            np.testing.assert_allclose(size[tones], size[tones].mean(), rtol=1e-6)
            self.assertLess(size[np.delete(np.arange(len(size)), tones)].max(), 2**-23 / 50)
            peak = np.abs(scipy.signal.resample(x, 8 * period)).max()
            self.assertAlmostEqual(20 * np.log10(peak), -6, delta=0.02)
            crest = 20 * np.log10(peak / np.sqrt(np.mean(x**2)))
            self.assertAlmostEqual(crest, 11.84, delta=0.05)
            for hz in (20, 100, 1000, 20000):  # among the centres of ISO 266
                nearest = np.abs(tones * rate / period / hz - 1).min()
                self.assertLess(nearest, 0.02)

    def test_twin_tone(self):
        """By least squares; what is left is dither and rounding, LSB²/4."""
        for kind, hz, share in (("smpte", (60, 7000), (0.8, 0.2)),
                                ("din", (250, 8000), (0.8, 0.2)),
                                ("difference-frequency", (18000, 20000), (0.5, 0.5))):
            x = self.rendered("twin-tone", 48000, kind=kind, level_dbfs=-3)
            t = np.arange(len(x)) / 48000
            columns = np.stack([np.sin(2 * np.pi * f * t) for f in hz], 1)
            fitted = np.linalg.lstsq(columns, x, rcond=None)[0]
            np.testing.assert_allclose(fitted, np.array(share) * 10 ** (-3 / 20), atol=1e-9)
            left = np.mean((x - columns @ fitted) ** 2)
            self.assertAlmostEqual(left / (2.0**-46 / 4), 1, delta=0.03)

    def test_jitter_pattern(self):
        """Every line of 192 frames: (LSB/2)(4/192)/sin(πk/192), odd k, carrier 1/√2."""
        for bits in (16, 24):
            x = self.rendered("jitter-pattern", 48000, pattern_bits=bits)[:192 * 100]
            size = np.abs(np.fft.rfft(x)) / (len(x) / 2)
            odd = np.arange(1, 96, 2)
            expected = 2.0**-bits * (4 / 192) / np.sin(np.pi * odd / 192)
            np.testing.assert_allclose(size[odd * 100], expected, rtol=1e-6)
            self.assertAlmostEqual(size[4800], np.sqrt(0.5), delta=1e-12)
            size[odd * 100] = size[4800] = size[0] = 0
            self.assertLess(size.max(), 1e-14)


def at_44100(x, rate):
    """A window of 140 dB: with SciPy's usual one the images of 192 kHz are there, and told."""
    return 0.7 * scipy.signal.resample_poly(x, 147, 160 * rate // 48000,
                                            window=("kaiser", 14.0)), 44100


def with_other_clock(x, rate):
    """+150 ppm: straight lines between samples 32 times as close."""
    fine = scipy.signal.resample_poly(x, 32, 1)
    at = np.arange(int(len(x) * 0.999)) * (1 + 150e-6)
    return 0.5 * np.interp(32 * at, np.arange(len(fine)), fine), rate


def with_cliff(x, rate):
    return scipy.signal.lfilter(scipy.signal.firwin(511, 22000, fs=rate), 1, 0.8 * x), rate


def as_it_is(x, rate):
    return 0.9 * x, rate


class Devices(SignalCase):
    SIGNALS = (("silence", {}), ("twin-tone", {"kind": "smpte"}), ("twin-tone", {"kind": "din"}),
               ("twin-tone", {"kind": "difference-frequency"}), ("multitone", {}),
               ("multitone", {"count": 60}), ("jitter-pattern", {"pattern_bits": 16}),
               ("jitter-pattern", {}))

    def codes(self, told):
        extra = ["--signal", json.dumps(self.signal)] if told else []
        done = subprocess.run([BIN / "residuum-worker", "--file", self.path, "--health", *extra],
                              capture_output=True, text=True, check=True)
        return {warning["code"] for warning in json.loads(done.stdout)["health"]["warnings"]}

    def test_no_alarm_is_raised(self):
        random = np.random.default_rng(20261125)
        for rate, devices in ((48000, (as_it_is, at_44100, with_other_clock)),
                              (192000, (as_it_is, at_44100, with_cliff))):
            for name, parameters in self.SIGNALS:
                clean = self.rendered(name, rate, **parameters)
                for device in devices:
                    x, recorded_hz = device(clean, rate)
                    x = x + 1e-4 * x**2 + 3e-5 * x**3 + 1e-5 * random.standard_normal(len(x))
                    scipy.io.wavfile.write(self.path, recorded_hz, x.astype(np.float32))
                    for told in (False, True):
                        with self.subTest(name, **parameters, rate=rate, told=told,
                                          device=device.__name__):
                            clock = {"clock_offset"} if device is with_other_clock else set()
                            self.assertLessEqual(self.codes(told), clock if told else set())


if __name__ == "__main__":
    unittest.main()
