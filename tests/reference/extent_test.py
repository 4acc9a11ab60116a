"""From 1 s to 1 h, from mono to eight channels, from 44.1 to 768 kHz: the same right figures,
and a worker whose memory does not grow with the recording.

Each recording is a tone with a second harmonic of −80 dBc and white noise: closed form.
"""
import json
import os
import resource
import subprocess
import tempfile
import unittest

import numpy as np
import scipy.io.wavfile

import bench

WORKER = bench.harness.BIN / "residuum-worker"
LEVEL_DBFS, HARMONIC_DBC, NOISE_DBFS = -3.0, -80.0, -90.0
# Stereo at 192 kHz takes 32 MiB or less; the figure is the whole process's.
MEMORY_LIMIT_MIB = 64


def sanitized():
    libraries = subprocess.run(["ldd", WORKER], capture_output=True, text=True, check=True)
    return "libasan" in libraries.stdout or "libtsan" in libraries.stdout


def measure(path):
    """Result and peak memory in MiB of the worker on the command line, in a child of its own."""
    code = (
        "import resource, subprocess, sys\n"
        "subprocess.run(sys.argv[1:], check=True)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, file=sys.stderr)\n"
    )
    command = ["/usr/bin/python3", "-c", code, WORKER, "--file", path, "--measure", "distortion"]
    done = subprocess.run([str(part) for part in command], capture_output=True, check=True)
    return json.loads(done.stdout), int(done.stderr.split()[-1]) / 1024


class ExtentTest(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory(prefix="residuum-extent-")
        self.addCleanup(self.folder.cleanup)

    def record(self, rate, channels, seconds):
        """Written piece by piece; the tone repeats each second, the noise does not."""
        path = os.path.join(self.folder.name, "take.wav")
        random = np.random.default_rng(rate + channels)
        t = np.arange(rate) / rate
        amplitude = 10 ** (LEVEL_DBFS / 20)
        tone = np.sin(2 * np.pi * 997 * t) + 10 ** (HARMONIC_DBC / 20) * np.sin(
            2 * np.pi * 2 * 997 * t
        )
        rms = np.sqrt(0.5 * 10 ** (NOISE_DBFS / 10) * (rate / 2) / (20000 - 20))
        header = np.zeros((rate, channels), np.float32)
        scipy.io.wavfile.write(path, rate, header)
        with open(path, "r+b") as file:
            file.seek(0, os.SEEK_END)
            head = file.tell() - header.nbytes
            file.seek(head)
            for _ in range(seconds):
                noise = random.standard_normal((rate, channels), dtype=np.float32)
                file.write((amplitude * tone[:, None] + rms * noise).astype("<f4").tobytes())
            size = file.tell()
            file.seek(4)
            file.write((size - 8).to_bytes(4, "little"))
            file.seek(head - 4)
            file.write((size - head).to_bytes(4, "little"))
        return path

    def check(self, rate, channels, seconds):
        result, memory = measure(self.record(rate, channels, seconds))
        self.assertEqual(len(result["channels"]), channels)
        for channel in result["channels"]:
            figures = {name: f["value"] for name, f in channel["figures"].items()}
            second = channel["lists"]["harmonics"][0]
            tolerance = 0.05 if seconds >= 10 else 0.25
            self.assertLess(abs(figures["fundamental_level"] - LEVEL_DBFS), 0.001)
            self.assertLess(abs(figures["fundamental_frequency"] / 997 - 1), 5e-8)
            self.assertLess(abs(second["level_dbc"] - HARMONIC_DBC), max(0.02, 2 * second["u95_db"]))
            self.assertLess(abs(figures["noise_level"] - NOISE_DBFS), tolerance)
            self.assertLess(abs(figures["snr"] - (LEVEL_DBFS - NOISE_DBFS)), tolerance)
        print(f"  {rate} Hz, {channels} channels, {seconds} s: {memory:.1f} MiB")
        return memory

    def test_rates_and_channels(self):
        for rate in (44100, 48000, 88200, 96000, 176400, 192000, 384000, 768000):
            with self.subTest(rate):
                self.check(rate, 1, 2)
                self.check(rate, 2, 10)
        for channels in (3, 8):
            with self.subTest(channels=channels):
                self.check(768000, channels, 1)
                self.check(48000, channels, 10)

    def test_one_hour(self):
        short = self.check(48000, 2, 10)
        long = self.check(48000, 2, 3600)
        if not sanitized():
            self.assertLess(long, short + 4)  # 50 ms levels: 12 bytes a channel, 0.9 MB
            self.assertLess(long, MEMORY_LIMIT_MIB)


if __name__ == "__main__":
    unittest.main(verbosity=2)
