#!/bin/sh
# run.sh [NAME…]: builds a release, runs the benchmarks (all, or those whose script's name
# contains one of the words) and prints one table. Exit status 1: a goal was missed or a
# benchmark failed.
#
# Never part of the tests: the numbers mean something on a quiet machine only. Data goes to a
# temporary folder (TMPDIR, 4 GiB free), which should be on a real disk. SciPy takes 10 GB of memory
# and minutes for each reading of 1 GiB; all takes half an hour.
set -eu
cd "$(dirname "$0")/../.."

sh .ci/install .ci/packages-run .ci/packages tests/bench/packages
cmake -S . -B build/bench-release -G Ninja -DCMAKE_BUILD_TYPE=Release >/dev/null
ninja -C build/bench-release --quiet

data=$(mktemp -d)
trap 'rm -rf "$data"' EXIT
trap 'exit 130' INT TERM
export RESIDUUM_BIN="$PWD/build/bench-release/bin" BENCH_PROGRAMS="$PWD/build/bench-release/bench"
export BENCH_DATA="$data" BENCH_ROWS="$data/rows" PYTHONDONTWRITEBYTECODE=1
: >"$BENCH_ROWS"

status=0
for script in tests/bench/analysis_*.py tests/bench/server_*.py; do
    [ -e "$script" ] || continue
    wanted=$([ $# -eq 0 ] && echo yes || echo no)
    for word in "$@"; do
        case ${script##*/} in *"$word"*) wanted=yes ;; esac
    done
    [ "$wanted" = yes ] || continue
    /usr/bin/python3 "$script" || { echo "$script failed" >&2; status=1; }
done
/usr/bin/python3 tests/bench/pairs.py table "$BENCH_ROWS" || status=1
exit $status
