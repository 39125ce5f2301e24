#!/usr/bin/env bash
# Cargo for the boards' processor, a Cortex-M4F:
#
#     firmware/thumb.sh build --profile firmware -p stepwell-emulated
#
# With the target installed (rustup target add thumbv7em-none-eabihf) this is plain cargo. Without it, Debian's
# compiler is used and the core library is built once from its source:
#
#     apt-get install --no-install-recommends rustc-web rust-web-src
#
# One board per call: cargo would unite the features of two. RUSTC_BOOTSTRAP=1 adds the sizes of stack frames to
# the image, which `budgets` needs; Debian's compiler always does.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

target=thumbv7em-none-eabihf
export CARGO_BUILD_TARGET=$target
export CARGO_TARGET_DIR=${CARGO_TARGET_DIR:-$PWD/target}/thumb
rustup_root=$(rustc --print sysroot)
flags=""
[ "${RUSTC_BOOTSTRAP:-0}" = 1 ] && flags="-Zemit-stack-sizes"

if ls "$rustup_root/lib/rustlib/$target/lib"/libcore-*.rlib >/dev/null 2>&1; then
    export CARGO_TARGET_THUMBV7EM_NONE_EABIHF_RUSTFLAGS="$flags"
    exec cargo "$@"
fi

compiler=/usr/bin/rustc
source=/usr/lib/rustlib/src/rust/library
linker=$rustup_root/lib/rustlib/$(rustc -vV | sed -n 's/^host: //p')/bin/rust-lld
if [ ! -x "$compiler" ] || [ ! -e "$source/core/Cargo.toml" ] || [ ! -x "$linker" ]; then
    cat >&2 <<END
Building for $target needs its core library, and there is none.
  With rustup:  rustup target add $target
  On Debian:    apt-get install --no-install-recommends rustc-web rust-web-src
END
    exit 1
fi

# The core library, in a folder named after the compiler that built it.
root=$CARGO_TARGET_DIR/root-$("$compiler" -vV | sha256sum | cut -c1-12)
if [ ! -f "$root/complete" ]; then
    echo "building the core library for $target, once" >&2
    work=$(mktemp -d)
    trap 'rm -rf "$work"' EXIT
    mkdir -p "$work/src" "$root/lib/rustlib/$target/lib"
    echo '#![no_std]' >"$work/src/lib.rs"
    printf '[package]\nname = "nothing"\nversion = "0.0.0"\nedition = "2024"\n[workspace]\n' >"$work/Cargo.toml"
    (
        cd "$work"
        RUSTC=$compiler RUSTC_BOOTSTRAP=1 CARGO_TARGET_DIR=$work/target \
            RUSTFLAGS="-Cembed-bitcode=yes -Zemit-stack-sizes" \
            cargo build --quiet --release -Z build-std=core,alloc
    )
    cp "$work/target/$target/release/deps"/lib{core,alloc,compiler_builtins}-*.rlib "$root/lib/rustlib/$target/lib/"
    touch "$root/complete"
fi
export RUSTC=$compiler RUSTC_BOOTSTRAP=1
export CARGO_TARGET_THUMBV7EM_NONE_EABIHF_LINKER=$linker
export CARGO_TARGET_THUMBV7EM_NONE_EABIHF_RUSTFLAGS="--sysroot $root -Zemit-stack-sizes"
exec cargo "$@"
