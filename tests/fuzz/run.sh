#!/bin/sh
# run.sh [SECONDS [TARGET…]]: builds the fuzz targets (all, or those named) with clang, and
# runs each for so many seconds, two at a time, from small inputs made anew (corpus.py), from
# what earlier runs have found worth keeping (build/fuzz/grown) and from the regression
# files. Without SECONDS the fixed short run of the tests: the same inputs each time.
#
# Prints a line a target. Exit status 1: an input crashed, hung, took too much memory, or a
# sanitizer had something to report; its path is printed.
set -eu
cd "$(dirname "$0")/../.."

SHORT_RUNS=20000 SHORT_RUNS_JOB=400
folder=build/fuzz
seconds=${1-}
case $seconds in
*[!0-9]* | 0)
    echo "usage: sh tests/fuzz/run.sh [SECONDS [TARGET…]]" >&2
    exit 2
    ;;
esac
[ $# -eq 0 ] || shift
if [ $# -eq 0 ]; then
    for source in tests/fuzz/*.c; do
        set -- "$@" "$(basename "$source" .c)"
    done
fi

sh .ci/install .ci/packages-run .ci/packages
cmake -S . -B $folder -G Ninja -DRESIDUUM_STRICT=ON -DCMAKE_C_COMPILER=clang \
    -DCMAKE_BUILD_TYPE=Debug -DCMAKE_C_FLAGS=-O1 \
    -DRESIDUUM_SANITIZE=fuzzer-no-link,address,undefined >/dev/null
ninja -C $folder --quiet fuzz
rm -rf $folder/seeds $folder/found
/usr/bin/python3 -B tests/fuzz/corpus.py $folder/seeds

# fuzz TARGET: one target, its output in found/TARGET/log
fuzz() {
    runs=$SHORT_RUNS
    longest=4096
    if [ "$1" = job ]; then # some samples are needed to measure anything
        runs=$SHORT_RUNS_JOB
        longest=65536
    fi
    kept=$folder/grown/$1
    found=$folder/found/$1
    limit=-max_total_time=$seconds
    if [ -z "$seconds" ]; then
        kept=$found/kept
        limit="-runs=$runs -seed=1"
    fi
    mkdir -p "$kept" "$found"
    set -- "$1" "$kept" $folder/seeds/"$1"
    [ ! -d tests/fuzz/regressions/"$1" ] || set -- "$@" tests/fuzz/regressions/"$1"
    target=$1
    shift
    # The quarantine of freed memory is held small: it counts as memory taken.
    # shellcheck disable=SC2086 # two options, perhaps
    ASAN_OPTIONS=quarantine_size_mb=32 UBSAN_OPTIONS=print_stacktrace=1 \
        $folder/fuzz/fuzz_"$target" $limit -max_len=$longest -timeout=5 -rss_limit_mb=512 \
        -dict=$folder/seeds/"$target".dict -print_final_stats=1 \
        -artifact_prefix="$found"/ "$@" >"$found"/log 2>&1 || echo "$?" >"$found"/status
}

for target in "$@"; do
    echo "$target"
done | {
    while read -r one; do
        fuzz "$one" &
        if read -r other; then
            fuzz "$other" &
        fi
        wait
    done
}

status=0
for target in "$@"; do
    log=$folder/found/$target/log
    runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
    cover=$(sed -n 's/.* cov: \([0-9]*\) .*/\1/p' "$log" | tail -n 1)
    if [ -e $folder/found/"$target"/status ]; then
        status=1
        grep -v '^#' "$log" | tail -n 40 >&2
        printf 'fuzz %-10s FAILED, see %s\n' "$target" "$log"
        find $folder/found/"$target" -maxdepth 1 -name '*-*' -exec echo '  input:' {} \;
    else
        printf 'fuzz %-10s %9s inputs, %4s places of the code, nothing found\n' \
            "$target" "$runs" "$cover"
    fi
done
exit $status
