#!/usr/bin/python3
"""A round at the bench: the signals to play, and what was recorded of them measured.

    bench.py [--server URL] [--rate HZ] render FOLDER
    bench.py [--server URL] [--floor FOLDER] [--full] measure FOLDER

`render` puts one WAV file for each step into FOLDER. Play each through the device, record it,
and put the recordings under the same names into a folder of their own, one folder for each
unit; `measure` then says what they are worth, step by step. --rate must be said again where
another one than 48000 was rendered. --floor names the folder of the same round with the
recorder connected to itself; --full prints every figure instead of the ones to choose by.
Needs Python 3.11 and measure.py beside it. Exit status: as that of measure.py.
"""

import argparse
import os
import shutil
import sys
import urllib.error
import urllib.parse
import urllib.request

import measure

# The file's name, the signal in it, the measurement, and the figures to choose a device by.
STEPS = (
    ("tone", {"name": "tone", "parameters": {"frequency_hz": 997, "level_dbfs": -1}},
     "distortion", ("sinad", "enob", "thd")),
    ("tone-60", {"name": "tone", "parameters": {"frequency_hz": 997, "level_dbfs": -60}},
     "noise", ("dynamic_range", "dynamic_range_a")),
    ("silence", {"name": "silence", "parameters": {}},
     "noise", ("noise_level_a", "mains_level")),
    ("two-tones", {"name": "twin-tone", "parameters": {"kind": "smpte"}},
     "intermodulation", ("modulation_distortion",)),
    ("two-high-tones", {"name": "twin-tone", "parameters": {"kind": "difference-frequency"}},
     "intermodulation", ("difference_total",)),
    ("multitone", {"name": "multitone", "parameters": {}},
     "multitone", ("residual_bits", "largest_line_bits")),
    ("jitter", {"name": "jitter-pattern", "parameters": {}},
     "jitter", ("jitter_peak_to_peak", "worst_sideband")),
)


def played(signal, rate):
    return {**signal, "parameters": {**signal["parameters"], "sample_rate_hz": rate}}


def file_of(folder, name):
    return os.path.join(folder, name + ".wav")


def fetch(server, signal, path):
    query = urllib.parse.urlencode(signal["parameters"])
    url = f"{server.url}/v1/signals/{signal['name']}/audio?{query}"
    try:
        os.makedirs(os.path.dirname(path) or ".", exist_ok=True)
        with urllib.request.urlopen(url, timeout=120) as audio, open(path, "wb") as file:
            shutil.copyfileobj(audio, file)
    except urllib.error.HTTPError as error:
        server.understand(error, error.read())
    except OSError as error:
        raise measure.Refused(str(error)) from error


def render(options):
    options.server.ask("GET", "/v1/")  # is it there?
    for name, signal, _, _ in STEPS:
        path = file_of(options.folder, name)
        fetch(options.server, played(signal, options.rate), path)
        print(path)
    return 0


def floor_of(options, name, signal):
    """The id of the recorder's own recording of this step; None where there is none."""
    path = file_of(options.floor, name) if options.floor else ""
    return measure.upload(options.server, path, signal)["id"] if os.path.exists(path) else None


def measure_step(options, name, signal, measurement):
    """What was recorded of a step: its path, the capture and the result."""
    path = file_of(options.folder, name)
    signal = played(signal, options.rate)
    floor = floor_of(options, name, signal)
    capture = measure.upload(options.server, path, signal)
    result = measure.measure(options.server, capture, measurement, {}, floor)
    return path, options.server.ask("GET", capture["links"]["self"]), result


def rows_of(name, result, figures):
    for figure in figures:
        yield [name, figure, *(measure.figure_text(channel["figures"][figure])
                               for channel in result["channels"])]


def print_summary(rows, warnings):
    """A recording of fewer channels than the others leaves the columns behind it empty."""
    columns = max(len(row) for row in rows)
    head = ["", "", *(f"channel {i + 1}" for i in range(columns - 2))]
    measure.table([row + [""] * (columns - len(row)) for row in [head, *rows]])
    for warning in warnings:
        print("  " + warning)


def measure_all(options):
    status, rows, warnings = 0, [], []
    for name, signal, measurement, figures in STEPS:
        try:
            path, capture, result = measure_step(options, name, signal, measurement)
        except measure.Refused as error:
            print(f"{file_of(options.folder, name)}: {error}", file=sys.stderr)
            status = 1
            continue
        if options.full:
            measure.print_result(path, capture, result,
                                 measure.described(options.server, measurement))
        rows += rows_of(name, result, figures)
        warnings += [f"{name}: {measure.warning_text(told)}" for told in result["warnings"]]
    if rows and not options.full:
        print_summary(rows, warnings)
    return status


def arguments():
    parser = argparse.ArgumentParser(
        description="Renders the signals of a round at the bench, or measures its recordings.",
        epilog="A value is followed by ± its uncertainty at 95 % coverage.")
    parser.add_argument("--server", metavar="URL",
                        default=os.environ.get("RESIDUUM_SERVER", "http://127.0.0.1:8737"),
                        help="the daemon's address (default: $RESIDUUM_SERVER or %(default)s)")
    parser.add_argument("--rate", type=int, default=48000, metavar="HZ",
                        help="sample rate of the signals (default: %(default)s)")
    parser.add_argument("--floor", metavar="FOLDER",
                        help="recordings of the recorder on itself, under the same names")
    parser.add_argument("--full", action="store_true",
                        help="print every figure and list of each recording")
    parser.add_argument("what", choices=("render", "measure"))
    parser.add_argument("folder", metavar="FOLDER")
    options = parser.parse_args()
    try:
        options.server = measure.Server(options.server)
    except ValueError as error:
        parser.error(str(error))
    return options


def main():
    options = arguments()
    try:
        return render(options) if options.what == "render" else measure_all(options)
    except measure.Refused as error:
        print(error, file=sys.stderr)
        return 1
    except measure.Unreachable as error:
        print(error, file=sys.stderr)
        return 3


if __name__ == "__main__":
    measure.run(main)
