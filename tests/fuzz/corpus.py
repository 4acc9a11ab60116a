#!/usr/bin/python3
"""corpus.py FOLDER: writes FOLDER/TARGET/NAME, small whole inputs from which each fuzz target
sets out. Recordings come from header bytes and from the flac program."""

import json
import pathlib
import struct
import subprocess
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "api"))

import numpy  # noqa: E402
import waves  # noqa: E402 (after the path to it)

FRAMES = 300  # of each recording


def chunk(name, content, order="<", pad=True):
    return (name + struct.pack(order + "I", len(content)) + content
            + b"\0" * (pad and len(content) % 2))


def fmt(channels=1, bits=16, rate_hz=48000, tag=1, valid_bits=None):
    block = channels * bits // 8
    plain = struct.pack("<HHIIHH", tag if valid_bits is None else 0xFFFE, channels, rate_hz,
                        rate_hz * block, block, bits)
    if valid_bits is None:
        return plain
    guid = struct.pack("<H", tag) + bytes.fromhex("000000001000800000aa00389b71")
    return plain + struct.pack("<HHI", 22, valid_bits, 0) + guid


def riff(chunks, magic=b"RIFF", length=None):
    return magic + struct.pack("<I", len(chunks) + 4 if length is None else length) + b"WAVE" + chunks


def wavs(pcm, floats, doubles):
    """The family of RIFF, with what recorders put into it and what they get wrong."""
    plain, data = chunk(b"fmt ", fmt()), chunk(b"data", pcm)
    info = chunk(b"LIST", b"INFO" + chunk(b"IART", b"unit C\0"))
    bext = chunk(b"bext", b"take 1".ljust(602, b"\0"))
    ixml = chunk(b"iXML", b"<BWFXML><PROJECT>desk 3</PROJECT></BWFXML>")
    ds64 = chunk(b"ds64", struct.pack("<QQQI", len(pcm) + 72, len(pcm), FRAMES, 0))
    endless = b"data" + struct.pack("<I", 0xFFFFFFFF) + pcm
    return {
        "plain": riff(plain + data),
        "pcm_24": riff(chunk(b"fmt ", fmt(2, 24)) + chunk(b"data", (pcm * 3)[:FRAMES * 6])),
        "pcm_32": riff(chunk(b"fmt ", fmt(1, 32)) + chunk(b"data", (pcm * 2)[:FRAMES * 4])),
        "float_32": riff(chunk(b"fmt ", fmt(1, 32, tag=3)) + chunk(b"data", floats)),
        "float_64": riff(chunk(b"fmt ", fmt(1, 64, tag=3)) + chunk(b"data", doubles)),
        "extensible": riff(chunk(b"fmt ", fmt(1, 32, valid_bits=24)) + chunk(b"data", floats)),
        "chunks": riff(info + plain + bext + ixml + data + info),
        "odd_chunk": riff(plain + chunk(b"note", b"odd") + data),
        "unpadded": riff(plain + chunk(b"note", b"odd", pad=False) + data),
        "sixteen_channels": riff(chunk(b"fmt ", fmt(16)) + data),
        "two_of_each": riff(plain + plain + data + data),
        "partial_frame": riff(plain + chunk(b"data", pcm[:-1])),
        "cut_off": riff(plain + data)[:-100],
        "size_0": riff(plain + b"data" + bytes(4) + pcm, length=0),
        "size_ffffffff": riff(plain + endless, length=0xFFFFFFFF),
        "size_7ffff000": riff(plain + b"data" + struct.pack("<I", 0x7FFFF000) + pcm),
        "empty": riff(plain + chunk(b"data", b"")),
        "rf64": riff(ds64 + plain + endless, b"RF64", 0xFFFFFFFF),
        "bw64": riff(ds64 + plain + chunk(b"axml", b"<x/>") + endless, b"BW64", 0xFFFFFFFF),
    }


def w64(pcm):
    def part(name, content):
        guid = name + bytes.fromhex("f3acd3118cd100c04f8edb8a")
        return guid + struct.pack("<Q", 24 + len(content)) + content + b"\0" * (-len(content) % 8)

    body = (b"wave" + bytes.fromhex("f3acd3118cd100c04f8edb8a") + part(b"fmt ", fmt())
            + part(b"data", pcm))
    return b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000") + struct.pack("<Q", 24 + len(body)) + body


def aiff(pcm, kind=b"AIFF", compression=b""):
    rate = struct.pack(">HQ", 16383 + 15, 48000 << 48)
    comm = struct.pack(">HIH", 1, FRAMES, 16) + rate + compression
    body = kind + chunk(b"COMM", comm, ">") + chunk(b"NAME", b"take", ">") + chunk(
        b"SSND", bytes(8) + pcm, ">")
    return b"FORM" + struct.pack(">I", len(body)) + body


def caf(pcm):
    desc = struct.pack(">d4sIIIII", 48000.0, b"lpcm", 2, 2, 1, 1, 16)
    return (b"caff" + struct.pack(">HH", 1, 0) + b"desc" + struct.pack(">q", len(desc)) + desc
            + b"data" + struct.pack(">qI", len(pcm) + 4, 0) + pcm)


def flac(samples, bits, *options):
    with tempfile.NamedTemporaryFile(suffix=".flac") as file:  # the MD5 is written at the end
        subprocess.run(
            ["flac", "--totally-silent", "--force", "--no-padding", "--no-seektable",
             "-o", file.name, *options, "-"], input=waves.wav(samples, bits), check=True)
        return pathlib.Path(file.name).read_bytes()


def flacs():
    tone, stereo = (waves.tone(duration_s=FRAMES / 48000, channels=channels, noise_dbfs=-80)
                    for channels in (1, 2))
    whole = flac(stereo, 16, "--blocksize=64")
    first = whole.find(b"\xff\xf8", 42)  # the first frame
    nameless = bytearray(whole)
    nameless[26:42] = bytes(16)  # no MD5
    endless = bytearray(whole)
    endless[21] &= 0xF0
    endless[22:26] = bytes(4)  # no number of frames
    damaged = bytearray(whole)
    damaged[first + 90] ^= 0x40
    return {
        "mono": flac(tone, 16), "pcm_24": flac(stereo, 24), "frames": whole,
        "verbatim": flac(tone, 16, "-0", "--disable-fixed-subframes"),
        "silence": flac(stereo * 0, 16, "--blocksize=4608"),
        "seek_table": flac(stereo, 16, "--blocksize=64", "--seekpoint=64x"),
        "picture": flac(tone, 16, "--tag=TITLE=take 1", "--padding=8"),
        "no_md5": bytes(nameless), "no_length": bytes(endless), "damaged": bytes(damaged),
        "cut_off": whole[:-75], "after_an_id3_tag": b"ID3\4\0\0\0\0\0\4" + bytes(4) + whole,
        "header_only": waves.flac_header(),
    }


def recordings():
    tone = waves.tone(duration_s=FRAMES / 48000)
    pcm = waves.pcm(tone, 16)
    big = b"".join(pcm[i + 1:i + 2] + pcm[i:i + 1] for i in range(0, len(pcm), 2))
    made = wavs(pcm, tone.astype("<f4").tobytes(), tone.astype("<f8").tobytes())
    made.update({"w64": w64(pcm), "aiff": aiff(big), "aifc": aiff(
        pcm, b"AIFC", b"sowt\0\0"), "caf": caf(big)})
    made.update({"flac_" + name: content for name, content in flacs().items()})
    made["text"] = b"No recording at all: a note that the desk by the window hums.\n"
    return made


SETTINGS = (
    {}, {"channels": [1, 2], "start_s": 0.5, "duration_s": 2, "band_hz": [20, 20000]},
    {"harmonics": 5, "frequency_hz": 997.0}, {"channels": None, "start_s": -1},
    {"band_hz": [20000, 20]}, {"harmonics": 1e300, "unknown": "x"},
)
PARAMETERS = (
    {}, {"frequency_hz": 997, "level_dbfs": -1, "duration_s": 2, "sample_rate_hz": 48000,
         "bits": 24, "channels": 2, "dither": "tpdf"},
    {"bits": 17, "sample_rate_hz": "48000"}, {"frequency_hz": [1, 2]},
)
MEASUREMENTS = ("distortion", "noise", "intermodulation", "multitone", "jitter")
PLAYABLE = (
    {"name": "tone", "parameters": {"frequency_hz": 997}}, {"name": "silence"},
    {"name": "twin-tone", "parameters": {"kind": "pair", "frequency_1_hz": 250.5}},
    {"name": "multitone", "parameters": {"count": 5, "lowest_hz": 100}},
    {"name": "jitter-pattern", "parameters": {"pattern_bits": 16}},
    {"name": "white-noise", "parameters": {"level_dbfs": -20}},
)
SIGNALS = (*PLAYABLE, {"name": "tune"}, None, [])


def requests():
    capture = "cap_" + "a2" * 10
    made = [{"capture": capture, "measurement": "distortion", "settings": settings}
            for settings in SETTINGS]
    made += [{"name": "tone", "parameters": parameters} for parameters in PARAMETERS]
    made += [{"capture": capture, "measurement": measurement, "settings": {}, "signal": signal}
             for measurement in MEASUREMENTS for signal in SIGNALS]
    made += [
        {"capture": capture, "measurement": "distortion", "floor_capture": capture},
        {"name": "take 1", "note": "line\nand line", "pinned": True},
        {"name": "Tonaufnahme \u00fc\u20ac\U0001f399", "pinned": None},
        {"frequency_hz": "997", "dither": "tpdf", "bits": "24", "channels": "[1,2]"},
        {"a": [[[[[[[[[[[[[[1]]]]]]]]]]]]]]},
    ]
    texts = [json.dumps(body).encode() for body in made]
    texts += [b'{"a":1,"a":2}', b"[]", b"1e999", b'{"capture":"\\u0000"}', b"{" * 20,
              b'{"name":"\xff"}', b"\xef\xbb\xbf{}", "{\"n\":\"\u20ac\"}".encode("utf-16")]
    return {f"{i:02}": text for i, text in enumerate(texts)}


HEADERS = (
    b"GET /v1/captures?limit=20&cursor=p1f&tester=local HTTP/1.1\nHost: 127.0.0.1:8737\n"
    b"Accept: text/csv;q=0.5, application/json; q=0.8, */*;q=0.1\nPrefer: wait=30\n",
    b"POST /v1/captures?name=take%201&note=%C3%BC+x&measure=distortion\nHost: localhost\n"
    b"Content-Length: 1044\nContent-Digest: sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:\n"
    b"Idempotency-Key: 8e03978e-40d5-43dd-bc93-6894a57f9324\nOrigin: http://localhost\n",
    b"GET /v1/captures/cap_a2a2a2a2a2a2a2a2a2a2/audio\nHost: [::1]:80\nRange: bytes=0-99\n"
    b'If-Range: "wav-0123456789abcdef"\nIf-None-Match: W/"a", "wav-0123456789abcdef", *\n',
    b"GET http://localhost:8737/v1/signals/tone/audio?frequency_hz=1e3&bits=24\n"
    b"Host: localhost:8737\nRange: bytes=-500,\n",
    b"PATCH /v1/captures/x\nHost: localhost\nTransfer-Encoding: chunked\nIf-Match: *\n"
    b"If-Unmodified-Since: Sat, 29 Oct 1994 19:43:31 GMT\nExpect: 100-continue\n",
    b"OPTIONS /v1/?a&b=&&c==d&%zz\nHost: a\nHost: b\n",
    b"GET /v1/analyses/ana_x/result/series/spectrum?channel=1&points=2000&from=20&to=2e4\n",
)


def headers():
    return {f"{i:02}": text for i, text in enumerate(HEADERS)}


FORMAT = {"container": "wav", "encoding": "pcm_16", "sample_rate_hz": 48000, "channels": 1,
          "frames": 300, "duration_s": 0.00625}
CHANNEL = {
    "channel": 1, "peak_dbfs": -1.02, "rms_dbfs": None, "dc_offset": 0.0, "bits_in_use": 24,
    "silent": False, "clipping": {"detected": False, "samples": 0, "level_dbfs": None},
    "over_full_scale_samples": 0, "intersample_peak_dbfs": None, "dropout_count": 1, "dropouts": [
        {"frame": 200, "length_frames": None, "phase_step_deg": -8.3, "kind": "missing"}],
    "clean_span": {"first_frame": 0, "frames": 199}, "interchannel_delay_frames": 0.0,
    "tone_frequency_hz": 997.0, "clock_offset_ppm": None}
HEALTH = {"channels": [CHANNEL], "warnings": [
    {"code": "clipping", "message": "m", "channel": 1}]}
ASKED = (
    (0, {"request": "describe"}), (1, {"request": "inspect"}),
    (1, {"request": "health", "signal": None}),
    (1, {"request": "health", "signal": {"name": "tone", "parameters": {}}}),
    (2, {"request": "measure", "measurement": "distortion", "settings": {"harmonics": 5}}),
    (3, {"request": "measure", "measurement": "distortion", "settings": {}, "health": HEALTH,
         "floor_health": HEALTH, "signal": {"name": "multitone", "parameters": {}}}),
    (1, {"request": "render", "signal": "tone", "format": "flac",
         "parameters": {"duration_s": 0.1}}),
)
SETTING = {"name": "a", "type": "number", "unit": "Hz", "default": 1, "minimum": 0,
           "maximum": 2, "choices": None, "meaning": "m"}
ANSWERED = (
    (0, {"answer": "done", "engine": {"name": "residuum", "version": "0"}, "signals": [
        {"name": "s", "summary": "s", "parameters": [SETTING], "formats": ["wav", "flac"]}],
         "measurements": [{
             "name": "m", "summary": "s", "stimulus": "tone", "settings": [
                 SETTING, {**SETTING, "name": "b", "type": "choice", "choices": ["x", "y"],
                           "default": "x", "minimum": None, "maximum": None}],
             "figures": [{"name": "f", "unit": "dB", "definition": "d", "source": "s",
                          "better": "lower", "floor": "none"}],
             "findings": [{"name": "o", "type": "boolean", "definition": "d"}],
             "lists": [{"name": "l", "definition": "d", "fields": [
                 {"name": "order", "type": "number", "unit": ""}]}],
             "series": [{"name": "c", "definition": "d", "x": {"name": "x", "unit": "Hz"},
                         "y": {"name": "y", "unit": "dBFS"}}]}]}),
    (1, {"answer": "done", "format": FORMAT, "warnings": []}),
    (2, {"answer": "done", "format": FORMAT, "health": HEALTH, "suggested": [
        {"measurement": "distortion", "settings": {}}]}),
    (3, {"answer": "progress", "fraction": 0.25}), (3, {"answer": "done"}),
    (4, {"answer": "done", "bytes": 44}),
    (1, {"answer": "problem", "code": "not_audio", "field": None, "detail": "\u00fc" * 200}),
)


def wire():
    """See wire.c for the first two bytes."""
    def framed(content):
        text = json.dumps(content).encode()
        return b"RWF1" + struct.pack("<I", len(text)) + text

    made = {}
    for i, (count, content) in enumerate(ASKED):
        made[f"asked_{i}"] = bytes((8 | count, 0)) + json.dumps(content).encode()
        made[f"asked_{i}_raw"] = bytes((count, 0)) + framed(content) * 2
    for i, (kind, content) in enumerate(ANSWERED):
        made[f"answered_{i}"] = bytes((12, kind)) + json.dumps(content).encode()
        made[f"answered_{i}_raw"] = bytes((4, kind)) + framed(content)
    made["two_lines"] = (bytes((12, 3)) + b'{"answer":"progress","fraction":1}\n{"answer":"done"}')
    return made


def chosen(signal, measurement):
    """The last byte by which job.c takes the signal (from 1) and the measurement (from 0)."""
    return bytes(next((i,) for i in range(256) if i % (len(PLAYABLE) + 1) == signal
                      and i % len(MEASUREMENTS) == measurement))


def jobs():
    """Recordings long enough to be measured, within 64 KiB, and some with a fault."""
    def tone(frames, **more):
        return waves.tone(duration_s=frames / 48000, **more)

    def sum_of(*tones):
        return sum(tone(24000, frequency_hz=hz, level_dbfs=level) for hz, level in tones)

    quiet = tone(24000, level_dbfs=-200, noise_dbfs=-80)
    stereo = tone(12000, channels=2, noise_dbfs=-90, harmonics=((2, -60),))
    broken = numpy.concatenate((stereo[:6000], stereo[6064:]))
    zeroed = stereo.copy()
    zeroed[5000:5300, 1] = 0
    opposite = stereo * (1, -1)
    codes = numpy.frombuffer(waves.pcm(stereo[:, :1], 24), numpy.uint8).reshape(-1, 3)
    right = numpy.concatenate((codes, (codes[:, 2:] >> 7) * 255), axis=1).tobytes()
    played = {  # each with every measurement, and the signal told that it is
        "tone": stereo, "silence": quiet, "two_tones": quiet + sum_of((60, -3), (7000, -15)),
        "many_tones": quiet + sum_of(*((100 * 1.5 ** i, -30) for i in range(12))),
        "high_tone": quiet + sum_of((12000, -3), (11900, -90), (12100, -90)),
        "noise": tone(12000, level_dbfs=-200, noise_dbfs=-20),
    }
    return {
        **{f"{name}_{i}": waves.wav(samples, 16) + chosen(signal, i)
           for signal, (name, samples) in enumerate(played.items(), 1)
           for i in range(len(MEASUREMENTS))},
        "two_high_tones": waves.wav(quiet + sum_of((18000, -7), (20000, -7)), 16),
        "missing": waves.wav(broken, 16),
        "zeroed": waves.wav(zeroed, 16), "opposite": waves.wav(opposite, 16),
        "clipped": waves.wav((2 * stereo).clip(-0.7, 0.7), 16),
        "silent_channel": waves.wav(stereo * (1, 0), 16),
        "same_channels": waves.wav(tone(12000, channels=2), 16),
        "mono_24": waves.wav(stereo[:, :1], 24), "right_justified": waves.riff(right, 1, 48000, 32),
        "float": waves.float_wav(stereo[:6000]), "float_of_integers": waves.float_wav(
            numpy.round(stereo[:6000] * 32768)),
        "not_finite": waves.riff(b"\0\0\xc0\x7f" * 999, 1, 48000, 32, tag=3),
        "over_full_scale": waves.float_wav(2 * stereo[:6000]),
        "flac": flac(stereo, 16), "flac_24": flac(stereo[:9000], 24, "--blocksize=256"),
        "eight_kilohertz": waves.wav(tone(16000, frequency_hz=6000, noise_dbfs=-80), 16, 8000),
        "odd_rate": waves.wav(stereo, 16, 767999),
        "eight_channels": waves.wav(numpy.tile(stereo[:3000], (1, 4)), 16),
    }


def results():
    """See result.c for the first three bytes."""
    body = b'{"engine":{},"settings":{},"channels":[],"warnings":[]}'
    even = {"name": "spectrum", "channel": 1, "points": 20, "offset": 0,
            "x": {"name": "frequency", "unit": "Hz", "start": 0, "step": 0.5},
            "y": {"name": "level", "unit": "dBFS"}, "resolution_bandwidth_hz": 1.5}
    column = {**even, "name": "curve", "channel": 2,
              "x": {"name": "time", "unit": "s", "offset": 80}}
    values = struct.pack("<20f", *(float(-i) for i in range(19)), float("-inf"))
    rising = struct.pack("<20f", *(float(i) for i in range(20)))

    def made(*entries, after=values + rising):
        index = json.dumps(entries).encode()
        index += b" " * (-len(index) % 8)
        return bytes((1, len(body), len(index) // 8)) + body + index + after

    whole = made(even, column)
    return {
        "even": made(even), "column": made(column), "two": whole, "none": made(),
        "not_numbers": made(column, after=b"\0\0\xc0\x7f" * 40),
        "too_short": made(even, after=values[:40]),
        "backwards": made({**even, "x": {**even["x"], "step": -1}}),
        "raw": b"\0RSDRES01" + struct.pack("<IIQQ", len(body), 2, 0, 0) + body + b"[]",
    }


# What chance would take long to hit upon: words of each format, and sizes that lie.
CHUNKS = (b"RIFF", b"RF64", b"BW64", b"WAVE", b"fmt ", b"data", b"ds64", b"LIST", b"bext",
          b"iXML", b"fact", b"PEAK", b"FORM", b"AIFF", b"AIFC", b"COMM", b"SSND", b"NONE", b"sowt",
          b"fl32", b"caff", b"desc", b"lpcm", b"fLaC", b"ID3", b"\xff\xf8", b"\xff\xf9",
          b"\0\0\0\0", b"\xff\xff\xff\xff", b"\0\xf0\xff\x7f", b"\x7f\xff\xf0\0",
          b"\xff" * 8, b"\xff" * 7 + b"\x7f", b"\xfe\xff", b"\x16\0")
WORDS = (b"capture", b"measurement", b"settings", b"floor_capture", b"signal", b"name",
         *(name.encode() for name in MEASUREMENTS),
         *(signal["name"].encode() for signal in PLAYABLE),
         b"parameters", b"channels", b"start_s", b"duration_s", b"band_hz", b"harmonics",
         b"frequency_hz", b"level_dbfs", b"sample_rate_hz", b"bits", b"dither", b"null", b"true",
         b"-1e308", b"1e-320", b"\\u0000", b"\\ud834\\udd1e", b"[[", b"{\"", b"\":")
FIELDS = (b"Host: ", b"Origin: http://", b"Content-Length: ", b"Transfer-Encoding: chunked",
          b"Content-Digest: sha-256=:", b"Expect: ", b"Range: bytes=", b"If-Range: ", b"If-Match: ",
          b"If-None-Match: W/\"", b"Idempotency-Key: ", b"Accept: ", b"Prefer: wait=", b"*/*",
          b";q=0.", b"GET ", b"POST ", b"http://", b"/v1/", b"%00", b"%e2%82%ac", b"18446744073709551616")
MESSAGES = (b"RWF1", b"\n{\"request\":\"", b"\n{\"answer\":\"", b"describe", b"inspect", b"health",
            b"measure", b"render", b"progress", b"fraction", b"done", b"problem", b"code", b"field",
            b"detail", b"format", b"points", b"offset", b"start", b"step", b"channel", b"warnings", b"suggested", b"signal", b"bytes")


def dictionary(words):
    return "".join('"' + "".join(f"\\x{byte:02x}" for byte in word) + '"\n' for word in words)


def main():
    folder = pathlib.Path(sys.argv[1])
    audio = recordings()
    for target, inputs, words in (
            ("container", audio, CHUNKS), ("capture", audio, CHUNKS), ("headers", headers(), FIELDS),
            ("job", jobs(), CHUNKS), ("result", results(), WORDS + MESSAGES),
            ("requests", requests(), WORDS), ("wire", wire(), WORDS + MESSAGES)):
        (folder / target).mkdir(parents=True, exist_ok=True)
        for name, content in inputs.items():
            (folder / target / name).write_bytes(content)
        (folder / (target + ".dict")).write_text(dictionary(words), encoding="ascii")


if __name__ == "__main__":
    main()
