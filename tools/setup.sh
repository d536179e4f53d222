#!/bin/sh
# Makes .venv with exactly the packages of requirements/dev.txt. Idempotent; the Makefile calls it when needed.
set -eu
cd "$(dirname "$0")/.."
python="$(sh tools/find_python.sh)"
echo "setting up .venv with $("$python" --version)"
"$python" -m venv --clear .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input --no-compile \
    --require-hashes -r requirements/dev.txt
# A moved clone needs a new environment: scripts and links in it hold absolute paths.
pwd -P > .venv/.ready
