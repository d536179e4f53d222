#!/bin/sh
# Builds the wheel and tries it where nothing but NumPy is installed, away from the source tree.
set -eu
cd "$(dirname "$0")/.."
root="$(pwd -P)"
rm -rf build/wheels build/wheel-venv
.venv/bin/python -m maturin build --release --quiet --interpreter .venv/bin/python --out build/wheels
.venv/bin/python -m venv build/wheel-venv
build/wheel-venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input --require-hashes \
    -r requirements/runtime.txt
build/wheel-venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input --no-index --no-deps build/wheels/*.whl
mkdir -p build/elsewhere
(cd build/elsewhere && "$root/build/wheel-venv/bin/python" "$root/tools/try_wheel.py")
ls -l build/wheels
size="$(cat build/wheels/*.whl | wc -c)"
[ "$size" -lt 5000000 ] || { echo "the wheel has $size bytes; 5,000,000 is the limit" >&2; exit 1; }
