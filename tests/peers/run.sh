#!/bin/sh
# Measures the peers and our engine on the same data, and prints both tables.   tests/peers/run.sh [tiny|small|f500|full|f8000 …]
# PEERS_DIR  the benchmark of the peers (default: shared/peers beside the checkout); it is copied, never written to
# PEERS      which of them run (default: all; "" runs ours alone and keeps what the peers had measured before)
# LIMIT_S    each run is cut off after so many seconds (default 900; ours takes longer at f8000: say 3600)
# CONC, DELAY_MS  as the peers' README says.     KEEP=1 keeps the run's files
set -eu
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)
source=${PEERS_DIR:-$top/../shared/peers}
[ $# -eq 0 ] && set -- full
LIMIT_S=${LIMIT_S:-900}
export LIMIT_S
target=${CARGO_TARGET_DIR:-$top/target}
(cd "$top" && cargo build --release --quiet -p tests --bin fleet)
FLEET=$target/release/fleet
export FLEET

peers=$target/peers
if [ ! -e "$peers/lib/harness.js" ]; then
  mkdir -p "$peers"
  cp -r "$source/." "$peers/"
  chmod -R u+w "$peers"
  # Inside this checkout, and yet no member of its workspace.
  grep -q '^\[workspace\]' "$peers/bound/Cargo.toml" || printf '\n[workspace]\n' >> "$peers/bound/Cargo.toml"
fi
cd "$peers"
# Not `npm ci`: it refuses this lock file.
[ -d node_modules ] || npm install --no-audit --no-fund
missed=0
for size in "$@"; do
  mkdir -p "results/$size" work
  if [ "${PEERS-all}" ]; then
    # The peers' own script takes their results away before it begins. Cut off or failed, a peer says so in its table.
    (if [ "${PEERS-all}" = all ]; then unset PEERS; fi; ./run-all.sh "$size") || true
  elif [ ! -e "data/$size/meta.json" ]; then
    (PEERS=none ./run-all.sh "$size") > /dev/null || true
  fi
  echo "== $size: ours"
  timeout "$LIMIT_S" node "$here/ours.js" "$peers" "data/$size" "work/$size-tappetbook" "results/$size/tappetbook.json" || missed=1
  [ "${KEEP:-}" ] || rm -rf "work/$size-tappetbook"
done
for size in "$@"; do
  node table.js "results/$size"
  node "$here/ratios.js" "results/$size" || missed=1
done
exit $missed
