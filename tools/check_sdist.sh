#!/bin/sh
# Builds the source distribution, then the wheel from it alone in an environment of its own, and tries that. Minutes: the
# crates are compiled anew. For a release; .ci/run builds the wheel from the tree.
set -eu
cd "$(dirname "$0")/.."
root="$(pwd -P)"
rm -rf build/sdist build/sdist-venv
.venv/bin/python -m maturin sdist --out build/sdist
.venv/bin/python -m venv build/sdist-venv
build/sdist-venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input --require-hashes \
    -r requirements/runtime.txt
mkdir -p build/elsewhere
# Pip makes an environment with the build backend alone and unpacks the archive into a folder of its own.
(cd build/elsewhere && "$root/build/sdist-venv/bin/python" -m pip wheel --quiet --disable-pip-version-check --no-input \
    --no-deps --wheel-dir "$root/build/sdist" "$root"/build/sdist/*.tar.gz)
build/sdist-venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input --no-index --no-deps build/sdist/*.whl
(cd build/elsewhere && "$root/build/sdist-venv/bin/python" "$root/tools/try_wheel.py")
ls -l build/sdist
