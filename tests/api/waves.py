"""Recordings for the tests, made by other means than the code under test (numpy)."""

import struct

import numpy

RATE_HZ = 48000


def tone(frequency_hz=997.0, level_dbfs=-1.0, duration_s=1.0, channels=1, harmonics=(),
         noise_dbfs=None, seed=1, rate_hz=RATE_HZ):
    """Samples [frames, channels] in ±1.0. harmonics: (order, level in dB re the tone)."""
    t = numpy.arange(round(duration_s * rate_hz)) / rate_hz
    peak = 10 ** (level_dbfs / 20)
    x = peak * numpy.sin(2 * numpy.pi * frequency_hz * t)
    for order, level_dbc in harmonics:
        x += peak * 10 ** (level_dbc / 20) * numpy.sin(2 * numpy.pi * order * frequency_hz * t)
    samples = numpy.repeat(x[:, None], channels, axis=1)
    if noise_dbfs is not None:
        # 0 dBFS is a sine of peak 1, rms 1/√2
        rms = 10 ** (noise_dbfs / 20) / numpy.sqrt(2)
        samples = samples + numpy.random.default_rng(seed).normal(0, rms, samples.shape)
    return samples


def tones(parts, duration_s=1.0, channels=1, noise_dbfs=None, seed=1):
    """Sines of (frequency in Hz, level in dBFS), added up, and noise."""
    silence = tone(level_dbfs=-1000, duration_s=duration_s, channels=channels,
                   noise_dbfs=noise_dbfs, seed=seed)
    return silence + sum(tone(frequency_hz, level_dbfs, duration_s, channels)
                         for frequency_hz, level_dbfs in parts)


def pcm(samples, bits):
    """Little-endian integer samples, interleaved."""
    full = 1 << (bits - 1)
    codes = numpy.clip(numpy.round(samples * full), -full, full - 1).astype("<i4")
    raw = codes.reshape(-1, 1).view(numpy.uint8)
    return raw[:, : bits // 8].tobytes()


def wav(samples, bits=24, rate_hz=RATE_HZ):
    return riff(pcm(samples, bits), samples.shape[1], rate_hz, bits)


def riff(data, channels, rate_hz, bits, tag=1, data_bytes=None, extra=b""):
    """A WAV file around `data`; data_bytes lies about its length where given."""
    block = channels * bits // 8
    fmt = struct.pack("<HHIIHH", tag, channels & 0xFFFF, rate_hz, (rate_hz * block) & 0xFFFFFFFF,
                      block & 0xFFFF, bits)
    length = len(data) if data_bytes is None else data_bytes
    pad = b"\0" * (len(data) % 2)
    body = (b"WAVE" + b"fmt " + struct.pack("<I", len(fmt)) + fmt + extra
            + b"data" + struct.pack("<I", length) + data + pad)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def float_wav(samples, rate_hz=RATE_HZ):
    """32-bit float, tag 3."""
    data = samples.astype("<f4").tobytes()
    return riff(data, samples.shape[1], rate_hz, 32, tag=3)


def rf64(samples, frames, rate_hz=RATE_HZ):
    """An RF64 of 16 bits whose ds64 chunk claims `frames` frames."""
    channels = samples.shape[1]
    data = pcm(samples, 16)
    claimed = frames * channels * 2
    fmt = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * channels * 2, channels * 2, 16)
    ds64 = struct.pack("<QQQI", claimed + 72, claimed, frames, 0)
    return (b"RF64" + b"\xff\xff\xff\xff" + b"WAVE"
            + b"ds64" + struct.pack("<I", len(ds64)) + ds64
            + b"fmt " + struct.pack("<I", len(fmt)) + fmt
            + b"data" + b"\xff\xff\xff\xff" + data)


def flac_header(rate_hz=48000, channels=1, bits=16, frames=48000):
    """The head of a FLAC file with one STREAMINFO block (RFC 9639, 8.2), and no frame."""
    packed = (rate_hz << 44) | ((channels - 1) << 41) | ((bits - 1) << 36) | frames
    info = struct.pack(">HH", 4096, 4096) + bytes(6) + packed.to_bytes(8, "big") + bytes(16)
    return b"fLaC" + b"\x80" + len(info).to_bytes(3, "big") + info
