#!/bin/sh
# Proves from the resolved dependency graph that the core computes only: no Python, no file formats, no I/O runtime.
set -eu
cd "$(dirname "$0")/.."
allowed="ndarray pulp realfft rustfft serde sixpulse thiserror"
direct="$(cargo tree --locked -p sixpulse --all-features --edges normal,build --depth 1 --prefix none --format '{p}' \
    | cut -d' ' -f1 | sort -u)"
for crate in $direct; do
    case " $allowed " in
        *" $crate "*) ;;
        *) echo "the core must not depend on $crate (allowed: $allowed)" >&2; exit 1 ;;
    esac
done
tree="$(cargo tree --locked -p sixpulse --all-features --edges normal,build --prefix none --format '{p}' | cut -d' ' -f1 | sort -u)"
if echo "$tree" | grep -E '^(pyo3|numpy|pythonize|csv|hound|ndarray-npy|zip|tokio|std-io|sixpulse-.*)'; then
    echo "the core's dependency tree holds a binding, file-format or I/O crate" >&2
    exit 1
fi
# The readers build with none of their features, and with each alone; the core with its one, off by default.
for features in "" csv wav npy serde; do
    cargo check --locked --quiet -p sixpulse-io --no-default-features --features "$features"
done
cargo check --locked --quiet -p sixpulse --no-default-features
echo "core dependencies: $(echo "$tree" | tr '\n' ' ')"
