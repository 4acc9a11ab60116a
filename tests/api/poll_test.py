"""Polls of analyses that have ended: the daemon answers them from memory after the first, and
that must not show, whatever changes meanwhile."""

import http.client
import socket
import threading
import time

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=0.5))


class Polls(harness.DaemonCase):
    def setUp(self):
        self.capture = self.daemon.upload(TONE).json["id"]
        self.analysis = self.daemon.analyse(self.capture)
        self.path = f"/v1/analyses/{self.analysis}"
        self.daemon.wait_for_end(self.analysis)

    def test_later_answers_are_those_of_the_first(self):
        first = self.daemon.get(self.path)
        first.headers.pop("date")
        for _ in range(3):
            again = self.daemon.get(self.path)
            again.headers.pop("date")
            self.assertEqual((again.status, again.headers, again.body),
                             (first.status, first.headers, first.body))
        head = self.daemon.ask("HEAD", self.path)
        self.assertEqual((head.status, head.body), (200, b""))
        self.assertEqual(head.headers["content-length"], str(len(first.body)))

    def test_answers_with_other_headers_are_not_mixed_up_with_them(self):
        plain = self.daemon.get(self.path)
        for _ in range(2):
            waited = self.daemon.get(self.path, Prefer="wait=5")
            self.assertEqual(waited.headers["preference-applied"], "wait=5")
            self.assertEqual(waited.body, plain.body)
            known = self.daemon.get(self.path, If_None_Match=plain.headers["etag"])
            self.assertEqual((known.status, known.body), (304, b""))
            again = self.daemon.get(self.path)
            self.assertEqual((again.status, again.body), (200, plain.body))
            self.assertNotIn("preference-applied", again.headers)

    def test_a_removed_analysis_is_not_found(self):
        other = self.daemon.analyse(self.capture)
        self.daemon.wait_for_end(other)
        for path in (self.path, f"/v1/analyses/{other}"):
            for _ in range(2):
                self.assertEqual(self.daemon.get(path).status, 200)
        self.assertEqual(self.daemon.ask("DELETE", self.path).status, 204)
        self.check_problem(self.daemon.get(self.path), 404, "not_found")
        self.assertEqual(self.daemon.get(f"/v1/analyses/{other}").status, 200)

    def test_a_removed_capture_takes_its_analyses_along(self):
        for _ in range(2):
            self.assertEqual(self.daemon.get(self.path).status, 200)
        self.assertEqual(self.daemon.ask("DELETE", f"/v1/captures/{self.capture}").status, 204)
        self.check_problem(self.daemon.get(self.path), 404, "not_found")

    def test_removed_while_it_is_polled(self):
        """Once the removal is answered, no poll begun after it finds the analysis."""
        for _ in range(10):
            analysis = self.daemon.analyse(self.capture)
            self.daemon.wait_for_end(analysis)
            path, removed, late = f"/v1/analyses/{analysis}", threading.Event(), []

            def poll():
                connection = http.client.HTTPConnection("127.0.0.1", self.daemon.port)
                for _ in range(20):
                    after = removed.is_set()
                    connection.request("GET", path)
                    answer = connection.getresponse()
                    answer.read()
                    if after:
                        late.append(answer.status)
                        break
                connection.close()

            pollers = [threading.Thread(target=poll) for _ in range(4)]
            for poller in pollers:
                poller.start()
            self.assertEqual(self.daemon.ask("DELETE", path).status, 204)
            removed.set()
            for poller in pollers:
                poller.join()
            late.append(self.daemon.get(path).status)
            self.assertEqual(set(late), {404})

    def test_a_client_that_ends_its_sending_gets_its_answer_and_the_end(self):
        with self.daemon.connect() as client:
            client.sendall(f"GET {self.path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())
            client.shutdown(socket.SHUT_WR)
            begin, answer = time.monotonic(), b""
            while piece := client.recv(65536):
                answer += piece
        self.assertTrue(answer.startswith(b"HTTP/1.1 200 "), answer)
        self.assertIn(self.analysis.encode(), answer)
        # Well before a connection's idle time of 30 s.
        self.assertLess(time.monotonic() - begin, 15)


if __name__ == "__main__":
    harness.main()
