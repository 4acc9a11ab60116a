#!/bin/sh
# measure.sh FILE [SETTINGS-JSON [MEASUREMENT]]: has one recording measured (distortion, unless
# another one is named), with curl and jq.
# The daemon's address: $RESIDUUM_SERVER, else http://127.0.0.1:8737.
set -eu
server=${RESIDUUM_SERVER:-http://127.0.0.1:8737}
if [ "$#" -lt 1 ] || [ "$#" -gt 3 ] || [ ! -f "$1" ]; then
    echo "usage: measure.sh FILE [SETTINGS-JSON [MEASUREMENT]]" >&2
    exit 2
fi
file=$1
settings=${2:-'{}'}
measurement=${3:-distortion}

# ask FILTER PATH [CURL OPTION…]: prints what jq's filter makes of the answer; fails with the
# problem's sentence.
ask() {
    filter=$1
    path=$2
    shift 2
    answer=$(curl -sS --fail-with-body "$@" "$server$path") || {
        printf '%s' "$answer" | jq -r '.detail' >&2
        return 1
    }
    printf '%s' "$answer" | jq -r "$filter"
}

name=$(basename "$file" | jq -sRr 'rtrimstr("\n") | @uri')
capture=$(ask .id "/v1/captures?name=$name" -X POST -T "$file")
order=$(jq -n --arg capture "$capture" --arg measurement "$measurement" \
    --argjson settings "$settings" \
    '{capture: $capture, measurement: $measurement, settings: $settings}')
analysis=$(ask .id /v1/analyses --json "$order")

state=queued
while [ "$state" = queued ] || [ "$state" = running ]; do
    state=$(ask .state "/v1/analyses/$analysis" -H 'Prefer: wait=30')
done
# What the daemon says about the recording itself.
ask '.health.warnings[] | "warning \(.code): \(.message)"' "/v1/captures/$capture"
# Of an analysis that failed this tells why, and exits with 1.
ask '.channels[] | "channel \(.channel)",
    (.figures | to_entries[] | "  \(.key)  " + (.value |
        if .value != null then "\(.value) \(.unit)"
        elif .bound != null then "\(.reason), no worse than \(.bound) \(.unit)"
        else .reason end))' \
    "/v1/analyses/$analysis/result"
