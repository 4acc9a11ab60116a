"""Death, a full disk and a failing one at each call upon the state folder in turn, from the
start of the daemon to its end: nothing acknowledged is lost, nothing is half-kept.

Each run begins with an empty state folder. A short run takes some of the places; `--every`
takes them all. The calls are made to fail by faults.c, which counts
over all threads of the daemon.
"""

import argparse
import http.client
import os
import pathlib
import shutil
import sys
import tempfile

import ledger
from ledger import Ledger, Lost, harness, need

import waves  # beside the harness

# Call → the step between the places of a short run.
CALLS = {"write": 11, "fsync": 3, "fdatasync": 3, "rename": 1}
TONE = waves.wav(waves.tone(duration_s=1.5, noise_dbfs=-100), bits=16)
OTHER = waves.wav(waves.tone(duration_s=1.5, noise_dbfs=-100, seed=2), bits=16)
GONE = (ConnectionError, http.client.HTTPException, TimeoutError)
LAST = 2000  # no run makes as many calls


class Run:
    """One life of a daemon with one fault, and the daemon after it."""

    def __init__(self, call, action, at):
        self.what = f"{call} {at}: {action}"
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="residuum-faults-"))
        self.state = self.folder / "state"
        self.state.mkdir(mode=0o700)
        self.fired = self.folder / "fired"
        self.well = self.folder / "well"
        self.ledger = Ledger(self.state)
        self.environment = ledger.preload(self.state, call=call, action=action, at=at,
                                          fired=self.fired, until=self.well)

    def start(self, faulty):
        return harness.Daemon("--workers", "1", state=self.state,
                              environment=self.environment if faulty else None)

    def clean_up(self):
        shutil.rmtree(self.folder, ignore_errors=True)

    def work(self, daemon):
        """What a tester does; ends early where the daemon dies."""
        answers = [self.ledger.upload(daemon, TONE)]
        if answers[0].status == 201:
            answers.append(self.ledger.analyse(daemon, answers[0].json["id"]))
        if answers[-1].status == 202:
            daemon.wait_for_end(answers[-1].json["id"])
        answers.append(self.ledger.upload(daemon, OTHER))
        return answers

    def check_after(self):
        """A daemon without faults has all that was acknowledged, and counts no attempt."""
        daemon = self.start(False)
        self.ledger.check_start(daemon)
        need(self.ledger.check_results(daemon) == [], "a worker crashed")
        need(set(self.ledger.attempts().values()) <= {0}, "attempts:", self.ledger.attempts())
        need(self.ledger.upload(daemon, TONE).status == 201, "no upload afterwards")
        daemon.stop()


def run_kill(call, at):
    """Killed at this call. False when the life ended before it."""
    run = Run(call, "KILL", at)
    try:
        try:
            daemon = run.start(True)
        except AssertionError:  # died at the start
            need(run.fired.exists(), "did not start")
            run.check_after()
            return True
        try:
            run.work(daemon)
            daemon.process.terminate()
        except GONE:
            pass
        daemon.process.wait(harness.PATIENCE_S)
        need(run.fired.exists() == (daemon.process.returncode == -9), "another end:",
             daemon.process.returncode, daemon.log())
        daemon.clean_up()
        run.check_after()
        return run.fired.exists()
    except Exception as fault:
        raise Lost(run.what, run.state) from fault
    finally:
        run.clean_up()


def is_settled(run, daemon):
    """Nothing half-kept: what the daemon refused is neither a row nor a file."""
    run.ledger.check_start(daemon)
    rows = {row[0] for row in run.ledger.rows("SELECT id FROM capture")}
    need(rows == set(run.ledger.captures), "rows of refused uploads:", rows)


def check_refusal(answer):
    need(answer.status in (201, 202, 507, 503), "answer:", answer)
    if answer.status in (507, 503):
        problem = answer.json
        need(problem["code"] == {507: "disk_full", 503: "unavailable"}[answer.status], answer)
        need(problem["detail"].endswith("."), answer)


def work_on_a_bad_disk(run, daemon):
    """True when the disk's fault met the database's sync: all changes are refused until
    the daemon is started again."""
    for body in (TONE, OTHER):
        answer = run.ledger.upload(daemon, body)
        check_refusal(answer)
        if answer.status == 201:
            check_refusal(run.ledger.analyse(daemon, answer.json["id"]))
    for analysis in run.ledger.analyses:
        daemon.get(f"/v1/analyses/{analysis}", Prefer="wait=1")
    run.well.touch()
    answer = run.ledger.upload(daemon, TONE)
    if answer.status == 503 and "start residuumd again" in answer.json["detail"]:
        return True
    need(answer.status == 201, "the disk is well again:", answer)
    need(run.ledger.analyse(daemon, answer.json["id"]).status == 202, "no analysis")
    return False


def run_error(call, action, at):
    """The call fails. False when the life ended before it."""
    run = Run(call, action, at)
    try:
        try:
            daemon = run.start(True)
        except AssertionError as refusal:
            need("residuumd: " in str(refusal) and run.fired.exists(), refusal)
            run.check_after()
            return True
        stuck = work_on_a_bad_disk(run, daemon)
        if not stuck:
            need(run.ledger.check_results(daemon) == [], "a worker crashed")
            is_settled(run, daemon)
        daemon.stop()
        run.check_after()
        return run.fired.exists()
    except Exception as fault:
        raise Lost(run.what, run.state) from fault
    finally:
        run.clean_up()


def iterate(run, step, call):
    """Runs with the fault at 1, 1 + step, … until it does not happen any more."""
    at, count = 1, 0
    while run(at):
        need(at < LAST, "no end of", call)
        at += step
        count += 1
    return count


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--every", action="store_true")
    every = parser.parse_args().every
    print(f"programs under test: {harness.BIN}", file=sys.stderr)
    for call, few in CALLS.items():
        count = iterate(lambda at: run_kill(call, at), 1 if every else few, call)
        print(f"{call}: killed at {count} places")
        for action in ("ENOSPC", "EIO"):
            for mode in ("", "+"):
                step = 1 if every else 2 * few
                count = iterate(lambda at: run_error(call, action, f"{at}{mode}"), step, call)
                print(f"{call}: {action} at {count} places{' and all after each' * bool(mode)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
