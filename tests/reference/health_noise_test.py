#!/usr/bin/python3
"""What health says of white noise that the worker rendered and NumPy broke: frames cut out,
repeated and zeroed, where `signal` tells which noise it was. SciPy's resampling and filter
stand for a device."""
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


def through_device(x, rate):
    """−6 dB, +50 ppm (band-limited interpolation by phase, in one transform), a low-pass at
    20 kHz, noise 40 dB below."""
    frames = len(x)
    at = np.arange(int(frames / 1.0001)) * (1 + 50e-6)
    fine = scipy.signal.resample_poly(x, 8, 1, axis=0)
    y = np.stack([np.interp(8 * at, np.arange(len(fine)), c) for c in fine.T], 1)
    y = 0.5 * scipy.signal.sosfilt(scipy.signal.cheby1(8, 0.1, 20000, fs=rate, output="sos"),
                                   y, axis=0)
    noise = np.random.default_rng(5).standard_normal(y.shape)
    return y + 0.01 * np.std(y) * noise


class Noise(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="residuum-noise-")
        self.addCleanup(folder.cleanup)
        self.path = os.path.join(folder.name, "x.wav")

    def rendered(self, rate, duration_s=6):
        self.parameters = {"sample_rate_hz": rate, "channels": 2, "duration_s": duration_s,
                           "level_dbfs": -12, "bits": 24}
        subprocess.run([BIN / "residuum-worker", "--render", "white-noise", "--output",
                        self.path, "--settings", json.dumps(self.parameters)], check=True)
        return scipy.io.wavfile.read(self.path)[1] / 2.0**31

    def health(self, x, rate, told=True):
        scipy.io.wavfile.write(self.path, rate, np.asarray(x, dtype=np.float32))
        signal = {"name": "white-noise", "parameters": self.parameters}
        done = subprocess.run([BIN / "residuum-worker", "--file", self.path, "--health"] +
                              (["--signal", json.dumps(signal)] if told else []),
                              capture_output=True, text=True, check=True)
        return json.loads(done.stdout)["health"]

    def check(self, x, rate, kind, frame, length, tolerance):
        found = self.health(x, rate)
        for channel in found["channels"]:
            self.assertEqual(channel["dropout_count"], 1)
            dropout = channel["dropouts"][0]
            self.assertEqual(dropout["kind"], kind)
            self.assertAlmostEqual(dropout["frame"], frame, delta=16)
            self.assertAlmostEqual(dropout["length_frames"], length, delta=tolerance)
            self.assertIsNone(dropout["phase_step_deg"])
            clean = channel["clean_span"]
            self.assertTrue(clean["first_frame"] >= frame or
                            clean["first_frame"] + clean["frames"] <= frame)
        self.assertEqual([w["code"] for w in found["warnings"]], ["dropout"] * 2)
        self.assertIn(f"{kind}.", found["warnings"][0]["message"])

    def test_breaks_are_located(self):
        for rate in (48000, 192000):
            clean = self.rendered(rate)
            for name, y, tolerance in (("as rendered", clean, 0),
                                       ("through a device", through_device(clean, rate), 1)):
                frame = 5 * rate // 2 + 321
                zeroed = y.copy()
                zeroed[frame:frame + 480] = 0
                with self.subTest(f"{rate} Hz, {name}"):
                    self.assertEqual(self.health(y, rate)["warnings"], [])
                    self.check(np.delete(y, np.s_[frame:frame + 64], 0), rate, "missing",
                               frame, 64, tolerance)
                    self.check(np.insert(y, frame, y[frame - 512:frame], 0), rate, "repeated",
                               frame, 512, tolerance)
                    self.check(zeroed, rate, "zeroed", frame, 480, 1)

    def test_without_the_reference_nothing_is_told(self):
        x = np.delete(self.rendered(48000), np.s_[99000:99064], 0)
        self.assertEqual(self.health(x, 48000, told=False)["warnings"], [])

    def test_what_testers_do_is_no_break(self):
        rate = 48000
        x = self.rendered(rate, 4)
        silence = np.zeros((rate, 2))
        pieces = {"late": [silence, x, silence], "cut off": [x[:3 * rate]],
                  "begun late": [x[rate:]], "looped": [x, x, x[:rate]],
                  "begun anew": [x[:2 * rate], silence, x], "swapped": [x[:, ::-1]],
                  "inverted": [-x], "another signal": [np.random.default_rng(6).normal(
                      0, 0.1, x.shape)]}
        for name, parts in pieces.items():
            with self.subTest(name):
                self.assertNotIn("dropout", [w["code"] for w in self.health(
                    np.concatenate(parts), rate)["warnings"]])


if __name__ == "__main__":
    unittest.main()
