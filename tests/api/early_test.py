"""Bodies that are refused, sent by clients as they are: every one gets to see the problem,
though it sends far more than sockets hold, and without sending for long."""

import concurrent.futures
import http.client
import json
import os
import subprocess
import tempfile
import time
import urllib.error
import urllib.request

import harness
import waves

LIMIT_BYTES = 1 << 20
BODY_BYTES = 200 << 20
RUNS = 10
TONE = waves.wav(waves.tone(duration_s=0.2))

NODE_FETCH = """
const answer = await fetch(process.argv[1], {method: 'POST', body: Buffer.alloc(+process.argv[2])});
console.log(answer.status + ' ' + await answer.text());
"""
# 'length' declares it, 'chunked' does not
NODE_HTTP = """
import http from 'node:http';
import {Readable} from 'node:stream';
const [url, bytes, framing] = [process.argv[1], +process.argv[2], process.argv[3]];
const body = Readable.from((function* () {
  for (let i = 0; i < bytes; i += 1 << 20) yield Buffer.alloc(1 << 20);
})());
const headers = framing === 'length' ? {'Content-Length': bytes} : {};
const request = http.request(url, {method: 'POST', headers}, answer => {
  let text = '';
  answer.on('data', piece => text += piece);
  answer.on('end', () => { console.log(answer.statusCode + ' ' + text); process.exit(0); });
});
body.pipe(request);
"""


class Early(harness.DaemonCase):
    OPTIONS = ("--max-upload", str(LIMIT_BYTES))

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.url = cls.daemon.url + "/v1/captures"
        with tempfile.NamedTemporaryFile(prefix="residuum-body-", delete=False) as body:
            body.truncate(BODY_BYTES)
        cls.body = body.name
        cls.addClassCleanup(os.unlink, cls.body)

    def tearDown(self):
        super().tearDown()
        self.assertEqual(self.daemon.files("incoming"), [])

    def check(self, status, body):
        self.assertEqual(int(status), 413, body)
        problem = json.loads(body)
        self.assertEqual((problem["code"], problem["limit_bytes"]), ("too_large", LIMIT_BYTES))

    def run_client(self, command, data=None):
        """The status and body that a command prints as "STATUS BODY"."""
        done = subprocess.run(command, stdin=data, capture_output=True, text=True, check=False,
                              timeout=harness.PATIENCE_S)
        self.assertRegex(done.stdout, r"^\d{3} ", f"{done.returncode} {done.stderr}")
        return done.stdout.split(" ", 1)

    def test_curl_sees_it(self):
        for name, options in (
            ("with Expect", ["-X", "POST", "-T", self.body]),
            ("without", ["-H", "Expect:", "-X", "POST", "-T", self.body]),
            ("as data", ["-H", "Expect:", "--data-binary", "@" + self.body]),
        ):
            for run in range(RUNS):
                with self.subTest(name, run=run):
                    done = subprocess.run(
                        ["curl", "-sS", "-o", "-", "-w", "\n%{http_code} %{size_upload}",
                         *options, self.url],
                        capture_output=True, text=True, check=False, timeout=harness.PATIENCE_S)
                    self.assertEqual(done.returncode, 0, done.stderr)
                    body, facts = done.stdout.rsplit("\n", 1)
                    status, sent = facts.split()
                    self.check(status, body)
                    if name == "with Expect":
                        self.assertEqual(int(sent), 0)

    def test_curl_sees_it_chunked(self):
        for run in range(RUNS):
            with self.subTest(run=run), open(self.body, "rb") as body:
                done = subprocess.run(
                    ["curl", "-sS", "-w", "\n%{http_code}", "-X", "POST", "-T", "-", self.url],
                    stdin=body, capture_output=True, text=True, check=False,
                    timeout=harness.PATIENCE_S)
                self.assertEqual(done.returncode, 0, done.stderr)
                self.check(*done.stdout.rsplit("\n", 1)[::-1])

    def test_body_without_end_is_answered(self):
        began = time.monotonic()
        with open("/dev/zero", "rb") as endless:
            done = subprocess.run(
                ["curl", "-sS", "-w", "\n%{http_code}", "-X", "POST", "-T", "-", self.url],
                stdin=endless, capture_output=True, text=True, check=False,
                timeout=harness.PATIENCE_S)
        self.check(*done.stdout.rsplit("\n", 1)[::-1])
        self.assertLess(time.monotonic() - began, 20)
        # of JSON 256 KiB are taken
        with open("/dev/zero", "rb") as endless:
            done = subprocess.run(
                ["curl", "-sS", "-w", "\n%{http_code}", "-X", "POST", "-T", "-",
                 self.daemon.url + "/v1/analyses"],
                stdin=endless, capture_output=True, text=True, check=False,
                timeout=harness.PATIENCE_S)
        body, status = done.stdout.rsplit("\n", 1)
        self.assertEqual((status, json.loads(body)["limit_bytes"]), ("413", 256 * 1024))

    def test_answer_within_a_body_has_the_shape_of_every_problem(self):
        pieces = iter([bytes(LIMIT_BYTES), b"one more"])
        answer = self.daemon.ask("POST", "/v1/captures", pieces)
        self.check_problem(answer, 413, "too_large", limit_bytes=LIMIT_BYTES)
        self.assertEqual(answer.headers["cache-control"], "no-store")
        self.assertEqual(answer.headers["connection"], "close")
        self.assertIn("date", answer.headers)

    def test_limit_itself_is_taken(self):
        answer = self.daemon.upload(iter([TONE, bytes(LIMIT_BYTES - len(TONE))]))
        self.assertEqual(answer.status, 201, answer)

    def test_python_urllib_sees_it(self):
        for run in range(RUNS):
            with self.subTest(run=run), open(self.body, "rb") as body:
                request = urllib.request.Request(
                    self.url, data=body, method="POST",
                    headers={"Content-Length": str(BODY_BYTES)})
                with self.assertRaises(urllib.error.HTTPError) as caught:
                    urllib.request.urlopen(request, timeout=harness.PATIENCE_S)
                with caught.exception as answer:
                    self.check(answer.code, answer.read())

    def test_python_http_client_sees_it(self):
        whole = bytes(BODY_BYTES)
        pieces = [whole[:LIMIT_BYTES]] * (BODY_BYTES // LIMIT_BYTES)
        for name, body in (("declared", whole), ("chunked", pieces)):
            for run in range(RUNS):
                with self.subTest(name, run=run):
                    answer = self.daemon.upload(iter(body) if name == "chunked" else body)
                    self.check(answer.status, answer.body)

    def test_node_sees_it(self):
        for name, script, more in (("fetch", NODE_FETCH, []), ("http", NODE_HTTP, ["length"]),
                                   ("http chunked", NODE_HTTP, ["chunked"])):
            for run in range(RUNS):
                with self.subTest(name, run=run):
                    self.check(*self.run_client(
                        ["node", "--input-type=module", "-e", script, "--", self.url,
                         str(BODY_BYTES), *more]))

    def test_answer_comes_before_the_body(self):
        for head in (b"Content-Length: %d\r\n" % BODY_BYTES,
                     b"Content-Length: %d\r\nExpect: 100-continue\r\n" % BODY_BYTES):
            with self.daemon.connect() as raw:
                raw.sendall(b"POST /v1/captures HTTP/1.1\r\nHost: localhost\r\n" + head + b"\r\n")
                began = time.monotonic()
                received = b""
                while piece := raw.recv(65536):
                    received += piece
                self.assertLess(time.monotonic() - began, 4)
            head, body = received.split(b"\r\n\r\n", 1)
            self.assertIn(b"\r\nConnection: close", head)
            self.check(head.split()[1], body)

    def test_other_refusals_of_long_bodies_are_seen(self):
        for path, status in (("/v1/captures?nome=a", 422), ("/v1/nothing", 404),
                             ("/v1/analyses", 413), ("/v1/measurements", 405)):
            for body in (bytes(20 << 20), iter([bytes(1 << 20)] * 20)):
                with self.subTest(path):
                    self.assertEqual(self.daemon.ask("POST", path, body).status, status)

    def test_short_refused_bodies_leave_the_connection(self):
        connection = http.client.HTTPConnection(
            "127.0.0.1", self.daemon.port, timeout=harness.PATIENCE_S)
        for _ in range(3):
            connection.request("POST", "/v1/captures?nome=a", TONE)
            answer = connection.getresponse()
            answer.read()
            self.assertEqual((answer.status, answer.getheader("Connection")), (422, None))
            held = connection.sock
            self.assertIsNotNone(held)
        connection.close()

    def descriptors(self):
        return len(os.listdir(f"/proc/{self.daemon.process.pid}/fd"))

    def threads(self):
        return len(os.listdir(f"/proc/{self.daemon.process.pid}/task"))

    def test_flood_of_early_answers_is_bounded(self):
        # more than 32 connections (http.c) that never end by themselves
        before, threads = self.descriptors(), self.threads()
        request = (b"POST /v1/captures HTTP/1.1\r\nHost: localhost\r\n"
                   b"Content-Length: %d\r\n\r\n" % BODY_BYTES)
        flood = []
        try:
            for _ in range(150):
                flood.append(self.daemon.connect())
                flood[-1].sendall(request)
                self.assertRegex(flood[-1].recv(65536), rb"^HTTP/1\.1 413 ")
            end = time.monotonic() + 4
            while self.descriptors() > before + 34 and time.monotonic() < end:
                time.sleep(0.05)
            self.assertLessEqual(self.descriptors(), before + 34)
            self.assertEqual(self.threads(), threads)
            self.assertEqual(self.daemon.upload(TONE).status, 201)
        finally:
            for raw in flood:
                raw.close()

    def test_many_at_once_see_it(self):
        def send(_):
            answer = self.daemon.upload(bytes(20 << 20))
            return answer.status
        with concurrent.futures.ThreadPoolExecutor(16) as pool:
            self.assertEqual(list(pool.map(send, range(32))), [413] * 32)


if __name__ == "__main__":
    harness.main()
