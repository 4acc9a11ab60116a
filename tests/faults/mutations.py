"""Recordings made hostile: whole ones (tests/fuzz/corpus.py and larger), changed in one of
many ways by chance. Mutation number i of a seed is always the same."""

import pathlib
import random
import struct
import sys

ROOT = pathlib.Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "api"), str(ROOT / "fuzz")]

import corpus  # noqa: E402 (after the paths to them)
import waves  # noqa: E402

SIZES = (0, 1, 2, 3, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF,
         0x7FFFF000, 0xFFFFF000)
COUNTS = (0, 17, 255, 256, 1024, 0x7FFF, 0xFFFF)
TEXT = "The desk by the window hums; unit B does not.\r\n" * 20


def bases():
    """[(name, bytes)]: small ones of every container, and some with enough to measure."""
    small = sorted(corpus.recordings().items())
    tone = waves.tone(duration_s=0.5, channels=2, noise_dbfs=-90, harmonics=((2, -70),))
    big = [("tone_16", waves.wav(tone, 16)), ("tone_24", waves.wav(tone, 24)),
           ("tone_float", waves.float_wav(tone)), ("tone_rf64", waves.rf64(tone, len(tone))),
           ("tone_flac", corpus.flac(tone, 24))]
    return small + 3 * big


class Mutator:
    def __init__(self, seed):
        self.seed, self.bases = seed, bases()

    def make(self, number):
        """(words that say what was done, the bytes)"""
        chance = random.Random(f"{self.seed}/{number}")
        name, content = chance.choice(self.bases)
        done = []
        for _ in range(chance.choice((1, 1, 1, 2, 3))):
            way = chance.choice(WAYS)
            done.append(way.__name__)
            content = way(self, chance, content)
        return f"{number}: {name}, {', '.join(done)}, {len(content)} bytes", content


def flip_bits(_mutator, chance, content):
    changed = bytearray(content)
    reach = chance.choice((64, 256, len(changed)))  # mostly headers
    for _ in range(chance.choice((1, 3, 20))):
        if changed:
            changed[chance.randrange(min(reach, len(changed)))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def cut_off(_mutator, chance, content):
    return content[:chance.randrange(len(content) + 1)]


def splice(mutator, chance, content):
    _, other = chance.choice(mutator.bases)
    return content[:chance.randrange(len(content) + 1)] + other[chance.randrange(len(other)):]


def lie_about_a_size(_mutator, chance, content):
    """In the four or eight bytes behind a chunk's name, or at the head of the file."""
    places = [at + 4 for at in map(content.find, (b"data", b"fmt ", b"ds64", b"LIST", b"SSND", b"COMM",
                                                  b"desc", b"FORM", b"RIFF", b"fact")) if at >= 0]
    at = chance.choice(places or [4])
    size = chance.choice(SIZES)
    form = chance.choice(("<I", ">I", "<Q", ">Q"))
    lie = struct.pack(form, size << 32 | size if form[1] == "Q" and chance.random() < 0.5 else size)
    return content[:at] + lie + content[at + len(lie):]


def chunks_of(content):
    """The head and the chunks of a RIFF file; one piece of anything else."""
    if content[:4] not in (b"RIFF", b"RF64", b"BW64"):
        return content[:12], [content[12:]]
    pieces, at = [], 12
    while at + 8 <= len(content) and len(pieces) < 50:
        size = 8 + struct.unpack_from("<I", content, at + 4)[0]
        pieces.append(content[at:at + size + size % 2])
        at += size + size % 2
    return content[:12], pieces + [content[at:]]


def reorder_chunks(_mutator, chance, content):
    head, pieces = chunks_of(content)
    chance.shuffle(pieces)
    return head + b"".join(pieces)


def repeat_or_drop_a_chunk(_mutator, chance, content):
    head, pieces = chunks_of(content)
    at = chance.randrange(len(pieces))
    pieces[at:at + 1] = [pieces[at]] * chance.choice((0, 2, 3))
    return head + b"".join(pieces)


def many_empty_chunks(_mutator, chance, content):
    return content[:12] + b"junk\0\0\0\0" * chance.choice((10, 1000, 20000)) + content[12:]


def damage_frames(_mutator, chance, content):
    """Bytes behind the head: taken out, doubled, zeroed or overwritten."""
    if len(content) < 100:
        return content
    first = chance.randrange(60, len(content))
    last = min(len(content), first + chance.choice((1, 7, 100, 4096)))
    part = content[first:last]
    put = chance.choice((b"", part + part, bytes(len(part)), chance.randbytes(len(part))))
    return content[:first] + put + content[last:]


def lie_about_channels(_mutator, chance, content):
    at = content.find(b"fmt ")
    if at < 0:
        return flip_bits(_mutator, chance, content)
    return content[:at + 10] + struct.pack("<H", chance.choice(COUNTS)) + content[at + 12:]


def lie_about_the_format(_mutator, chance, content):
    """One of tag, rate, bytes a second, block and bits."""
    at = content.find(b"fmt ")
    if at < 0:
        return flip_bits(_mutator, chance, content)
    offset, form = chance.choice(((8, "<H"), (12, "<I"), (16, "<I"), (20, "<H"), (22, "<H")))
    value = chance.choice((*COUNTS, 1, 3, 8, 20, 24, 32, 64, 44100, 0xFFFE))
    lie = struct.pack(form, value)
    return content[:at + offset] + lie + content[at + offset + len(lie):]


def no_numbers(_mutator, chance, content):
    """NaN and infinity, if the samples are floats."""
    at = chance.randrange(len(content) + 1) & ~3
    return content[:at] + chance.choice((b"\0\0\xc0\x7f", b"\0\0\x80\xff")) + content[at + 4:]


def strip_as_curl_does(_mutator, _chance, content):
    return content.translate(None, b"\r\n\0")


def text_instead(_mutator, chance, _content):
    return TEXT[:chance.randrange(len(TEXT))].encode()


def noise_instead(_mutator, chance, content):
    return content[:chance.choice((0, 4, 12, 44))] + chance.randbytes(chance.randrange(5000))


WAYS = (flip_bits, flip_bits, cut_off, splice, lie_about_a_size, lie_about_a_size, reorder_chunks,
        repeat_or_drop_a_chunk, many_empty_chunks, damage_frames, damage_frames,
        lie_about_channels, lie_about_the_format, no_numbers, strip_as_curl_does, text_instead,
        noise_instead)
