#!/bin/sh
# Prints the first CPython >= 3.11 that can make virtual environments; says what is missing otherwise.
for candidate in "${PYTHON:-python3}" python3.14 python3.13 python3.12 python3.11; do
    if "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
        command -v "$candidate"
        exit 0
    fi
done
echo "sixpulse needs CPython 3.11 or later with the modules venv and ensurepip (Debian: python3-venv);" >&2
echo "name another interpreter with: make PYTHON=/path/to/python3" >&2
exit 1
