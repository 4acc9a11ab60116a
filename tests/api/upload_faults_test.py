"""Uploads that must be refused: each its documented status and code, nothing kept, and the
daemon goes on."""

import hashlib
import pathlib
import socket
import struct
import subprocess
import tempfile
import time

import harness
import waves
from captures_test import TONE, digest


class Refusals(harness.DaemonCase):
    OPTIONS = ("--max-upload", str(1 << 20))

    def tearDown(self):
        super().tearDown()
        self.assertEqual(self.daemon.files("incoming"), [])
        self.assertEqual(self.daemon.files("objects"), [])
        self.assertEqual(self.daemon.get("/v1/captures").json["captures"], [])

    def test_not_audio(self):
        for name, body in (
            ("text", b"Harbour Street Library, reading room\n" * 20),
            ("zeros", bytes(5000)),
            ("picture", b"\x89PNG\r\n\x1a\n" + bytes(100)),
            ("one byte", b"R"),
            ("head only", TONE[:12]),
        ):
            with self.subTest(name):
                self.check_problem(self.daemon.upload(body), 415, "not_audio")

    def test_formats_outside_the_list(self):
        for name, made_by in (
            ("mp3", ["sox", "-V1", "-n", "-r", "44100", "OUT", "synth", "1", "sine", "1000"]),
            ("ogg", ["sox", "-V1", "-n", "-r", "44100", "OUT", "synth", "1", "sine", "1000"]),
            ("opus", ["sh", "-c", "sox -V1 -n -r 48000 -b 16 -t wav - synth 1 sine 1000 |"
                      " opusenc --quiet - OUT"]),
        ):
            with self.subTest(name), tempfile.TemporaryDirectory() as folder:
                out = f"{folder}/x.{name}"
                subprocess.run([part.replace("OUT", out) for part in made_by], check=True)
                body = pathlib.Path(out).read_bytes()
                problem = self.check_problem(
                    self.daemon.upload(body), 415, "unsupported_format")
                self.assertRegex(problem["detail"], r"(?i)wav|flac", "says what is taken")

    def test_chunk_files_outside_the_list(self):
        data = bytes(8000)
        for name, body in (
            ("8 bit", waves.riff(data, 1, 48000, 8)),
            ("RIFF that is no WAVE", b"RIFF" + struct.pack("<I", 100) + b"AVI " + bytes(100)),
            ("A-law", waves.riff(data, 1, 8000, 8, tag=6)),
            ("mu-law", waves.riff(data, 1, 8000, 8, tag=7)),
        ):
            with self.subTest(name):
                answer = self.daemon.upload(body)
                self.assertIn(answer.json.get("field"), ("encoding", "container", None))
                self.check_problem(
                    answer, 415, "unsupported_format", answer.json.get("field"))

    def test_content_coding_is_refused(self):
        answer = self.daemon.upload(TONE, headers={"Content-Encoding": "gzip"})
        self.check_problem(answer, 415, "unsupported_format", "Content-Encoding")

    def test_empty_body(self):
        self.check_problem(self.daemon.upload(b""), 422, "no_audio")
        answer = self.daemon.ask("POST", "/v1/captures", iter([]))
        self.check_problem(answer, 422, "no_audio")

    def test_recording_without_a_frame(self):
        self.check_problem(self.daemon.upload(waves.riff(b"", 2, 48000, 24)), 422, "no_audio")

    def test_lying_headers(self):
        data = waves.pcm(waves.tone(duration_s=0.1), 16)
        for name, body, fields in (
            ("0 channels", waves.riff(data, 0, 48000, 16), {"channels", None}),
            ("1000 channels", waves.riff(data, 1000, 48000, 16), {"channels"}),
            ("17 channels", waves.riff(data, 17, 48000, 16), {"channels"}),
            ("rate 0", waves.riff(data, 1, 0, 16), {"sample_rate_hz", None}),
            ("rate 7999 Hz", waves.riff(data, 1, 7999, 16), {"sample_rate_hz"}),
            ("rate 768001 Hz", waves.riff(data, 1, 768001, 16), {"sample_rate_hz"}),
            ("RF64 of 2^36 frames", waves.rf64(waves.tone(duration_s=0.1), 1 << 36), {"frames"}),
            ("FLAC of 2^36 - 1 frames", waves.flac_header(frames=(1 << 36) - 1), {"frames", None}),
        ):
            with self.subTest(name):
                answer = self.daemon.upload(body)
                self.assertIn(answer.status, (415, 422), answer)
                problem = answer.json
                self.assertIn(problem.get("field"), fields, problem)
                self.check_problem(answer, answer.status, problem["code"], problem.get("field"))
                self.assertIn(problem["code"], ("out_of_range", "not_audio", "no_audio"))

    def test_too_large_when_declared(self):
        body = bytes((1 << 20) + 1)
        answer = self.daemon.upload(body)
        self.check_problem(answer, 413, "too_large", limit_bytes=1 << 20)

    def test_too_large_when_not_declared(self):
        pieces = (bytes(1 << 16) for _ in range(20))
        answer = self.daemon.ask("POST", "/v1/captures", pieces)
        self.check_problem(answer, 413, "too_large", limit_bytes=1 << 20)

    def test_too_large_is_said_before_the_body(self):
        with self.daemon.connect() as raw:
            raw.sendall(b"POST /v1/captures HTTP/1.1\r\nHost: localhost\r\n"
                        b"Content-Length: 1048577\r\nExpect: 100-continue\r\n\r\n")
            self.assertRegex(raw.recv(4096), rb"^HTTP/1.1 413 ")

    def test_wrong_digest(self):
        answer = self.daemon.upload(TONE, headers={"Content-Digest": digest(TONE + b"x")})
        self.check_problem(answer, 400, "digest_mismatch", "Content-Digest")

    def test_malformed_digest(self):
        for value in ("sha-256=abc", "sha-256=:not base64:", "sha-256=:YWJj:", "sha-256=",
                      digest(TONE)[:-1], digest(TONE).replace("=:", "=")):
            with self.subTest(value):
                answer = self.daemon.upload(TONE, headers={"Content-Digest": value})
                self.check_problem(answer, 400, "digest_mismatch", "Content-Digest")

    def test_bodies_that_curl_d_mangled(self):
        with tempfile.TemporaryDirectory() as folder:
            for name, body in (("wav", TONE), ("flac", waves.flac_header() + bytes(range(256)))):
                path = pathlib.Path(folder) / name
                path.write_bytes(body)
                with self.subTest(name):
                    out = subprocess.run(
                        ["curl", "-sS", "-d", f"@{path}", self.daemon.url + "/v1/captures"],
                        check=True, capture_output=True)
                    self.assertIn(b'"body_mangled"', out.stdout)
                    self.assertIn(b"--data-binary", out.stdout, "says what to type")

    def test_body_that_curl_d_mangled_has_the_shape_of_a_problem(self):
        mangled = bytes(b for b in TONE if b not in b"\r\n\0")
        answer = self.daemon.upload(
            mangled, headers={"Content-Type": "application/x-www-form-urlencoded"})
        self.check_problem(answer, 400, "body_mangled")

    def test_broken_off_upload_leaves_nothing(self):
        for head in (b"Content-Length: 500000\r\n\r\n",
                     b"Transfer-Encoding: chunked\r\n\r\n10000\r\n"):
            with self.subTest(head):
                raw = self.daemon.connect()
                raw.sendall(b"POST /v1/captures HTTP/1.1\r\nHost: localhost\r\n" + head)
                raw.sendall(TONE[:20000])
                self.wait_for(lambda: self.daemon.files("incoming"))
                raw.close()
                self.wait_for(lambda: not self.daemon.files("incoming"))

    def test_end_of_sending_with_the_last_of_equal_pieces_leaves_nothing(self):
        """Noticed by looking, well before the idle time of 30 s."""
        with self.daemon.connect() as raw:
            raw.sendall(b"POST /v1/captures HTTP/1.1\r\nHost: localhost\r\n"
                        b"Content-Length: 500000\r\n\r\n")
            self.wait_for(lambda: self.daemon.files("incoming"))
            for i in range(5):
                raw.send(TONE[:1000], 0 if i < 4 else socket.MSG_MORE)
                time.sleep(0.1)
            raw.shutdown(socket.SHUT_WR)  # goes out with the last piece
            self.wait_for(lambda: not self.daemon.files("incoming"))

    def wait_for(self, condition):
        end = time.monotonic() + 20
        while not condition():
            self.assertLess(time.monotonic(), end)
            time.sleep(0.02)


class LyingLengths(harness.DaemonCase):
    """Headers that lie about nothing but the length: the frames that are there are taken, and
    no more is ever claimed."""

    def check_taken(self, body, frames):
        answer = self.daemon.upload(body)
        self.assertEqual(answer.status, 201, answer)
        self.assertEqual(answer.json["sha256"], hashlib.sha256(body).hexdigest())
        self.assertEqual(answer.json["format"]["frames"], frames)
        analysis = self.daemon.wait_for_end(self.daemon.analyse(answer.json["id"]))
        self.assertEqual(analysis["state"], "done", analysis)
        result = self.daemon.get(analysis["links"]["result"]).json
        self.assertEqual(result["capture"]["frames"], frames)
        self.assertAlmostEqual(
            result["channels"][0]["figures"]["fundamental_level"]["value"], -1, delta=0.01)

    def test_declared_length_beyond_the_file(self):
        data = waves.pcm(waves.tone(duration_s=2), 16)
        body = waves.riff(data, 1, 48000, 16, data_bytes=len(data) + 9000)
        self.check_taken(body, 96000)


if __name__ == "__main__":
    harness.main()
