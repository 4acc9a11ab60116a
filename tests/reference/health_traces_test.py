#!/usr/bin/python3
"""What health says of recordings that other programs made: NumPy and SoX as resamplers, Opus
and Vorbis as devices that are none. Levels of image lines are checked by a least-squares fit.
"""
import json
import os
import pathlib
import subprocess
import tempfile
import unittest

import numpy as np
import scipy.io.wavfile

BIN = pathlib.Path(os.environ["RESIDUUM_BIN"])
CODES = {"possible_resampler", "mains_suspected", "clock_offset"}
DURATION_S = 10


def health(path, *more):
    done = subprocess.run([BIN / "residuum-worker", "--file", path, "--health", *more],
                          capture_output=True, text=True, check=True)
    return json.loads(done.stdout)["health"]


def told(found):
    return {warning["code"]: warning["message"] for warning in found["warnings"]
            if warning["code"] in CODES}


def level_dbc(x, rate, hz, tone_hz):
    """Of one line against the tone: both fitted together by least squares."""
    t = np.arange(len(x)) / rate
    columns = [f(2 * np.pi * v * t) for v in (tone_hz, hz) for f in (np.cos, np.sin)]
    a = np.linalg.lstsq(np.stack(columns, 1), x, rcond=None)[0]
    return 20 * np.log10(np.hypot(a[2], a[3]) / np.hypot(a[0], a[1]))


class Traces(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory(prefix="residuum-traces-")
        self.addCleanup(self.folder.cleanup)

    def path(self, name):
        return os.path.join(self.folder.name, name)

    def run_in_folder(self, command):
        subprocess.run(command, cwd=self.folder.name, shell=True, check=True,
                       capture_output=True)

    def test_linear_interpolation_of_numpy(self):
        at = np.arange(48000 * DURATION_S) / 48000
        given = np.arange(44100 * DURATION_S + 2) / 44100
        x = np.interp(at, given, 0.8 * np.sin(2 * np.pi * 997 * given))
        scipy.io.wavfile.write(self.path("x.wav"), 48000, x)
        said = told(health(self.path("x.wav")))
        self.assertEqual(set(said), {"possible_resampler"})
        self.assertIn("from 44100 to 48000 Hz", said["possible_resampler"])
        levels = [level_dbc(x, 48000, hz, 997) for hz in (4897, 2903)]
        self.assertIn("4897 and 2903 Hz (%.1f and %.1f dBc)" % tuple(levels),
                      said["possible_resampler"])

    def test_interpolation_and_resampling_of_sox(self):
        """SoX's `rate -q` interpolates with a cubic; -v leaves nothing to see."""
        rates = ((44100, 48000), (48000, 44100), (44100, 96000), (44100, 192000))
        for source, rate in rates:
            with self.subTest(f"{source} to {rate} Hz"):
                self.run_in_folder(f"sox -D -n -r {source} -b 32 a.wav synth {DURATION_S} "
                                   "sine 6131 gain -3")
                self.run_in_folder(f"sox -D a.wav -b 32 q.wav rate -q {rate}")
                self.run_in_folder(f"sox -D a.wav -b 32 v.wav rate -v {rate}")
                said = told(health(self.path("q.wav")))
                self.assertEqual(set(said), {"possible_resampler"})
                self.assertIn(f"from {source} to {rate} Hz", said["possible_resampler"])
                self.assertEqual(told(health(self.path("v.wav"))), {})

    def test_codecs_are_no_resamplers(self):
        self.run_in_folder(f"sox -D -n -r 48000 -b 24 a.wav synth {DURATION_S} sine 997 gain -6")
        self.run_in_folder("opusenc --quiet --bitrate 128 a.wav a.opus && "
                           "opusdec --quiet --rate 48000 --no-dither a.opus opus.wav")
        self.run_in_folder("oggenc -Q -q 6 a.wav -o a.ogg && oggdec -Q a.ogg -o vorbis.wav")
        for name in ("opus.wav", "vorbis.wav"):
            with self.subTest(name):
                found = health(self.path(name))
                self.assertEqual(told(found), {})
                self.assertAlmostEqual(found["channels"][0]["tone_frequency_hz"], 997, 4)

    def test_clock_offset_of_a_tone_that_is_known(self):
        n = np.arange(48000 * DURATION_S)
        noise = np.random.default_rng(50).standard_normal(len(n))
        x = 0.5 * np.sin(2 * np.pi * 997 * (1 + 50e-6) * n / 48000) + 1e-5 * noise
        scipy.io.wavfile.write(self.path("x.wav"), 48000, x)
        signal = json.dumps({"name": "tone", "parameters": {"frequency_hz": 997}})
        found = health(self.path("x.wav"), "--signal", signal)
        self.assertAlmostEqual(found["channels"][0]["clock_offset_ppm"], 50, delta=0.5)
        self.assertIn("50.0 ppm above nominal", told(found)["clock_offset"])
        self.assertEqual(told(health(self.path("x.wav"))), {})


if __name__ == "__main__":
    unittest.main()
