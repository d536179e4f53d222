#!/bin/sh
# Fuzzes on the stable toolchain: libFuzzer steered by coverage, which LLVM's own pass records.
# fuzz.sh SECONDS [TARGET...]: that many seconds for each target, all targets where none is named. SECONDS 0 only builds.
# FUZZ_JOBS: targets at a time, 1 unless set. FUZZ_RUNS: so many executions of each target at most, the same ones every time.
set -eu
cd "$(dirname "$0")/.."
seconds="$1"
shift
host="$(rustc -vV | sed -n 's/^host: //p')"
target_dir="${FUZZ_TARGET_DIR:-target/fuzz}"
passes="-Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 -Cllvm-args=-sanitizer-coverage-inline-8bit-counters \
-Cllvm-args=-sanitizer-coverage-pc-table -Cllvm-args=-sanitizer-coverage-trace-compares"
# With --target, build scripts and macros are compiled without the pass: they could not be linked.
RUSTFLAGS="$passes" cargo build --quiet --locked --release --manifest-path fuzz/Cargo.toml --target "$host" --target-dir "$target_dir"
[ "$seconds" != 0 ] || exit 0
[ "$#" -gt 0 ] || set -- $(sed -n 's/^    ("\(.*\)", .*),$/\1/p' fuzz/src/main.rs)
fuzz_one() {
    # What was found before is tried first; what is found now stays outside the repository.
    target="$1"
    mkdir -p "build/fuzz/$target"
    seeds="fuzz/seeds/$target"
    [ -d "$seeds" ] || seeds=""
    log="build/fuzz/$target.log"
    if FUZZ_TARGET="$target" "$target_dir/$host/release/sixpulse-fuzz" -max_total_time="$seconds" -timeout=60 -rss_limit_mb=2048 -max_len=8192 \
        -print_final_stats=1 -seed=1 -runs="${FUZZ_RUNS:--1}" -artifact_prefix="build/fuzz/$target-" "build/fuzz/$target" $seeds >"$log" 2>&1; then
        sed -n "s/^stat::number_of_executed_units: */$target: executions /p" "$log"
    else
        echo "$target: FAILED, see $log" >&2
        grep -m3 -E 'panicked|ERROR|Test unit written' "$log" >&2 || true
        echo "$target" >>build/fuzz/failed
    fi
}
mkdir -p build/fuzz
rm -f build/fuzz/failed
running=0
for target in "$@"; do
    fuzz_one "$target" &
    running=$((running + 1))
    # As many at a time as asked for: the next ones begin when these are done, which takes each of them as long.
    [ "$running" -lt "${FUZZ_JOBS:-1}" ] || { wait; running=0; }
done
wait
[ ! -s build/fuzz/failed ] || { echo "failed: $(tr '\n' ' ' <build/fuzz/failed)" >&2; exit 1; }
