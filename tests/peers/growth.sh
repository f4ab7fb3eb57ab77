#!/bin/sh
# Measures how the costs grow with the fleet, and draws it.   tests/peers/growth.sh [MACHINES:HISTORY …]
# Without sizes: 500:50 2000:50 8000:50 50000:10; the largest takes long. A size that was measured before is
# measured anew, the others stay in the table.
# OUT        where growth.tsv and growth.svg go (default: docs of this checkout)
# PEERS_DIR  the benchmark of the peers, whose harness and workload these are (default: shared/peers beside the checkout); only read
# KEEP=1     keeps each run's files
set -eu
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)
source=${PEERS_DIR:-$top/../shared/peers}
out=${OUT:-$top/docs}
[ $# -eq 0 ] && set -- 500:50 2000:50 8000:50 50000:10
target=${CARGO_TARGET_DIR:-$top/target}
(cd "$top" && cargo build --release --quiet -p tests --bin fleet)
FLEET=$target/release/fleet
export FLEET
missed=0
for size in "$@"; do
  machines=${size%%:*}
  history=${size##*:}
  data=$target/growth/data-$machines-$history
  work=$target/growth/work-$machines-$history
  echo "== $machines machines, each with a history of $history records"
  [ -e "$data/meta.json" ] || node "$source/gen.js" --out "$data" --machines "$machines" --history "$history" > /dev/null
  node "$here/growth.js" measure "$source" "$data" "$work" "$out/growth.tsv" || missed=1
  [ "${KEEP:-}" ] || rm -rf "$work" "$data"
done
node "$here/growth.js" draw "$out/growth.tsv" "$out/growth.svg"
cat "$out/growth.tsv"
exit $missed
