"""A user's program, checked by mypy --strict and by pyright (strict) against the installed package's types."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("mypy")

SNIPPET = """
from typing import assert_type

import numpy as np
from numpy.typing import NDArray

import sixpulse
from sixpulse.errors import OutOfRangeError, SixpulseError
from sixpulse.results import Contamination, Examination, Pattern

counts = np.zeros(1000, dtype=np.int16)
post = sixpulse.Trace(counts, scale=0.01, sample_rate_hz=5e4, coupling="dc", role="charging_post")
capture = sixpulse.Capture({"post": post}, engine_rpm=900)
machine = sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5)
try:
    examination = sixpulse.examine(capture, machine=machine, electrical_hz=225.0)
except OutOfRangeError as error:
    assert_type(error.actual, float)
    raise
except SixpulseError as error:
    assert_type(error.parameter, str)
    raise

assert_type(examination, Examination)
assert_type(post.values(), NDArray[np.float64])
assert_type(capture["post"], sixpulse.Trace)
assert_type(capture.get("battery"), sixpulse.Trace | None)
assert_type(examination.level.mean_v, float | None)
assert_type(examination.rectifier.pattern, Pattern)
assert_type(examination.rectifier.probabilities, dict[str, float])
assert_type(examination.contamination["sensor"], Contamination)
assert_type(examination.cycle.mean_cycle_v, NDArray[np.float64])
assert_type(machine.electrical_hz(900.0), float | None)
for name, trace in capture.items():
    assert_type(name, str)
    assert_type(trace, sixpulse.Trace)
"""

MISTAKES = """
import sixpulse

sixpulse.Trace([1.0], sample_rate_hz=1e4, coupling="gnd", role="charging_post")
sixpulse.Trace([1.0], coupling="dc", role="charging_post")
sixpulse.Trace([1.0], 1e4, "dc", "charging_post")
sixpulse.Machine(6)
sixpulse.examine(3)
"""


PROGRAMS = {"program.py": SNIPPET, "mistakes.py": MISTAKES}


def run(folder: Path, *command: str) -> str:
    """What a checker says of both programs; one call, for nearly all of its time goes into the packages they import."""
    for name, text in PROGRAMS.items():
        (folder / name).write_text(text, encoding="utf-8")
    called = [sys.executable, "-m", *command, *PROGRAMS]
    return subprocess.run(called, capture_output=True, text=True, check=False, cwd=folder).stdout


def found(said: str, error: str) -> dict[str, set[int]]:
    """Lines with errors, by file."""
    lines: dict[str, set[int]] = {name: set() for name in PROGRAMS}
    for file, line in re.findall(rf"^\s*(\S+?):(\d+)\S*{error}", said, re.MULTILINE):
        lines[Path(file).name].add(int(line))
    return lines


def test_a_users_program_passes_and_mistakes_are_found(tmp_path: Path) -> None:
    said = run(tmp_path, "mypy", "--strict", "--no-incremental", "--config-file=")
    assert found(said, " error:") == {"program.py": set(), "mistakes.py": {4, 5, 6, 7, 8}}, said
    assert "errors in 1 file (checked 2 source files)" in said


def test_a_users_program_passes_and_mistakes_are_found_by_pyright(tmp_path: Path) -> None:
    pytest.importorskip("basedpyright")
    (tmp_path / "pyrightconfig.json").write_text('{"typeCheckingMode": "strict"}', encoding="utf-8")
    said = run(tmp_path, "basedpyright", "--pythonpath", sys.executable, "--level", "error")
    assert found(said, " - error:") == {"program.py": set(), "mistakes.py": {4, 5, 6, 7, 8}}, said
