"""Test signals as files: the same bytes each time, kept or rendered anew, before and after a
restart; FLAC that another decoder takes (RFC 9639 for STREAMINFO)."""

import concurrent.futures
import hashlib
import io
import os
import shutil
import subprocess
import tempfile
import time
import wave

import harness

TONE = "/v1/signals/tone/audio?duration_s=1&frequency_hz=997&level_dbfs=-1"


def kept(daemon):
    return daemon.files("rendered")


def whole(daemon, path):
    """The bytes and the tag of a signal, which must be there."""
    answer = daemon.get(path)
    assert answer.status == 200, answer
    return answer.body, answer.headers["etag"]


def wav_samples(body):
    with wave.open(io.BytesIO(body)) as file:
        return file.readframes(file.getnframes())


class Kept(harness.DaemonCase):
    def setUp(self):
        """Nothing is kept, and nothing is being rendered for a client that left."""
        end = time.monotonic() + harness.PATIENCE_S
        while any("/tmp_" in name for name in kept(self.daemon)):
            self.assertLess(time.monotonic(), end, kept(self.daemon))
            time.sleep(0.02)
        for name in kept(self.daemon):
            os.unlink(self.daemon.state / name)

    def test_kept_and_rendered_anew_are_the_same(self):
        for container in ("wav", "flac"):
            with self.subTest(container):
                path = f"{TONE}&format={container}"
                first = whole(self.daemon, path)
                key = first[1].strip('"')
                name = f"rendered/{key}.{len(first[0])}"
                self.assertIn(name, kept(self.daemon))
                self.assertEqual(whole(self.daemon, path), first)
                os.unlink(self.daemon.state / name)
                self.assertEqual(whole(self.daemon, path), first)
                self.assertIn(name, kept(self.daemon))

    def test_what_is_kept_is_what_is_sent(self):
        # else nothing above tells a file that was kept from one rendered anew
        body, etag = whole(self.daemon, TONE)
        path = self.daemon.state / f"rendered/{etag.strip(chr(34))}.{len(body)}"
        path.write_bytes(bytes(len(body)))
        self.assertEqual(whole(self.daemon, TONE), (bytes(len(body)), etag))

    def test_damaged_file_is_rendered_anew(self):
        first = whole(self.daemon, TONE)
        for damage in (first[0][:-1], first[0] + b"x", b""):
            (name,) = kept(self.daemon)
            (self.daemon.state / name).write_bytes(damage)
            self.assertEqual(whole(self.daemon, TONE), first)

    def test_parameters_are_one_key_however_they_are_written(self):
        first = whole(self.daemon, TONE)
        for same in (
            "level_dbfs=-1&frequency_hz=997&duration_s=1",
            "duration_s=1.0&frequency_hz=9.97e2",
            "duration_s=1&format=wav&bits=24&channels=2&sample_rate_hz=48000&dither=tpdf",
        ):
            with self.subTest(same):
                got = whole(self.daemon, "/v1/signals/tone/audio?" + same)
                self.assertEqual(got, first)
        self.assertEqual(len(kept(self.daemon)), 1)
        tags = {first[1]}
        for other in ("&bits=16", "&channels=1", "&sample_rate_hz=44100", "&dither=none",
                      "&format=flac", "&format=flac&bits=16"):
            tags.add(whole(self.daemon, TONE + other)[1])
        self.assertEqual(len(tags), 7)
        self.assertEqual(len(kept(self.daemon)), 7)

    def test_known_tag_is_answered_without_rendering(self):
        etag = whole(self.daemon, TONE)[1]
        self.setUp()
        answer = self.daemon.get(TONE, If_None_Match=etag)
        self.assertEqual((answer.status, answer.body), (304, b""))
        self.assertEqual(kept(self.daemon), [])
        # whether there is any such signal, only rendering tells
        self.assertEqual(self.daemon.get(TONE, If_None_Match="*").status, 304)
        self.assertEqual(len(kept(self.daemon)), 1)
        path = "/v1/signals/tone/audio?sample_rate_hz=8000&frequency_hz=4000"
        answer = self.daemon.get(path, If_None_Match="*")
        self.check_problem(answer, 422, "out_of_range", "frequency_hz")

    def test_ranges_and_headers(self):
        body, etag = whole(self.daemon, TONE)
        head = self.daemon.ask("HEAD", TONE)
        self.assertEqual((head.status, head.body), (200, b""))
        self.assertEqual(head.headers["content-length"], str(len(body)))
        self.assertEqual(head.headers["etag"], etag)
        self.assertEqual(head.headers["content-type"], "audio/wav")
        self.assertEqual(
            head.headers["content-disposition"], 'attachment; filename="tone.wav"')
        answer = self.daemon.get(TONE, Range="bytes=44-143", If_Range=etag)
        self.assertEqual((answer.status, answer.body), (206, body[44:144]))
        answer = self.daemon.get(TONE, Range="bytes=-10")
        self.assertEqual((answer.status, answer.body), (206, body[-10:]))
        answer = self.daemon.get(TONE, Range=f"bytes={len(body)}-")
        self.check_problem(answer, 416, "range_not_satisfiable", "Range")

    def test_two_at_once_get_the_same(self):
        path = TONE.replace("duration_s=1", "duration_s=8")
        with concurrent.futures.ThreadPoolExecutor(2) as pool:
            bodies = list(pool.map(lambda _: whole(self.daemon, path), range(2)))
        self.assertEqual(bodies[0], bodies[1])
        self.assertEqual(len(kept(self.daemon)), 1)

    def test_client_that_leaves_does_no_harm(self):
        path = TONE.replace("duration_s=1", "duration_s=20")
        with self.daemon.connect() as raw:
            raw.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())
        body, _ = whole(self.daemon, path)
        self.assertEqual(len(body), 44 + 20 * 48000 * 6)

    def test_parameters_that_clash_are_refused_by_name(self):
        for path, field, number in (
            ("twin-tone/audio?kind=difference-frequency&sample_rate_hz=40000",
             "frequency_2_hz", "40000 Hz"),
            ("twin-tone/audio?kind=pair&frequency_2_hz=8000", "frequency_1_hz", "pair"),
            ("twin-tone/audio?frequency_1_hz=9000", "frequency_1_hz", "7000 Hz"),
            ("multitone/audio?sample_rate_hz=32000", "highest_hz", "20000 Hz"),
            ("multitone/audio?lowest_hz=900&highest_hz=1000", "count", "31 tones"),
            ("multitone/audio?lowest_hz=2000&highest_hz=1000", "lowest_hz", "1000 Hz"),
            ("multitone/audio?count=101", "count", "100"),
            ("jitter-pattern/audio?bits=16&pattern_bits=24", "pattern_bits", "16 bits"),
            ("jitter-pattern/audio?pattern_bits=20", "pattern_bits", "16, 24"),
        ):
            with self.subTest(path):
                problem = self.check_problem(self.daemon.get("/v1/signals/" + path), 422,
                                             "out_of_range", field)
                self.assertIn(number, problem["detail"])
        self.assertEqual(kept(self.daemon), [])

    def test_refused_signal_leaves_no_file(self):
        for query in ("frequency_hz=24000", "format=flac&bits=32"):
            self.assertEqual(self.daemon.get("/v1/signals/tone/audio?" + query).status, 422)
        self.assertEqual(kept(self.daemon), [])


class Restart(harness.DaemonCase):
    def test_bytes_outlive_a_restart_and_leftovers_do_not(self):
        state = tempfile.mkdtemp(prefix="residuum-signals-")
        self.addCleanup(shutil.rmtree, state)
        paths = (TONE, TONE + "&format=flac")
        first = harness.Daemon(state=state)
        try:
            before = [whole(first, path) for path in paths]
            names = kept(first)
        finally:
            first.stop()
        with open(os.path.join(state, "rendered", "tmp_half"), "wb") as half:
            half.write(b"half a tone")
        second = harness.Daemon(state=state)
        try:
            self.assertEqual(kept(second), names)
            self.assertEqual([whole(second, path) for path in paths], before)
            for name in names:
                os.unlink(os.path.join(state, name))
            self.assertEqual([whole(second, path) for path in paths], before)
        finally:
            second.stop()


class Flac(harness.DaemonCase):
    def flac(self, *options, data):
        return subprocess.run(
            ["flac", "--silent", "--stdout", *options, "-"], input=data, check=True,
            capture_output=True).stdout

    def test_another_decoder_gives_the_samples_of_the_wav(self):
        # flac verifies frames and the MD5 of STREAMINFO as it decodes
        for query in ("bits=16", "bits=24", "bits=24&channels=8&sample_rate_hz=192000",
                      "bits=16&channels=1&sample_rate_hz=655350", "bits=24&dither=none"):
            with self.subTest(query):
                path = f"/v1/signals/tone/audio?duration_s=0.5&{query}"
                wav, _ = whole(self.daemon, path)
                flac, _ = whole(self.daemon, path + "&format=flac")
                self.flac("--test", data=flac)
                raw = self.flac("--decode", "--force-raw-format", "--endian=little",
                                "--sign=signed", data=flac)
                self.assertEqual(raw, wav_samples(wav) if "channels=8" not in query
                                 else wav[68:])
                self.assertEqual(flac[26:42], hashlib.md5(raw).digest())

    def test_every_signal_is_the_same_in_both(self):
        for signal in self.daemon.get("/v1/signals").json["signals"]:
            for query in ("bits=16&channels=1&sample_rate_hz=44100",
                          "bits=24&channels=2&sample_rate_hz=655350"):
                if signal["name"] == "jitter-pattern":
                    query += "&pattern_bits=16"
                with self.subTest(signal["name"], query=query):
                    path = f"/v1/signals/{signal['name']}/audio?duration_s=0.5&{query}"
                    flac, _ = whole(self.daemon, path + "&format=flac")
                    raw = self.flac("--decode", "--force-raw-format", "--endian=little",
                                    "--sign=signed", data=flac)
                    self.assertEqual(raw, wav_samples(whole(self.daemon, path)[0]))

    def test_no_block_but_the_needed_ones(self):
        # STREAMINFO (0), then a VORBIS_COMMENT (4) of the encoder's name and no entries:
        # nothing tells a time
        flac, _ = whole(self.daemon, TONE + "&format=flac")
        at, kinds = 4, []
        while True:
            kind, size = flac[at], int.from_bytes(flac[at + 1:at + 4], "big")
            kinds.append(kind & 0x7F)
            if kind & 0x7F == 4:
                vendor = int.from_bytes(flac[at + 4:at + 8], "little")
                count = flac[at + 8 + vendor:at + 12 + vendor]
                self.assertEqual(count, bytes(4))
            at += 4 + size
            if kind & 0x80:
                break
        self.assertEqual(kinds[0], 0)
        self.assertLessEqual(set(kinds), {0, 1, 4})

    def test_what_flac_does_not_hold_is_refused(self):
        for query, field, number in (
            ("bits=32", "bits", "32"), ("channels=9", "channels", "9"),
            ("sample_rate_hz=655351", "sample_rate_hz", "655350 Hz"),
            ("sample_rate_hz=705600", "sample_rate_hz", "705600 Hz"),
            ("sample_rate_hz=96001", "sample_rate_hz", "96001 Hz"),
        ):
            with self.subTest(query):
                answer = self.daemon.get(f"/v1/signals/tone/audio?format=flac&{query}")
                problem = self.check_problem(answer, 422, "out_of_range", field)
                self.assertIn(number, problem["detail"])

    def test_formats_are_listed(self):
        self.assertEqual(self.daemon.get("/v1/signals/tone").json["formats"], ["wav", "flac"])
        answer = self.daemon.get("/v1/signals/tone/audio?format=mp3")
        problem = self.check_problem(answer, 422, "out_of_range", "format")
        self.assertIn("wav, flac", problem["detail"])

    def test_rendered_flac_can_be_measured(self):
        flac, _ = whole(self.daemon, TONE.replace("duration_s=1", "duration_s=4") + "&format=flac")
        capture = self.daemon.upload(flac).json
        ended = self.daemon.wait_for_end(self.daemon.analyse(capture["id"]))
        result = self.daemon.get(ended["links"]["result"]).json
        level = result["channels"][0]["figures"]["fundamental_level"]["value"]
        # the level asked for, to the accuracy that measurements claim
        self.assertAlmostEqual(level, -1.0, delta=0.001)


if __name__ == "__main__":
    harness.main()
