"""Recordings for the benchmarks: an invented adapter playing a tone, 24 bits, 192 kHz, stereo.
Noise and dither make up no figure here; they keep the numbers from being all alike."""

import os
import struct

import numpy as np

RATE_HZ = 192000
FRAME_BYTES = 6
PIECE_S = 10


def piece(random):
    """Whole periods of the tone, so that pieces join without a step."""
    frames = PIECE_S * RATE_HZ
    turns = (np.arange(frames, dtype=np.int64) * 9971 % (10 * RATE_HZ)) / (10.0 * RATE_HZ)
    phase = 2 * np.pi * turns
    both = np.empty((frames, 2))
    both[:, 0] = 0.7 * np.sin(phase) + 1e-5 * np.sin(2 * phase)
    both[:, 1] = 0.69 * np.sin(phase + 0.1) + 2e-5 * np.sin(3 * phase)
    both += 3e-6 * random.standard_normal(both.shape)
    whole = np.round(both * 8388607).astype("<i4")
    return whole.reshape(-1, 1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def write(path, frames):
    """Writes a WAV file and sees that it is on the disk; returns its size in bytes."""
    random = np.random.default_rng(192)
    data_bytes = frames * FRAME_BYTES
    with open(path, "wb") as file:
        file.write(b"RIFF" + struct.pack("<I", 36 + data_bytes) + b"WAVEfmt " +
                   struct.pack("<IHHIIHH", 16, 1, 2, RATE_HZ, RATE_HZ * FRAME_BYTES,
                               FRAME_BYTES, 24) + b"data" + struct.pack("<I", data_bytes))
        pieces = [piece(random) for _ in range(3)]
        written = 0
        while written < data_bytes:
            part = pieces[written // len(pieces[0]) % len(pieces)]
            written += file.write(part[:data_bytes - written])
        file.flush()
        os.fsync(file.fileno())
    return os.path.getsize(path)
