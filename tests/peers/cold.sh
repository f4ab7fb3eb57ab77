#!/bin/sh
# Times what a device's owner waits for, on a filled book: the terminal as a whole process, a reading kept beside SQLite alone, an
# event after an exchange's answer. Prints JSON.   tests/peers/cold.sh [MACHINES:HISTORY]      default: 10000:10
# PEERS_DIR  the benchmark of the peers, whose workload this is (default: shared/peers beside the checkout); only read
# KEEP=1     keeps the run's files
set -eu
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)
source=${PEERS_DIR:-$top/../shared/peers}
size=${1:-10000:10}
machines=${size%%:*}
history=${size##*:}
target=${CARGO_TARGET_DIR:-$top/target}
(cd "$top" && cargo build --release --quiet -p tests --bin fleet -p cli-client --bin tappet)
data=$target/growth/cold-data-$machines-$history
work=$target/growth/cold-work-$machines-$history
rm -rf "$work"
mkdir -p "$work"
[ -e "$data/meta.json" ] || node "$source/gen.js" --out "$data" --machines "$machines" --history "$history" > /dev/null
"$target/release/fleet" seed "$data" "$work"
status=0
"$target/release/fleet" cold "$data" "$work" --tappet "$target/release/tappet" || status=$?
[ "${KEEP:-}" ] || rm -rf "$work" "$data"
exit $status
