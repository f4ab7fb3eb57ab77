# Sourced by `openapi` and `calendar`: a Python environment, the demonstration's shop on a free loopback port, and a stop at the end.
# Needs bash, python3 with venv, and cargo. The shop is in a temporary folder, which is removed.
#   wanted   installs what requirements.txt names
#   serve    plays the invented day and leaves its server up: $url, and $code to enrol one device of the office

root="$(cd "$(dirname "${BASH_SOURCE[0]}")/../.." && pwd)"
outside="$root/tests/outside"
folder="$(mktemp -d)"
server=""

stop() {
    if [ -n "$server" ]; then
        kill -INT "$server" 2>/dev/null || true
        wait "$server" 2>/dev/null || true
    fi
    rm -rf "$folder"
}
trap stop EXIT

# The same environment as the other checks from outside: requirements.txt, by name and version.
venv="$root/target/outside-venv"
wanted() {
    [ -x "$venv/bin/python" ] || python3 -m venv "$venv"
    "$venv/bin/pip" install --quiet --disable-pip-version-check -r "$outside/requirements.txt"
}

serve() {
    # A test that has a shop up already says where; cargo is not called within cargo.
    if [ -n "${TAPPETBOOK_URL:-}" ]; then
        url="$TAPPETBOOK_URL" code="$TAPPETBOOK_CODE"
        export url code folder
        return
    fi
    (cd "$root" && cargo build --quiet -p fixtures --bin demo -p cli-client --bin tappet)
    local built="${CARGO_TARGET_DIR:-$root/target}/debug"
    "$built/demo" --keep --folder "$folder/day" >"$folder/day.log" 2>&1 &
    server=$!
    for _ in $(seq 300); do
        url="$(sed -n "s/^The shop's server is up at \(http[^ ]*\) .*/\1/p" "$folder/day.log")"
        [ -n "$url" ] && break
        kill -0 "$server" 2>/dev/null || { cat "$folder/day.log"; exit 1; }
        sleep 0.2
    done
    [ -n "$url" ] || { cat "$folder/day.log"; echo "the server never came up" >&2; exit 1; }
    # The demonstration's office is an invented person.
    code="$("$built/tappet" --book "$folder/day/office.db" --json office device code "Odile Marsh" \
        | "$venv/bin/python" -c 'import json, sys; print(json.load(sys.stdin)["code"])')"
    export url code folder
}
