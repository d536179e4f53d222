#!/bin/sh
# Lines of the core that its own tests run, file by file. Needs LLVM's tools of the compiler's major version: rustup's component
# llvm-tools, or Debian's package llvm-NN.
set -eu
cd "$(dirname "$0")/.."
major="$(rustc -vV | sed -n 's/^LLVM version: \([0-9]*\).*/\1/p')"
host="$(rustc -vV | sed -n 's/^host: //p')"
tool() {
    for candidate in "$(rustc --print sysroot)/lib/rustlib/$host/bin/$1" "$(command -v "$1-$major" || true)"; do
        [ ! -x "$candidate" ] || { echo "$candidate"; return; }
    done
    echo "$1 of LLVM $major is not here: rustup component add llvm-tools, or Debian's package llvm-$major" >&2
    exit 1
}
profdata="$(tool llvm-profdata)"
cov="$(tool llvm-cov)"
export CARGO_TARGET_DIR="${COVERAGE_TARGET_DIR:-target/coverage}" RUSTFLAGS="-C instrument-coverage"
records="$CARGO_TARGET_DIR/records"
rm -rf "$records"
mkdir -p "$records"
LLVM_PROFILE_FILE="$(cd "$records" && pwd)/%p-%m.profraw"
export LLVM_PROFILE_FILE
tests="--locked -p sixpulse --all-features --lib --tests"
# shellcheck disable=SC2086  # one word each
cargo test --quiet $tests
# shellcheck disable=SC2086
programs="$(cargo test $tests --no-run --message-format=json 2>/dev/null | sed -n 's/.*"executable":"\([^"]*\)".*/-object \1/p')"
"$profdata" merge -sparse "$records"/*.profraw -o "$CARGO_TARGET_DIR/core.profdata"
# shellcheck disable=SC2086
"$cov" report $programs -instr-profile="$CARGO_TARGET_DIR/core.profdata" \
    --ignore-filename-regex='/(registry|rustc|tests|rustlib)/' --show-region-summary=false --show-branch-summary=false
