#!/usr/bin/python3
"""What every benchmark shares: alternating pairs, their median ratio, and the one table.

A benchmark is a script analysis_*.py or server_*.py beside this file. It times two things that
do the same work, ours and a limit or another program, with `compare`, and hands each result to
`row`. run.sh runs all of them and prints the table: `pairs.py table FILE`.
"""

import dataclasses
import json
import os
import statistics
import sys
import time

PAIRS = 9


@dataclasses.dataclass
class Pairs:
    ours: float  # medians, in whatever unit the two callables return
    reference: float
    ratio: float  # median of the pairs' own ratios, ours / reference


def timed(function, *arguments):
    """Seconds that one call takes."""
    begin = time.perf_counter()
    function(*arguments)
    return time.perf_counter() - begin


def compare(ours, reference, pairs=PAIRS):
    """Calls both once to warm up, then in alternating order; each returns a number (seconds,
    say). The ratio is taken within each pair, so that a machine that slows down meanwhile
    slows both."""
    ours(), reference()
    first, second, ratios = [], [], []
    for i in range(pairs):
        if i % 2:
            b, a = reference(), ours()
        else:
            a, b = ours(), reference()
        first.append(a)
        second.append(b)
        ratios.append(a / b)
    return Pairs(statistics.median(first), statistics.median(second), statistics.median(ratios))


def row(what, ours, reference, ratio, at_most=None, at_least=None):
    """Adds a line to the table: texts for what was measured, ours and the reference (with
    units), the ratio as a number, and one goal for it; without a goal it is only shown."""
    goal, met = "", None
    if at_most is not None:
        goal, met = f"≤ {at_most:g}", ratio <= at_most
    elif at_least is not None:
        goal, met = f"≥ {at_least:g}", ratio >= at_least
    line = {"what": what, "ours": ours, "reference": reference, "ratio": ratio, "goal": goal,
            "met": met}
    with open(os.environ["BENCH_ROWS"], "a", encoding="utf-8") as rows:
        rows.write(json.dumps(line, ensure_ascii=False) + "\n")
    print(f"{what}: {ours}, {reference}: {shown(ratio)} {goal}", file=sys.stderr, flush=True)


def shown(number):
    return f"{number:.3g}" if abs(number) < 1000 else f"{number:.0f}"


def milliseconds(seconds):
    return f"{seconds * 1e3:.3g} ms" if seconds < 1 else f"{seconds:.3g} s"


def table(path):
    """Prints all rows as a Markdown table; False when a goal was missed."""
    with open(path, encoding="utf-8") as rows:
        lines = [json.loads(line) for line in rows]
    said = {True: "yes", False: "NO", None: ""}
    cells = [["what", "ours", "limit or reference", "ratio", "goal", "met"]]
    cells += [[line["what"], line["ours"], line["reference"], shown(line["ratio"]),
               line["goal"], said[line["met"]]] for line in lines]
    widths = [max(len(row[i]) for row in cells) for i in range(len(cells[0]))]
    cells.insert(1, ["-" * width for width in widths])
    for cell_row in cells:
        print("| " + " | ".join(c.ljust(w) for c, w in zip(cell_row, widths)) + " |")
    return bool(lines) and all(line["met"] is not False for line in lines)


if __name__ == "__main__":
    if len(sys.argv) != 3 or sys.argv[1] != "table":
        sys.exit("usage: pairs.py table ROWS")
    sys.exit(0 if table(sys.argv[2]) else 1)
