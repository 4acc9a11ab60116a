"""Captures handed back as they were uploaded: whole, in ranges, on conditions; what became of
their files. RFC 9110, sections 13 and 14; RFC 6266; RFC 9530."""

import base64
import hashlib
import http.client
import os

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=0.5))
SIZE = len(TONE)
DIGEST = hashlib.sha256(TONE)
MISSING = "/v1/captures/cap_aaaaaaaaaaaaaaaaaaaa/audio"


class Download(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.capture = cls.daemon.upload(TONE, "?name=desk%2FA%3A%20take%201").json
        cls.audio = cls.capture["links"]["audio"]

    def test_whole_file_comes_back_as_it_was_uploaded(self):
        answer = self.daemon.get(self.audio)
        self.assertEqual(answer.status, 200, answer)
        self.assertEqual(answer.body, TONE)
        digest = f"sha-256=:{base64.b64encode(DIGEST.digest()).decode()}:"
        for name, value in (
            ("content-type", "audio/wav"),
            ("content-length", str(SIZE)),
            ("accept-ranges", "bytes"),
            ("etag", f'"sha256-{DIGEST.hexdigest()}"'),
            ("cache-control", "no-cache"),
            ("content-disposition", 'attachment; filename="desk_A_ take 1.wav"'),
            ("content-digest", digest),
            ("repr-digest", digest),
        ):
            self.assertEqual(answer.headers[name], value)

    def test_head_tells_the_same_without_a_body(self):
        got, head = self.daemon.get(self.audio), self.daemon.ask("HEAD", self.audio)
        self.assertEqual((head.status, head.body), (200, b""))
        for name in ("content-type", "content-length", "etag", "accept-ranges",
                     "content-disposition", "repr-digest"):
            self.assertEqual(head.headers[name], got.headers[name])
        # ranges are defined for GET alone
        head = self.daemon.ask("HEAD", self.audio, headers={"Range": "bytes=0-9"})
        self.assertEqual((head.status, head.headers["content-length"]), (200, str(SIZE)))

    def test_ranges(self):
        for asked, first, count in (
            ("bytes=0-99", 0, 100),
            ("bytes=44-", 44, SIZE - 44),
            ("bytes=-100", SIZE - 100, 100),
            ("bytes=0-0", 0, 1),
            (f"bytes={SIZE - 1}-{SIZE + 5}", SIZE - 1, 1),
            (f"bytes=-{SIZE + 1}", 0, SIZE),
        ):
            with self.subTest(asked):
                answer = self.daemon.get(self.audio, Range=asked)
                self.assertEqual(answer.status, 206, answer)
                self.assertEqual(answer.body, TONE[first:first + count])
                self.assertEqual(
                    answer.headers["content-range"], f"bytes {first}-{first + count - 1}/{SIZE}")
                self.assertEqual(answer.headers["content-length"], str(count))
                self.assertIn("etag", answer.headers)
                self.assertNotIn("content-digest", answer.headers)

    def test_ranges_that_are_not_served_give_the_whole(self):
        for asked in ("bytes=0-1,5-6", "bytes=9-1", "bytes=x", "pages=1-2"):
            with self.subTest(asked):
                answer = self.daemon.get(self.audio, Range=asked)
                self.assertEqual((answer.status, answer.body), (200, TONE))

    def test_range_beyond_the_end_is_a_problem(self):
        for asked in (f"bytes={SIZE}-", "bytes=-0"):
            with self.subTest(asked):
                answer = self.daemon.get(self.audio, Range=asked)
                self.check_problem(answer, 416, "range_not_satisfiable", "Range")
                self.assertEqual(answer.headers["content-range"], f"bytes */{SIZE}")

    def test_if_range_serves_the_part_of_the_same_bytes_only(self):
        etag = self.daemon.get(self.audio).headers["etag"]
        for given, status in ((etag, 206), ('"other"', 200), ("W/" + etag, 200),
                              ("Tue, 15 Nov 1994 12:45:26 GMT", 200)):
            with self.subTest(given):
                answer = self.daemon.get(self.audio, Range="bytes=0-9", If_Range=given)
                self.assertEqual(answer.status, status)
        # its condition failed, so that the range, satisfiable or not, does not count
        answer = self.daemon.get(self.audio, Range=f"bytes={SIZE}-", If_Range='"other"')
        self.assertEqual(answer.status, 200)

    def test_condition_comes_before_the_range(self):
        etag = self.daemon.get(self.audio).headers["etag"]
        answer = self.daemon.get(self.audio, Range="bytes=0-9", If_None_Match=etag)
        self.assertEqual((answer.status, answer.body), (304, b""))
        answer = self.daemon.get(self.audio, Range="bytes=0-9", If_None_Match='"other"')
        self.assertEqual(answer.status, 206)

    def test_file_is_gathered_from_ranges_over_one_connection(self):
        connection = http.client.HTTPConnection(
            "127.0.0.1", self.daemon.port, timeout=harness.PATIENCE_S)
        gathered = b""
        while len(gathered) < SIZE:
            last = min(len(gathered) + 9999, SIZE - 1)
            connection.request(
                "GET", self.audio, headers={"Range": f"bytes={len(gathered)}-{last}"})
            gathered += connection.getresponse().read()
        connection.close()
        self.assertEqual(gathered, TONE)

    def test_other_containers_have_their_type(self):
        audio = self.daemon.upload(waves.flac_header() + bytes(200), "?name=x").json["links"]["audio"]
        answer = self.daemon.get(audio)
        self.assertEqual(answer.headers["content-type"], "audio/flac")
        self.assertIn('"x.flac"', answer.headers["content-disposition"])

    def test_unknown_capture_is_not_found(self):
        self.check_problem(self.daemon.get(MISSING), 404, "not_found")


class Lost(harness.DaemonCase):
    def content(self, capture):
        return self.daemon.state / "objects" / capture["sha256"][:2] / capture["sha256"]

    def test_missing_and_changed_files_are_named(self):
        capture = self.daemon.upload(TONE).json
        path, audio = self.content(capture), capture["links"]["audio"]
        path.write_bytes(TONE[:-1])
        problem = self.check_problem(self.daemon.get(audio), 410, "audio_expired")
        self.assertIn("was changed since it was uploaded", problem["detail"])
        os.unlink(path)
        for method in ("GET", "HEAD"):
            self.assertEqual(self.daemon.ask(method, audio).status, 410)
        problem = self.check_problem(self.daemon.get(audio), 410, "audio_expired")
        self.assertIn("missing from the state folder", problem["detail"])
        self.assertIn(capture["sha256"], problem["detail"])
        path.write_bytes(TONE)
        self.assertEqual(self.daemon.get(audio).body, TONE)


if __name__ == "__main__":
    harness.main()
