"""What a daemon acknowledged, and whether it kept its word after a restart."""

import contextlib
import hashlib
import os
import pathlib
import sqlite3
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "api"))

import harness  # noqa: E402 (after the path to it)

class Lost(AssertionError):
    """The daemon broke its word."""


def need(condition, *what):
    if not condition:
        raise Lost(" ".join(str(part) for part in what))


class Ledger:
    """Notes what was acknowledged: captures by 201, analyses by 202, removals by 204."""

    def __init__(self, state):
        self.state = pathlib.Path(state)
        self.captures = {}  # id → SHA-256
        self.analyses = {}  # id → capture's id
        self.removed = set()  # ids of captures
        self.checked = set()  # contents whose bytes were compared

    def upload(self, daemon, body, query=""):
        """Gives the answer; notes it when it is a 201."""
        answer = daemon.upload(body, query)
        if answer.status == 201:
            capture = answer.json
            need(capture["sha256"] == hashlib.sha256(body).hexdigest(), "another digest:", answer)
            self.captures[capture["id"]] = capture["sha256"]
        return answer

    def analyse(self, daemon, capture, measurement="distortion"):
        answer = daemon.post_json("/v1/analyses",
                                  {"capture": capture, "measurement": measurement})
        if answer.status == 202:
            self.analyses[answer.json["id"]] = capture
        return answer

    def rows(self, query):
        """Rows of the database, read beside the daemon that writes it."""
        uri = f"file:{self.state / 'residuum.db'}?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=30)) as database:
            return database.execute(query).fetchall()

    def names(self, folder):
        return {path.name for path in (self.state / folder).rglob("*") if path.is_file()}

    def check_start(self, daemon):
        """Right after a start: all that was acknowledged is there, and no file without a
        row. What lies in orphans/ was never acknowledged, or its removal was."""
        captures = {row[0]: row[1] for row in self.rows("SELECT id, sha256 FROM capture")}
        analyses = {row[0] for row in self.rows("SELECT id FROM analysis")}
        for capture, sha256 in self.captures.items():
            need(captures.get(capture) == sha256, "lost capture", capture)
            self.check_bytes(sha256)
        need(not self.removed & set(captures), "captures that were removed are back")
        for analysis in self.analyses:
            need(analysis in analyses, "lost analysis", analysis)
        need(self.names("objects") == set(captures.values()),
             "contents and rows differ:", self.names("objects") ^ set(captures.values()))
        need(self.names("incoming") == set(), "incoming:", self.names("incoming"))
        orphans = self.names("orphans")
        need(not orphans & set(self.captures.values()), "acknowledged, now an orphan")
        need(not orphans & set(self.analyses), "acknowledged, now an orphan")
        need(daemon.get("/v1/health").json["alive"], "not alive")

    def check_bytes(self, sha256):
        if sha256 not in self.checked:
            content = (self.state / "objects" / sha256[:2] / sha256).read_bytes()
            need(hashlib.sha256(content).hexdigest() == sha256, "changed bytes of", sha256)
            self.checked.add(sha256)

    def check_results(self, daemon):
        """Waits for the health of every acknowledged capture: done, or worker_crashed; and
        for every acknowledged analysis: done with a result, or worker_crashed.
        Gives the ids of those that crashed. Those that were not acknowledged may be there,
        too, and are waited for."""
        self.wait_for_an_empty_queue(daemon)
        for capture in self.captures:
            health = daemon.get(f"/v1/captures/{capture}").json["health"]
            need(health["state"] == "done" or health["state"] == "failed"
                 and health["problem"]["code"] == "worker_crashed", "health:", health)
        crashed = []
        for analysis, capture in self.analyses.items():
            ended = daemon.wait_for_end(analysis)
            if ended["state"] == "failed" and ended["problem"]["code"] == "worker_crashed":
                crashed.append(analysis)
                continue
            need(ended["state"] == "done", "lost:", ended)
            result = daemon.get(f"/v1/analyses/{analysis}/result")
            need(result.status == 200, "no result:", result)
            need(result.json["capture"]["sha256"] == self.captures[capture],
                 "the result of another recording:", result)
        results = self.names("results")
        done = {row[0] for row in self.rows("SELECT id FROM analysis WHERE state = 2")}
        need(results == done, "results and rows differ:", results ^ done)
        return crashed

    def wait_for_an_empty_queue(self, daemon):
        end = time.monotonic() + 2 * harness.PATIENCE_S
        while any(daemon.get("/v1/health").json["queue"].values()):
            need(time.monotonic() < end, "the queue does not empty", daemon.log())
            time.sleep(0.02)

    def attempts(self):
        """Deaths of workers by the id of what they were at: an analysis, or the health of a
        capture."""
        return dict(self.rows("SELECT id, attempts FROM analysis UNION ALL"
                              " SELECT id, health_attempts FROM capture"))

    def quarantined(self):
        return {row[0] for row in self.rows("SELECT id FROM capture WHERE quarantined")}


def preload(state, **rules):
    """The environment of a daemon on a disk with faults (faults.c): call="write",
    action="ENOSPC", at="5+", disk=64 << 20, …"""
    # A sanitizer's own library would like to be the first.
    options = {name: os.environ.get(name, "") + ":verify_asan_link_order=0:detect_leaks=0"
               for name in ("ASAN_OPTIONS",)}
    return {**options, "LD_PRELOAD": str(harness.BIN.parent / "tests" / "libfaults.so"),
            "FAULTS_FOLDER": os.path.realpath(state),
            **{f"FAULTS_{name.upper()}": str(value) for name, value in rules.items()}}
