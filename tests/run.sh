#!/bin/sh
# run.sh [--long]: installs what is missing, builds, and runs every test. Ends with the test
# runner's summary; the exit status is 0 only when everything passed.
#
# --long adds what takes longer: the thread sanitizer over the server and the black-box tests,
# valgrind over the module tests and the worker, clang-tidy, 200 rounds of kills, a fault at
# each call upon the state folder in turn, 10,000 mutated uploads, and each fuzz target for a
# minute.
set -eu
cd "$(dirname "$0")/.."

long=no
case "${1-}" in
'') ;;
--long) long=yes ;;
*)
    echo "usage: sh tests/run.sh [--long]" >&2
    exit 2
    ;;
esac

sh .ci/install .ci/packages-run .ci/packages

failures=
step() { printf '\n== %s\n' "$*"; }
failed() { failures="$failures
  $1"; }

# build FOLDER COMPILER [OPTION…]
build() {
    folder=build/$1
    compiler=$2
    shift 2
    step "build $folder ($compiler $*)"
    cmake -S . -B "$folder" -G Ninja -DRESIDUUM_STRICT=ON "-DCMAKE_C_COMPILER=$compiler" \
        "$@" >/dev/null
    ninja -C "$folder" --quiet
}

# run_tests FOLDER [OPTION…]
run_tests() {
    folder=build/$1
    shift
    step "tests of $folder"
    ctest --test-dir "$folder" --output-on-failure --no-tests=error -j2 "$@" ||
        failed "tests of $folder"
}

# Left to the sanitizers: statistics over many captures (valgrind is thirty times slower),
# what starts itself anew or limits its own address space (no room for valgrind), and what
# needs the 80-bit long double (valgrind has 64 bits).
memory_check() {
    for program in build/release/tests/*_test; do
        case ${program##*/} in
        *coverage_test | *neighbours_test | queue_*test | slot_test | spawn_test | \
            workers_test | confine_*test | tone_test | tone_fit_test)
            continue
            ;;
        esac
        step "valgrind $program"
        RESIDUUM_BIN=$PWD/build/release/bin valgrind -q --error-exitcode=9 \
            --leak-check=full --errors-for-leak-kinds=definite "$program" ||
            failed "valgrind $program"
    done
    recording=$(mktemp)
    for pair in tone:distortion tone:noise twin-tone:intermodulation multitone:multitone \
        jitter-pattern:jitter; do
        step "valgrind residuum-worker --measure ${pair#*:}"
        build/release/bin/residuum-worker --render "${pair%:*}" --output "$recording" \
            --settings '{"duration_s":4}' >/dev/null
        valgrind -q --error-exitcode=9 --leak-check=full --errors-for-leak-kinds=definite \
            build/release/bin/residuum-worker --file "$recording" --measure "${pair#*:}" \
            >/dev/null || failed "valgrind residuum-worker --measure ${pair#*:}"
    done
    rm -f "$recording"
}

# Deaths and faults of the disk, every one of them, and recordings made hostile.
all_faults() {
    export RESIDUUM_BIN="$PWD/build/release/bin"
    faults="/usr/bin/python3 -B tests/faults"
    step "kills"
    $faults/kills_test.py --rounds 200 || failed "kills"
    step "fault injection"
    $faults/inject_test.py --every || failed "fault injection"
    $faults/inject_test.py --every --strace || failed "fault injection by strace"
    step "mutated uploads"
    $faults/hostile_test.py --uploads 10000 || failed "mutated uploads"
    unset RESIDUUM_BIN
}

step "format"
find analysis server tests -name '*.[ch]' -exec clang-format --dry-run --Werror {} + ||
    failed "format: run clang-format -i on the files named"

build clang clang
build sanitize gcc -DRESIDUUM_SANITIZE=address,undefined
build release gcc
if [ "$long" = yes ]; then
    build thread gcc -DRESIDUUM_SANITIZE=thread
    run_tests thread -R '^(server|api)/'
    memory_check
    all_faults
    step "fuzz targets, a minute each"
    sh tests/fuzz/run.sh 60 || failed "fuzz targets: tests/fuzz/run.sh 60"
    step "clang-tidy"
    run-clang-tidy -quiet -p build/clang "$PWD/(analysis|server)/" || failed "clang-tidy"
fi
step "first run"
sh api-examples/first-run.sh --once || failed "api-examples/first-run.sh --once"
step "fuzz targets, the fixed short run"
sh tests/fuzz/run.sh || failed "fuzz targets: tests/fuzz/run.sh"
run_tests sanitize
run_tests release

if [ -n "$failures" ]; then
    printf '\nFAILED:%s\n' "$failures"
    exit 1
fi
