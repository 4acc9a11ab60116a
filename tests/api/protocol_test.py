"""What no well-behaved HTTP client sends: each is refused or the connection closed, nothing
is kept, and the daemon goes on."""

import re
import socket
import time

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=0.2))
GET = b"GET /v1/health HTTP/1.1\r\n"
HOST = b"Host: localhost\r\n"
POST = b"POST /v1/captures HTTP/1.1\r\n" + HOST


class Protocol(harness.DaemonCase):
    def tearDown(self):
        super().tearDown()
        self.assertEqual(self.daemon.files("incoming"), [])
        self.assertEqual(self.daemon.files("objects"), [])

    def exchange(self, request):
        """Sends it, ends the sending side, and gives all that comes back."""
        with self.daemon.connect() as raw:
            try:
                raw.sendall(request)
                time.sleep(0.02)  # an end that comes with the bytes is noticed 30 s later
                raw.shutdown(socket.SHUT_WR)
            except OSError:
                pass  # refused before all of it was sent
            received = b""
            try:
                while piece := raw.recv(65536):
                    received += piece
            except ConnectionResetError:
                pass
            return received

    def status(self, request):
        """The status of the answer, or 0 where the connection was just closed."""
        received = self.exchange(request)
        statuses = set(re.findall(rb"^HTTP/1\.1 (\d{3}) ", received, re.M))
        self.assertLessEqual(len(statuses), 1, received)
        return int(statuses.pop()) if statuses else 0

    def test_good_request_is_answered(self):
        self.assertEqual(self.status(GET + HOST + b"\r\n"), 200)

    def test_malformed_requests_are_refused(self):
        # the two lengths that are no number, and the one beyond 64 bits, are answered by
        # libmicrohttpd itself
        for name, status, request in (
            ("no Host", 400, GET + b"\r\n"),
            ("Host twice", 400, GET + HOST + HOST + b"\r\n"),
            ("Content-Length twice", 400,
             POST + b"Content-Length: 5\r\nContent-Length: 5\r\n\r\nhello"),
            ("two Content-Lengths that differ", 400,
             POST + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\nhello!"),
            ("length and coding", 400,
             POST + b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"),
            ("coding but chunked", 400, POST + b"Transfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n"),
            ("negative length", 400, POST + b"Content-Length: -5\r\n\r\nhello"),
            ("length that is no number", 400, POST + b"Content-Length: five\r\n\r\nhello"),
            ("length beyond 64 bits", 413,
             POST + b"Content-Length: 99999999999999999999999\r\n\r\nhello"),
            ("65 headers", 400, GET + HOST + b"".join(b"X-%d: y\r\n" % i for i in range(64)) + b"\r\n"),
            ("100 headers", 400, GET + HOST + b"".join(b"X-%d: y\r\n" % i for i in range(99)) + b"\r\n"),
            ("a broken escape", 400, b"GET /v1/captures?tester=%zz HTTP/1.1\r\n" + HOST + b"\r\n"),
            ("zero byte in a value", 400, GET + b"Host: 127.0.0.1\0evil\r\n\r\n"),
            ("two of them", 400, GET + b"Host: localhost\0\0evil\r\nAccept: */*\r\n\r\n"),
            ("zero byte in a name", 400, GET + HOST + b"X\0A: b\r\n\r\n"),
            ("zero byte in the path", 400, b"GET /v1/\0health HTTP/1.1\r\n" + HOST + b"\r\n"),
            ("zero byte in the method", 400, b"GET\0X /v1/health HTTP/1.1\r\n" + HOST + b"\r\n"),
            ("a folded line", 400, GET + HOST + b"X: a\r\n b\r\n\r\n"),
            ("control byte in a value", 400, GET + HOST + b"X-A: a\x01b\r\n\r\n"),
            ("control byte in the path", 404, b"GET /v1/he%01alth HTTP/1.1\r\n" + HOST + b"\r\n"),
        ):
            with self.subTest(name):
                self.assertEqual(self.status(request), status)

    def test_refusals_are_problems(self):
        received = self.exchange(GET + HOST + HOST + b"\r\n")
        head, body = received.split(b"\r\n\r\n", 1)
        self.assertRegex(head, rb"^HTTP/1\.1 400 ")
        self.assertIn(b"application/problem+json", head)
        self.assertIn(b'"bad_request"', body)

    def test_long_headers_in_pieces_are_taken(self):
        # close to what the library holds of one request; twice on one connection, so that
        # the second begins within the bytes of the first
        request = GET + HOST + b"".join(b"X-%d: %s\r\n" % (i, b"y" * 600) for i in range(45))
        request += b"Empty:\r\nBlanks:   z\r\nCookie: a=b; c=d\r\n\r\n"
        with self.daemon.connect() as raw:
            for cut in (1, 7, 1000):
                both = request * 2
                for i in range(0, len(both), len(both) // cut):
                    raw.sendall(both[i:i + len(both) // cut])
                    time.sleep(0.0005)
                received = b""
                while received.count(b'"free_disk_bytes"') < 2:
                    piece = raw.recv(65536)
                    self.assertTrue(piece, received)
                    received += piece
                self.assertEqual(re.findall(rb"HTTP/1\.1 (\d{3}) ", received), [b"200"] * 2)

    def test_64_headers_are_taken(self):
        request = GET + HOST + b"".join(b"X-%d: y\r\n" % i for i in range(62))
        self.assertEqual(self.status(request + b"Accept: */*\r\n\r\n"), 200)

    def test_nonsense_closes_the_connection(self):
        # all answered by libmicrohttpd itself, or dropped (0); what is longer than it reads
        # may cost its answer, since the rest is still on the way when it closes
        for name, statuses, request in (
            ("noise", {400}, bytes(range(256)) * 8),
            ("TLS hello", {0}, b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(500)),
            ("empty lines", {0}, b"\r\n" * 50),
            ("line without end", {0, 414}, b"GET /" + b"a" * 200000),
            ("header without end", {0, 431}, GET + HOST + b"X: " + b"a" * 200000),
            ("old version", {400}, b"GET /v1/health\r\n\r\n"),
            ("unknown version", {505}, b"GET /v1/health HTTP/9.9\r\n" + HOST + b"\r\n"),
            ("nothing", {0}, b""),
        ):
            with self.subTest(name):
                self.assertIn(self.status(request), statuses)

    def test_bad_chunks_keep_nothing(self):
        head = POST + b"Transfer-Encoding: chunked\r\n\r\n"
        chunk = b"%x\r\n%s\r\n" % (len(TONE), TONE)
        for name, status, body in (
            ("size that is no number", 400, b"zz\r\n" + chunk + b"0\r\n\r\n"),
            ("negative size", 400, b"-5\r\nhello\r\n0\r\n\r\n"),
            ("size beyond 64 bits", 413, b"fffffffffffffffff\r\nhello\r\n0\r\n\r\n"),
            ("shorter than said", 0, b"%x\r\n%s\r\n0\r\n\r\n" % (len(TONE) + 50, TONE)),
            ("no last chunk", 0, chunk),
        ):
            with self.subTest(name):
                self.assertEqual(self.status(head + body), status)
                self.wait_until_empty()

    def wait_until_empty(self):
        end = time.monotonic() + 20
        while self.daemon.files("incoming"):
            self.assertLess(time.monotonic(), end)
            time.sleep(0.02)

    def test_foreign_host_is_misdirected(self):
        for host in (b"example.org", b"localhost.example.org", b"127.0.0.1.example.org",
                     b"192.0.2.1", b"localhost:80:80", b"127.0.0.1@example.org"):
            with self.subTest(host):
                received = self.exchange(GET + b"Host: " + host + b"\r\n\r\n")
                self.assertRegex(received, rb"^HTTP/1\.1 421 ")

    def test_target_of_a_foreign_host_is_misdirected(self):
        for target, status in ((b"http://localhost/v1/health", 200),
                               (b"http://example.org/v1/health", 421),
                               (b"http://localhost.example.org:80/v1/health", 421)):
            with self.subTest(target):
                self.assertEqual(
                    self.status(b"GET " + target + b" HTTP/1.1\r\n" + HOST + b"\r\n"), status)

    def test_options_of_the_whole_server(self):
        received = self.exchange(b"OPTIONS * HTTP/1.1\r\n" + HOST + b"\r\n")
        self.assertRegex(received, rb"^HTTP/1\.1 204 ")
        self.assertIn(b"\r\nAllow: GET, HEAD, POST, PATCH, DELETE, OPTIONS\r\n", received)

    def test_refusal_of_a_long_chunked_body_is_answered(self):
        piece = bytes(1 << 20)
        pieces = (piece for _ in range(70))  # more than the 64 MiB that are declared at most
        answer = self.daemon.ask("POST", "/v1/captures?nmae=x", pieces)
        self.check_problem(answer, 422, "unknown_field", "nmae")

    def test_refusal_of_a_broken_escape_keeps_the_connection(self):
        with self.daemon.connect() as raw:
            raw.sendall(b"POST /v1/captures?name=%zz HTTP/1.1\r\n" + HOST +
                        b"Content-Length: 5\r\n\r\nhello" + GET + HOST + b"\r\n")
            received = b""
            while b'"free_disk_bytes"' not in received:
                piece = raw.recv(65536)
                self.assertTrue(piece, received)
                received += piece
            self.assertEqual(re.findall(rb"HTTP/1\.1 (\d{3}) ", received), [b"400", b"200"])

    def test_foreign_host_is_a_problem_of_its_own(self):
        answer = self.daemon.get("/v1/health", Host="example.org")
        self.check_problem(answer, 421, "wrong_host", "Host")

    def test_own_names_are_taken(self):
        port = self.daemon.port
        for host in ("localhost", f"localhost:{port}", "127.0.0.1", f"127.0.0.1:{port}",
                     "LOCALHOST", "[::1]", f"[::1]:{port}"):
            with self.subTest(host):
                self.assertEqual(self.daemon.get("/v1/health", Host=host).status, 200)

    def test_foreign_origin_may_not_write(self):
        for origin in ("http://example.org", "null", "https://localhost.example.org",
                       f"http://127.0.0.1:{self.daemon.port + 1}"):
            with self.subTest(origin):
                answer = self.daemon.upload(TONE, headers={"Origin": origin})
                self.check_problem(answer, 403, "forbidden", "Origin")
                answer = self.daemon.post_json("/v1/analyses", {}, Origin=origin)
                self.check_problem(answer, 403, "forbidden", "Origin")

    def test_slow_sender_does_not_hold_up_others(self):
        with self.daemon.connect() as slow:
            slow.sendall(POST + b"Content-Length: 1000\r\n\r\nRIFF")
            began = time.monotonic()
            for _ in range(20):
                self.assertEqual(self.daemon.get("/v1/health").status, 200)
            self.assertLess(time.monotonic() - began, 20)
        self.wait_until_empty()

    def test_several_requests_on_one_connection(self):
        with self.daemon.connect() as raw:
            raw.sendall((GET + HOST + b"\r\n") * 3)
            received = b""
            while len(re.findall(rb'"free_disk_bytes"', received)) < 3:
                piece = raw.recv(65536)
                self.assertTrue(piece, received)
                received += piece
            self.assertEqual(len(re.findall(rb"HTTP/1\.1 200 ", received)), 3)


class OwnOrigin(harness.DaemonCase):
    def test_own_origin_may_write(self):
        for origin in (self.daemon.url, f"http://localhost:{self.daemon.port}"):
            with self.subTest(origin):
                host = origin.removeprefix("http://")
                answer = self.daemon.upload(TONE, headers={"Origin": origin, "Host": host})
                self.assertEqual(answer.status, 201, answer)


class HostNames(harness.DaemonCase):
    OPTIONS = ("--host-name", "bench.example.org")

    def test_name_given_is_taken(self):
        self.assertEqual(self.daemon.get("/v1/health", Host="bench.example.org").status, 200)
        answer = self.daemon.get("/v1/health", Host="other.example.org")
        self.check_problem(answer, 421, "wrong_host", "Host")


if __name__ == "__main__":
    harness.main()
