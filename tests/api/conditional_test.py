"""What a client may keep: entity tags and conditional requests (RFC 9110, section 13), and
curves as CSV (RFC 4180) by content negotiation (section 12)."""

import csv
import io

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=3, noise_dbfs=-100))


class Finished(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.capture = cls.daemon.upload(TONE).json["id"]
        cls.analysis = cls.daemon.analyse(cls.capture)
        assert cls.daemon.wait_for_end(cls.analysis)["state"] == "done"
        cls.result = f"/v1/analyses/{cls.analysis}/result"
        cls.series = cls.result + "/series/spectrum?points=100"
        cls.stable = (
            cls.result, cls.series, f"/v1/analyses/{cls.analysis}",
            f"/v1/captures/{cls.capture}", f"/v1/captures/{cls.capture}/audio",
            "/v1/measurements", "/v1/measurements/distortion", "/v1/signals",
            "/v1/signals/tone", "/v1/signals/tone/audio?duration_s=0.1",
            "/v1/signals/tone/audio?duration_s=0.1&format=flac",
        )


class Stable(Finished):
    def test_every_one_has_a_strong_tag_and_is_asked_about(self):
        tags = set()
        for path in self.stable:
            with self.subTest(path):
                answer = self.daemon.get(path)
                self.assertEqual(answer.status, 200, answer)
                self.assertRegex(answer.headers["etag"], r'^"[!#-~]+"$')
                self.assertEqual(answer.headers["cache-control"], "no-cache")
                self.assertEqual(self.daemon.get(path).headers["etag"], answer.headers["etag"])
                tags.add(answer.headers["etag"])
        self.assertEqual(len(tags), len(self.stable))

    def test_known_tags_get_no_body(self):
        for path in self.stable:
            got = self.daemon.get(path)
            etag = got.headers["etag"]
            for given in (etag, "W/" + etag, f'"a", {etag} , "b"', "*"):
                for method in ("GET", "HEAD"):
                    with self.subTest(f"{method} {path} {given}"):
                        answer = self.daemon.ask(method, path, headers={"If-None-Match": given})
                        self.assertEqual((answer.status, answer.body), (304, b""))
                        self.assertEqual(answer.headers["etag"], etag)
                        self.assertEqual(answer.headers["cache-control"], "no-cache")
                        self.assertNotIn("content-type", answer.headers)
                        # RFC 9110, 8.6: that of the 200, or none
                        self.assertIn(answer.headers.get("content-length"),
                                      (None, str(len(got.body))))
                        self.assertNotIn("transfer-encoding", answer.headers)

    def test_other_tags_get_the_whole(self):
        for path in self.stable:
            etag = self.daemon.get(path).headers["etag"]
            for given in ('"other"', etag[:-2] + '"', etag.strip('"'), ""):
                with self.subTest(f"{path} {given}"):
                    self.assertEqual(self.daemon.get(path, If_None_Match=given).status, 200)

    def received(self, request):
        """All that comes back on a connection."""
        with self.daemon.connect() as raw:
            raw.sendall(request)
            received = b""
            while piece := raw.recv(65536):
                received += piece
        return received

    def test_304_is_a_head_and_nothing_else(self):
        last = b"GET /v1/ HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
        for path in self.stable:
            with self.subTest(path):
                etag = self.daemon.get(path).headers["etag"]
                received = self.received(
                    (f"GET {path} HTTP/1.1\r\nHost: localhost\r\n"
                     f"If-None-Match: {etag}\r\n\r\n").encode() + last)
                head, rest = received.split(b"\r\n\r\n", 1)
                self.assertRegex(head, rb"^HTTP/1\.1 304 ")
                # the length of a curve and of a signal not looked up is not known: closed
                if b"\r\nConnection: close" in head:
                    self.assertRegex(path, "/series/|/audio")
                    self.assertEqual(rest, b"")
                else:
                    self.assertRegex(rest, rb"^HTTP/1\.1 200 ")

    def test_second_line_of_tags_counts(self):
        etag = self.daemon.get(self.result).headers["etag"]
        with self.daemon.connect() as raw:
            raw.sendall((f"GET {self.result} HTTP/1.1\r\nHost: localhost\r\n"
                         f"If-None-Match: \"a\"\r\nIf-None-Match: {etag}\r\n\r\n").encode())
            self.assertRegex(raw.recv(65536), rb"^HTTP/1\.1 304 ")

    def test_tags_outlive_a_restart(self):
        first = harness.Daemon(state=None)
        try:
            tags = {path: first.get(path).headers["etag"]
                    for path in ("/v1/measurements", "/v1/signals/tone")}
        finally:
            first.stop()
        for path, etag in tags.items():
            self.assertEqual(self.daemon.get(path).headers["etag"], etag)

    def test_queries_of_a_series_have_tags_of_their_own(self):
        tags = [self.daemon.get(self.result + "/series/spectrum" + query, Accept=accept)
                .headers["etag"]
                for query in ("", "?points=100", "?points=102", "?from=100", "?to=100")
                for accept in ("*/*", "text/csv")]
        self.assertEqual(len(set(tags)), len(tags))

    def test_what_changes_is_not_stored(self):
        for path in ("/v1/health", "/v1/captures", "/v1/analyses", "/v1/nothing"):
            with self.subTest(path):
                answer = self.daemon.get(path, If_None_Match="*")
                self.assertIn(answer.status, (200, 404))
                self.assertEqual(answer.headers["cache-control"], "no-store")
                self.assertNotIn("etag", answer.headers)

    def test_change_under_a_condition_is_refused_not_made(self):
        path = f"/v1/captures/{self.capture}"
        before = self.daemon.get(path)
        for name, value in (("If-Match", before.headers["etag"]), ("If-Match", '"other"'),
                            ("If-None-Match", "*"),
                            ("If-None-Match", before.headers["etag"]),
                            ("If-Unmodified-Since", "Wed, 25 Nov 2026 00:00:00 GMT")):
            for method, body in (("PATCH", b'{"note":"q"}'), ("DELETE", None)):
                with self.subTest(f"{method} {name}"):
                    answer = self.daemon.ask(method, path, body, {name: value})
                    self.check_problem(answer, 400, "bad_request", name)
        self.assertEqual(self.daemon.get(path).body, before.body)
        answer = self.daemon.ask("POST", "/v1/captures", TONE, {"If-None-Match": "*"})
        self.check_problem(answer, 400, "bad_request", "If-None-Match")

    def test_bytes_of_another_version_are_not_sent(self):
        for path in self.stable:
            with self.subTest(path):
                answer = self.daemon.get(path, If_Match='"other"', Range="bytes=0-9")
                self.check_problem(answer, 400, "bad_request", "If-Match")

    def test_condition_does_not_hide_a_problem(self):
        for path in (self.result + "/series/nothing", self.series + "&channel=9"):
            answer = self.daemon.get(path, If_None_Match="*")
            self.assertIn(answer.status, (404, 422))


class Unfinished(harness.DaemonCase):
    OPTIONS = ("--workers", "1")

    def test_analysis_under_way_has_no_tag(self):
        capture = self.daemon.upload(TONE).json["id"]
        self.daemon.stop_workers()
        path = f"/v1/analyses/{self.daemon.analyse(capture)}"
        answer = self.daemon.get(path, If_None_Match="*")
        self.assertEqual(answer.status, 200)
        self.assertNotIn("etag", answer.headers)
        self.assertEqual(answer.headers["cache-control"], "no-store")


class Csv(Finished):
    def lines(self, query="", **headers):
        answer = self.daemon.get(self.result + "/series/spectrum" + query,
                                 Accept="text/csv", **headers)
        self.assertEqual(answer.status, 200, answer)
        self.assertEqual(
            answer.headers["content-type"], "text/csv; charset=utf-8; header=present")
        self.assertTrue(answer.body.endswith(b"\r\n"))
        self.assertEqual(answer.body.count(b"\n"), answer.body.count(b"\r\n"))
        return list(csv.reader(io.StringIO(answer.body.decode("ascii"), newline="")))

    def test_csv_holds_what_the_json_holds(self):
        for query in ("", "?points=100", "?from=900&to=1100", "?from=1e6"):
            with self.subTest(query):
                header, *rows = self.lines(query)
                self.assertEqual(header, ["frequency_hz", "level_dbfs"])
                json = self.daemon.get(self.result + "/series/spectrum" + query).json
                want = list(zip(json["x"]["values"], json["y"]["values"]))
                got = [(float(x), float(y) if y else None) for x, y in rows]
                self.assertEqual(got, want)

    def test_accept_decides(self):
        for accept, kind in (
            ("text/csv", "text/csv"), ("text/*", "text/csv"), ("*/*", "application/json"),
            ("application/json, text/csv;q=0.9", "application/json"),
            ("application/json;q=0.5, text/csv;q=0.9", "text/csv"),
            ("image/png", "application/json"), ("text/csv;q=0", "application/json"),
            ("", "application/json"),
        ):
            with self.subTest(accept):
                answer = self.daemon.get(self.series, Accept=accept)
                self.assertEqual(answer.status, 200)
                self.assertEqual(answer.headers["content-type"].split(";")[0], kind)
                self.assertEqual(answer.headers["vary"], "Accept")

    def test_tag_of_one_format_does_not_match_the_other(self):
        etag = self.daemon.get(self.series, Accept="text/csv").headers["etag"]
        answer = self.daemon.get(self.series, If_None_Match=etag)
        self.assertEqual(answer.status, 200)
        answer = self.daemon.get(self.series, If_None_Match=etag, Accept="text/csv")
        self.assertEqual((answer.status, answer.headers["vary"]), (304, "Accept"))


if __name__ == "__main__":
    harness.main()
