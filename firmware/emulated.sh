#!/usr/bin/env bash
# A whole run on the emulated board: builds its image, has the bench on it served on a pseudo-terminal in real
# time, and runs a procedure against that port as against a real board.
#
#     firmware/emulated.sh [PROCEDURE [PUMP]]        acceptance on heron unless told otherwise
#
# Needs an emulator and, without the target installed, Debian's compiler for it:
#
#     apt-get install --no-install-recommends qemu-system-arm rustc-web rust-web-src
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
procedure=${1:-acceptance}
pump=${2:-heron}

firmware/thumb.sh build --profile firmware -p stepwell-emulated
cargo build --release
built=${CARGO_TARGET_DIR:-$PWD/target}

said=$(mktemp)
"$built/release/stepwell" serve --pump "$pump" \
    --image "$built/thumb/thumbv7em-none-eabihf/firmware/stepwell-emulated" >"$said" &
bench=$!
trap 'kill -INT $bench 2>/dev/null || true; wait $bench || true; cat "$said"; rm -f "$said"' EXIT
port=""
for _ in $(seq 100); do
    port=$(sed -n 's/.* at \(\/dev\/[^ ]*\)\. Ctrl-C.*/\1/p' "$said")
    [ -n "$port" ] && break
    kill -0 $bench || exit 1
    sleep 0.1
done
"$built/release/stepwell" run "$procedure" --pump "$pump" --port "$port" --id emulated --yes
