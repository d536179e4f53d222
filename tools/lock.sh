#!/bin/sh
# Resolves the pinned Python packages, with hashes, for every CPython the package allows. Needs a registry.
set -eu
cd "$(dirname "$0")/.."
python="$(sh tools/find_python.sh)"
[ -x build/lock-venv/bin/uv ] || { "$python" -m venv build/lock-venv && build/lock-venv/bin/python -m pip install --quiet uv; }
compile="build/lock-venv/bin/uv pip compile pyproject.toml --quiet --upgrade --universal --python-version 3.11 --generate-hashes"
export UV_CUSTOM_COMPILE_COMMAND="make lock"
$compile --all-extras --group develop --output-file requirements/dev.txt
$compile --output-file requirements/runtime.txt
