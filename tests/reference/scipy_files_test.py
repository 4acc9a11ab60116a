#!/usr/bin/python3
"""SciPy's own odd WAV files, as Debian's python3-scipy brings them: each is read right, which
means as scipy.io.wavfile reads it, or refused with the right code. The table says which; a
file that it does not name fails."""

import os
import pathlib
import struct
import subprocess
import tempfile
import unittest
import warnings

import numpy as np
import scipy.io
from scipy.io import wavfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(os.environ.get("RESIDUUM_BIN", ROOT / "build/release/bin"))
SAMPLES = BIN.parent / "tests/samples"
FOLDER = pathlib.Path(scipy.io.__file__).parent / "tests/data"

# name → encoding and warnings, or the code of the refusal and a word of its sentence
READ = {
    "44100Hz-2ch-32bit-float-le": ("float_32", ""),
    "44100Hz-le-1ch-4bytes": ("pcm_32", ""),
    "44100Hz-le-1ch-4bytes-early-eof": ("pcm_32", "truncated"),
    "48000Hz-2ch-64bit-float-le-wavex": ("float_64", ""),
    "8000Hz-le-3ch-5S-24bit": ("pcm_24", ""),
    "8000Hz-le-4ch-9S-12bit": ("pcm_16", ""),
}
REFUSED = {
    "44100Hz-2ch-32bit-float-be": ("unsupported_format", "RIFX"),
    "44100Hz-be-1ch-4bytes": ("unsupported_format", "RIFX"),
    "44100Hz-le-1ch-4bytes-early-eof-no-data": ("not_audio", "holds the audio"),
    "44100Hz-le-1ch-4bytes-incomplete-chunk": ("not_audio", "fewer than 16 bytes"),
    "8000Hz-be-3ch-5S-24bit": ("unsupported_format", "RIFX"),
    "8000Hz-le-1ch-10S-20bit-extra": ("out_of_range", "1234 Hz"),
    "8000Hz-le-1ch-1byte-ulaw": ("unsupported_format", "µ-law"),
    "8000Hz-le-2ch-1byteu": ("unsupported_format", "8 bits"),
    "8000Hz-le-3ch-5S-24bit-inconsistent": ("unsupported_format", "9 bytes"),
    "8000Hz-le-3ch-5S-36bit": ("unsupported_format", "36 bits"),
    "8000Hz-le-3ch-5S-45bit": ("unsupported_format", "45 bits"),
    "8000Hz-le-3ch-5S-53bit": ("unsupported_format", "53 bits"),
    "8000Hz-le-3ch-5S-64bit": ("unsupported_format", "64 bits"),
    "8000Hz-le-5ch-9S-5bit": ("unsupported_format", "5 bits"),
}


def path_of(name):
    return FOLDER / f"test-{name}.wav"


def run(path):
    return subprocess.run([SAMPLES, path], capture_output=True, check=False)


def scipy_reads(path):
    """Rate, and samples [frames, channels] at full scale ±1. SciPy puts the samples into the
    highest bits of its integers."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        rate, data = wavfile.read(path)
    if data.dtype.kind == "i":
        data = data / 2.0 ** (8 * data.dtype.itemsize - 1)
    return rate, data.astype(np.float64).reshape(len(data), -1)


class ScipyFiles(unittest.TestCase):
    def check_read(self, path, encoding, codes):
        done = run(path)
        self.assertEqual(done.returncode, 0, done.stderr)
        head, warned, samples = done.stdout.split(b"\n", 2)
        rate, want = scipy_reads(path)
        frames, channels = want.shape
        self.assertEqual(head.decode(), f"wav {encoding} {rate} {channels} {frames}")
        self.assertEqual(warned.decode(), codes)
        got = np.frombuffer(samples).reshape(-1, channels)
        np.testing.assert_array_equal(got, want)

    def test_table_names_every_file(self):
        present = {path.stem.removeprefix("test-") for path in FOLDER.glob("*.wav")}
        self.assertEqual(present, set(READ) | set(REFUSED))

    def test_files_are_read_as_scipy_reads_them(self):
        for name, (encoding, codes) in READ.items():
            with self.subTest(name):
                self.check_read(path_of(name), encoding, codes)

    def test_files_are_refused_by_their_name(self):
        for name, (code, word) in REFUSED.items():
            with self.subTest(name):
                done = run(path_of(name))
                self.assertEqual(done.returncode, 1)
                told, sentence = done.stderr.decode().split(" ", 1)
                self.assertEqual(told, code)
                self.assertIn(word, sentence)

    def test_20_bits_with_more_below_them_are_read_as_they_are(self):
        """The same file at a rate that can be measured. Rate and bytes per second are at byte
        24."""
        content = bytearray(path_of("8000Hz-le-1ch-10S-20bit-extra").read_bytes())
        content[24:32] = struct.pack("<II", 8000, 24000)
        with tempfile.NamedTemporaryFile(suffix=".wav") as file:
            file.write(content)
            file.flush()
            self.check_read(file.name, "pcm_24", "")

    def test_files_that_scipy_writes_are_read(self):
        random = np.random.default_rng(7)
        for dtype, encoding in ((np.int16, "pcm_16"), (np.int32, "pcm_32"),
                                (np.float32, "float_32"), (np.float64, "float_64")):
            scale = np.iinfo(dtype).max if dtype in (np.int16, np.int32) else 1
            data = (scale * random.uniform(-1, 1, (999, 3))).astype(dtype)
            with self.subTest(encoding), tempfile.NamedTemporaryFile(suffix=".wav") as file:
                wavfile.write(file.name, 96000, data)
                self.check_read(file.name, encoding, "")


if __name__ == "__main__":
    unittest.main()
