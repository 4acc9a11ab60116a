#!/bin/sh
# first-run.sh [--once] [RECORDING…]: from a bare Debian 12 to figures. Installs the packages
# that are missing, builds in build/run, starts a daemon on a free port with a fresh state
# folder, and measures the recordings given, or a demo recording made by a simulated, invented
# playback adapter. The daemon goes on afterwards; --once stops it and removes its state.
set -eu
here=$(pwd)
root=$(cd "$(dirname "$0")/.." && pwd)
once=no
case "${1-}" in
--once)
    once=yes
    shift
    ;;
--*)
    echo "usage: sh api-examples/first-run.sh [--once] [RECORDING...]" >&2
    exit 2
    ;;
esac

python=/usr/bin/python3
build=$root/build/run
state=
pid=
keep=no

# Again and again: a signal that comes before the daemon's program is loaded is lost.
stop_daemon() {
    while [ -n "$pid" ] && kill "$pid" 2>/dev/null; do sleep 0.2; done
}
clean_up() {
    if [ "$keep" = no ]; then
        stop_daemon
        [ -z "$state" ] || rm -rf "$state"
    fi
}
trap clean_up EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

sh "$root/.ci/install" "$root/.ci/packages-run"
echo "Building in $build" >&2
cmake -S "$root" -B "$build" -G Ninja -DCMAKE_BUILD_TYPE=Release >/dev/null
ninja -C "$build" --quiet residuumd residuum-worker >&2

state=$(mktemp -d "$build/state.XXXXXX")
log=$state/daemon.log
: >"$log"
nohup "$build/bin/residuumd" --listen 127.0.0.1:0 --state "$state" >/dev/null 2>"$log" &
pid=$!
url=
tries=0
while [ -z "$url" ]; do
    url=$(sed -n 's/^listening on //p' "$log")
    tries=$((tries + 1))
    if [ -z "$url" ] && { [ "$tries" -gt 300 ] || ! kill -0 "$pid" 2>/dev/null; }; then
        echo "The daemon did not start:" >&2
        cat "$log" >&2
        exit 1
    fi
    [ -n "$url" ] || sleep 0.1
done
echo "The daemon listens on $url" >&2

# With the tone's frequency given, neither mains nor a spur is ever taken for the tone.
settings='{}'
if [ "$#" -eq 0 ]; then
    settings='{"frequency_hz":997}'
    tone="$url/v1/signals/tone/audio?frequency_hz=997&level_dbfs=-1&sample_rate_hz=48000"
    "$python" -c 'import shutil, sys, urllib.request
with urllib.request.urlopen(sys.argv[1], timeout=60) as audio, open(sys.argv[2], "wb") as file:
    shutil.copyfileobj(audio, file)' "$tone&bits=24&channels=1&duration_s=10" "$state/tone.wav"
    echo
    echo "No recording given: a demo for the Harbour Street Library, which is choosing"
    echo "playback adapters for its listening desks. The adapter is SIMULATED and invented."
    demo=$state/simulated-adapter.wav
    "$python" "$root/api-examples/simulated_adapter.py" "$state/tone.wav" "$demo"
    set -- "$demo"
fi

echo
cd "$here"
status=0
"$python" "$root/api-examples/measure.py" --server "$url" --settings "$settings" "$@" ||
    status=$?

if [ "$once" = yes ]; then
    exit "$status"
fi
keep=yes
cat <<END
The daemon goes on at $url (process $pid).
  its state and log         $state
  measure another recording $python $root/api-examples/measure.py --server $url FILE
  what can be measured      $url/v1/measurements
  stop it                   kill $pid
END
exit "$status"
