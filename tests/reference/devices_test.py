"""Recordings made by other programs, measured here and by another method.

SoX, an Opus and a Vorbis round trip stand in as devices under test. The other method is
least_squares.py; both must agree to 0.02 dB. A minute is recorded, since the two weigh the
noise differently in time: at 10 s that alone is worth 0.015 dB. A bound is a statement about
noise that does not change; the codecs' does, so their bounds are not compared.
"""
import subprocess
import tempfile
import unittest

import bench
import least_squares

TOLERANCE_DB = 0.02
TONE_HZ = 997
CHANGING = ("Opus", "Vorbis")

# What is done to tone.wav to get out.wav. -D: SoX shall not dither.
DEVICES = {
    "gain": ["sox -D tone.wav out.wav gain -3.3"],
    "overdrive, light": ["sox -D tone.wav out.wav overdrive 1 10 gain -3"],
    "overdrive, heavy": ["sox -D tone.wav out.wav overdrive 12 30 gain -6"],
    "rate to 44.1 kHz": ["sox -D tone.wav out.wav rate -v 44100"],
    "rate to 96 kHz, low quality": ["sox -D tone.wav out.wav rate -l 96000"],
    "16 bits": ["sox -D tone.wav -b 16 out.wav gain -1 dither"],
    "Opus": [
        "opusenc --quiet --bitrate 128 tone.wav between.opus",
        "opusdec --quiet --rate 48000 --no-dither between.opus out.wav",
    ],
    "Vorbis": ["oggenc -Q -q 6 tone.wav -o between.ogg", "oggdec -Q between.ogg -o out.wav"],
}


class DevicesTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = bench.harness.Daemon()
        cls.folder = tempfile.TemporaryDirectory(prefix="residuum-devices-")
        bench.render(
            cls.daemon, f"{cls.folder.name}/tone.wav", frequency_hz=TONE_HZ, level_dbfs=-6,
            duration_s=60, channels=1, bits=24, sample_rate_hz=48000,
        )

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()
        cls.daemon.stop()

    def close(self, what, got, want):
        print(f"    {what:18} {got:12.5f}  least squares {want:12.5f}  {got - want:+.5f}")
        self.assertLessEqual(abs(got - want), TOLERANCE_DB, what)

    def compare(self, path, bounds):
        result, _ = bench.measure(self.daemon, path)
        rate, x = bench.samples(path)
        channel = result["channels"][0]
        figures = channel["figures"]
        first, last = bench.span(channel, rate)
        want = least_squares.figures(
            x[first:last, 0], rate, TONE_HZ, bench.bin_hz(channel, rate)
        )
        ppm = 1e6 * (figures["fundamental_frequency"]["value"] / want["fundamental_frequency"] - 1)
        self.assertLessEqual(abs(ppm), 0.01)
        for name in ("fundamental_level", "thd_plus_noise", "sinad"):
            self.close(name, figures[name]["value"], want[name])
        thd = figures["thd"]
        if thd["value"] is None:
            self.assertLess(want["thd"], thd["bound"])
        elif thd["u95"] < TOLERANCE_DB:
            self.close("thd", thd["value"], want["thd"])
        for harmonic in channel["lists"]["harmonics"]:
            level = want["harmonics"].get(harmonic["order"])
            if harmonic["level_dbc"] is None:
                if bounds:
                    self.assertLess(level, harmonic["bound_dbc"] + TOLERANCE_DB)
            elif harmonic["u95_db"] < TOLERANCE_DB:
                self.close(f"harmonic {harmonic['order']}", harmonic["level_dbc"], level)

    def test_figures_agree_with_least_squares(self):
        for name, commands in DEVICES.items():
            with self.subTest(name):
                print(f"  {name}")
                for command in commands:
                    subprocess.run(command.split(), cwd=self.folder.name, check=True)
                self.compare(f"{self.folder.name}/out.wav", name not in CHANGING)


if __name__ == "__main__":
    unittest.main(verbosity=2)
