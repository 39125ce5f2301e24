#!/usr/bin/env bash
# Fuzzes every target and tells how far each got.
#
#   tests/fuzz/campaign.sh SECONDS [TARGET…]   until every target has had SECONDS of processor time in all
#   tests/fuzz/campaign.sh table               what the logs say so far
#   tests/fuzz/campaign.sh document            puts that into docs/testing.md; a target without a log keeps its row
#   tests/fuzz/campaign.sh keep                makes the kept corpora of what was found
#
# Needs cargo-fuzz (cargo install cargo-fuzz --locked) and a C++ compiler. Logs lie in tests/fuzz/logs, inputs that were
# found in tests/fuzz/found, inputs that broke something in tests/fuzz/artifacts; none of them is committed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"
SLICE_S=120    # of wall time; processor time is read after each
KEEP_BYTES=6000 # of a kept corpus, about

targets() { sed -n 's|^path = "fuzz_targets/\(.*\)\.rs"$|\1|p' Cargo.toml | sort; }

cpu_s() { # target: what it has had so far
    cat "logs/$1.log" 2>/dev/null | awk '$1 == "cpu" { s += $2 + $3 } END { printf "%d\n", s }'
}

slice() { # target
    mkdir -p "found/$1" "corpus/$1" logs
    local TIMEFORMAT='cpu %U %S'
    { time cargo fuzz run --fuzz-dir . --features engine --sanitizer none "$1" \
        "found/$1" "corpus/$1" -- -max_total_time="$SLICE_S" -len_control=20 -timeout=30 -rss_limit_mb=2048 -print_final_stats=1 -verbosity=1; } \
        >>"logs/$1.log" 2>&1
}

row() { # target
    awk -v target="$1" -v kept="$(find "corpus/$1" -type f | wc -l)" '
        $1 == "cpu" { cpu += $2 + $3 }
        $1 == "stat::number_of_executed_units:" { runs += $2 }
        match($0, /cov: [0-9]+ ft: [0-9]+/) {
            split(substr($0, RSTART, RLENGTH), w, " ")
            if (w[2] + 0 > cov) cov = w[2] + 0
            if (w[4] + 0 > ft) ft = w[4] + 0
        }
        END { printf "| `%s` | %.1f min | %d | %d | %d | %d |\n", target, cpu / 60, runs, cov, ft, kept }
    ' "logs/$1.log"
}

table() {
    printf '| target | processor time | executions | edges | features | inputs kept |\n'
    printf '|---|---|---|---|---|---|\n'
    for target in $(targets); do
        if [ -e "logs/$target.log" ]; then row "$target"; fi
    done
}

# The table between its two marks in docs/testing.md is made here; a target without a log keeps its row.
document() {
    local page=../../docs/testing.md all
    all=$(for target in $(targets); do
        if [ -e "logs/$target.log" ]; then row "$target"; else grep -F "| \`$target\` | " "$page" | grep min || true; fi
    done)
    awk -v all="$all" '
        $0 == "<!-- end of the table -->" { inside = 0 }
        !inside || /^[|] target|^[|]---/ { print }
        /^<!-- made by tests\/fuzz\/campaign.sh/ { inside = 1 }
        inside && /^[|]---/ { print all }
    ' "$page" >"$page.new"
    mv "$page.new" "$page"
}

keep() {
    for target in $(targets); do
        mkdir -p "found/$target" "corpus/$target"
        cp -n "corpus/$target"/* "found/$target/" 2>/dev/null || true
        cargo fuzz cmin --fuzz-dir . --features engine --sanitizer none "$target" "found/$target"
        rm -rf "corpus/$target"
        mkdir -p "corpus/$target"
        # Smallest first: many small ones reach more than few large ones.
        find "found/$target" -type f -printf '%s %p\n' | sort -n | awk -v most="$KEEP_BYTES" \
            '{ sum += $1 } sum <= most || NR == 1 { print $2 }' | xargs -I{} cp {} "corpus/$target/"
    done
    seeds
}

seeds() { cargo run --quiet --release -p stepwell-fuzz --example seeds; }

case "${1:-}" in
table) table ;;
document) document ;;
keep) keep ;;
'' | *[!0-9]*)
    sed -n '2,/^set/s/^# \{0,1\}//p' campaign.sh
    exit 2
    ;;
*)
    seconds=$1
    shift
    seeds
    for target in ${*:-$(targets)}; do
        # Compiling is no fuzzing: it is not counted.
        cargo fuzz build --fuzz-dir . --features engine --sanitizer none "$target"
        while [ "$(cpu_s "$target")" -lt "$seconds" ]; do
            slice "$target" || {
                tail -n 40 "logs/$target.log"
                echo "$target: broken; the input lies in tests/fuzz/artifacts/$target" >&2
                exit 1
            }
        done
    done
    table
    ;;
esac
