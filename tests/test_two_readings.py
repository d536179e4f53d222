"""What two readings of the same lines have in common, and what the table counts."""

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("sklearn")
sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))
import two_readings as tr

SIZES = np.array([0.5, 0.1, 0.07, 0.03, 0.02, 0.015, 0.01, 0.006])
PHASES = np.array([0.3, -1.2, 2.0, 0.4, 3.0, -2.5, 1.1, 0.7])


def row(pattern: str, shift: float = 0.0) -> dict[str, Any]:
    """Lines at 200 Hz, 400 Hz ... as a cycle of 200 Hz, or as the even orders of one of 100 Hz; moved by an angle."""
    step = tr.FIRST_LINE[pattern]
    amplitudes, phases = np.zeros(8 * step), np.zeros(8 * step)
    amplitudes[step - 1 :: step] = SIZES
    phases[step - 1 :: step] = PHASES + shift * np.arange(1, 9)
    facts = {"hz": 200.0 / step, "rms": 0.37, "level": 14.1, "candidates": [(1.0, 0.6), (2.0, 0.1), (0.5, 0.2)]}
    return {"pattern": pattern, "amplitudes": amplitudes.tolist(), "phases": phases.tolist(), **facts}


def test_the_same_lines_have_the_same_figures_in_both_readings_wherever_the_record_begins() -> None:
    two, phase = tr.figures(row("two_open_diodes")), tr.figures(row("open_phase", shift=1.3))
    assert two is not None and phase is not None and set(two) == {"sizes", "phases", "frequency", "amount"}
    for kind, values in two.items():
        np.testing.assert_allclose(phase[kind], values, rtol=1e-12, atol=1e-12, err_msg=kind)
    other = row("two_open_diodes")
    other["phases"][1] += 0.5
    changed = tr.figures(other)
    assert changed is not None and not np.allclose(changed["phases"], two["phases"])


def test_lines_beyond_the_rate_leave_no_figures() -> None:
    short = row("open_phase")
    short["amplitudes"], short["phases"] = short["amplitudes"][:14], short["phases"][:14]
    assert tr.figures(short) is None


def test_the_model_is_asked_for_these_two_readings_alone() -> None:
    # Two open diodes stand at their own frequency or at twice an open phase's; the open phase at half, or at its own.
    assert tr.of_model(row("two_open_diodes")) == pytest.approx(0.6 / 0.8)
    assert tr.of_model(row("open_phase")) == pytest.approx(0.1 / 0.7)
    assert tr.of_model({**row("open_phase"), "candidates": [(3.0, 0.9)]}) is None


def test_a_line_counts_what_is_wrong_and_what_is_left_open() -> None:
    two_open = np.array([True, True, False, False])
    told = tr.line("x", np.array([0.99, 0.4, 0.01, 0.6]), two_open)
    # Wilson's interval of 2 in 4, by its formula: 15.0 to 85.0 %.
    assert told == "| x | 2 of 4 (50.0 %; 15.0 to 85.0 %) | 1 of 2 | 1 of 2 | 2 |"
