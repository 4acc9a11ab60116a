"""Death, a full disk and a failing one at each call upon the state folder in turn, from the
start of the daemon to its end: nothing acknowledged is lost, nothing is half-kept.

Each run begins with an empty state folder. A short run takes some of the places; `--every`
takes them all. faults.c makes the calls fail, or, with `--strace`, strace does.
"""

import argparse
import concurrent.futures
import http.client
import os
import pathlib
import shutil
import sys
import tempfile

import tools
from ledger import Ledger, Lost, harness, need

import waves  # beside the harness

TONE = waves.wav(waves.tone(duration_s=1.5, noise_dbfs=-100), bits=16)
OTHER = waves.wav(waves.tone(duration_s=1.5, noise_dbfs=-100, seed=2), bits=16)
GONE = (ConnectionError, http.client.HTTPException, TimeoutError)
LAST = 2000  # no run makes as many calls
TOGETHER = 4


class Run:
    """One life of a daemon with one fault, and the daemon after it."""

    def __init__(self, tool, call, action, at):
        self.what = f"{tool.__name__}: {call} {at}: {action}"
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="residuum-faults-"))
        self.state = self.folder / "state"
        self.state.mkdir(mode=0o700)
        self.ledger = Ledger(self.state)
        self.fault = tool(self.folder, self.state, call, action, at)

    def start(self, faulty):
        return harness.Daemon("--workers", "1", state=self.state,
                              **(self.fault.options if faulty else {}))

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
        self.check_deaths(self.ledger.check_results(daemon))
        need(self.ledger.upload(daemon, TONE).status == 201, "no upload afterwards")
        daemon.stop()


    def check_deaths(self, crashed):
        attempts = self.ledger.attempts()
        if not self.fault.KILLS_WORKERS:
            need(set(attempts.values()) <= {0}, "attempts:", attempts)
        for analysis in crashed:
            need(attempts[analysis] == 2, "crashed after other than two deaths:", analysis)


def run_kill(tool, call, at):
    """Killed at this call. False when the life ended before it."""
    run = Run(tool, call, "KILL", at)
    try:
        try:
            daemon = run.start(True)
        except AssertionError:  # died at the start
            need(run.fault.has_fired(), "did not start")
            run.check_after()
            return True
        try:
            run.work(daemon)
            daemon.process.terminate()
        except GONE:
            pass
        daemon.process.wait(harness.PATIENCE_S)
        status = daemon.process.returncode
        need(status == (-9 if run.fault.has_fired() else 0) or
             status == 0 and run.fault.KILLS_WORKERS, "another end:", status, daemon.log())
        daemon.clean_up()
        run.check_after()
        return run.fault.has_fired()
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
    run.fault.make_well(daemon)
    answer = run.ledger.upload(daemon, TONE)
    if answer.status == 503 and "start residuumd again" in answer.json["detail"]:
        health = daemon.get("/v1/health")
        need(health.status == 503 and health.json["alive"] and not health.json["ready"], health)
        need(b"\nresiduum_ready 0\n" in daemon.get("/metrics").body, "metrics say ready")
        return True
    need(answer.status == 201, "the disk is well again:", answer)
    need(run.ledger.analyse(daemon, answer.json["id"]).status == 202, "no analysis")
    return False


def run_error(tool, call, action, at):
    """The call fails. False when the life ended before it."""
    run = Run(tool, call, action, at)
    try:
        try:
            daemon = run.start(True)
        except AssertionError as refusal:
            need("\nresiduumd: " in str(refusal) and run.fault.has_fired(), refusal)
            run.check_after()
            return True
        stuck = work_on_a_bad_disk(run, daemon)
        if not stuck:
            run.check_deaths(run.ledger.check_results(daemon))
            is_settled(run, daemon)
        daemon.stop()
        run.check_after()
        return run.fault.has_fired()
    except Exception as fault:
        raise Lost(run.what, run.state) from fault
    finally:
        run.clean_up()


def iterate(run, step, call):
    """Runs with the fault at 1, 1 + step, … until it does not happen any more; some at a
    time, as each mostly waits."""
    at, count = 1, 0
    with concurrent.futures.ThreadPoolExecutor(TOGETHER) as pool:
        while True:
            need(at < LAST, "no end of", call)
            fired = list(pool.map(run, range(at, at + TOGETHER * step, step)))
            count += sum(fired)
            if not all(fired):
                return count
            at += TOGETHER * step


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--every", action="store_true")
    parser.add_argument("--strace", action="store_true")
    asked = parser.parse_args()
    tool = tools.Strace if asked.strace else tools.Preload
    if asked.strace:
        tools.check_strace()
    print(f"programs under test: {harness.BIN}", file=sys.stderr)
    for call, few in tool.CALLS.items():
        count = iterate(lambda at: run_kill(tool, call, str(at)), 1 if asked.every else few, call)
        print(f"{call}: killed at {count} places", flush=True)
    for call, few in tool.ERROR_CALLS.items():
        step = 1 if asked.every else 2 * few
        for action in ("ENOSPC", "EIO"):
            for mode in ("", "+"):
                count = iterate(lambda at: run_error(tool, call, action, f"{at}{mode}"), step,
                                call)
                print(f"{call}: {action} at {count} places{' and all after each' * bool(mode)}",
                      flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
