"""The pipeline that speed is compared with, built of SciPy alone: it finds what is there, and what `examine` finds."""

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("scipy")
sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))
import scipy_pipeline as sp
import speed

import sixpulse

RATE_HZ = 50_000.0


@pytest.fixture(scope="module")
def both() -> tuple[dict[str, Any], sixpulse.results.Examination]:
    """What the pipeline and the library say of one capture."""
    post, sensor = speed.capture(60_000, "float32", seed=5)
    return sp.same_answers(post, sensor, speed.RATE_HZ), speed.sixpulse_job(post, sensor)


def test_pipeline_and_library_agree(both: tuple[dict[str, Any], sixpulse.results.Examination]) -> None:
    # Between methods: Hilbert phase and linear interpolation against the library's track, hence 2 % of an amplitude.
    theirs, ours = both
    speed.agree(theirs, ours)
    assert ours.cycle.electrical_hz == pytest.approx(theirs["electrical_hz"], rel=2e-3)
    np.testing.assert_allclose(ours.cycle.order_amplitudes_v[:6], theirs["angle"]["orders"][:6], rtol=0.03)
    assert theirs["candidates"][1]["pattern"] == "open_diode" and theirs["candidates"][1]["share"] > 0.95


def test_pipelines_that_do_not_agree_are_not_compared(
    both: tuple[dict[str, Any], sixpulse.results.Examination],
) -> None:
    theirs, ours = both
    wrong = theirs | {"contamination": theirs["contamination"] | {"gain": 0.9}}
    with pytest.raises(SystemExit, match="gain"):
        speed.agree(wrong, ours)


@pytest.mark.parametrize(
    ("kind", "gain", "seconds"), [("delay", 0.3, 9e-5), ("low_pass", 0.8, 2e-4), ("high_pass", 0.5, 3e-4)]
)
def test_each_kind_of_path_is_found(kind: str, gain: float, seconds: float) -> None:
    rng = np.random.default_rng(7)
    t = np.arange(25_000) / RATE_HZ
    hz = np.arange(1, 13) * 150.0
    through = gain * sp.PATHS[kind](2 * np.pi * hz, seconds)
    size = 1.0 / np.arange(1, 13) * np.exp(1j * rng.uniform(0, 2 * np.pi, 12))
    waves = np.exp(2j * np.pi * np.outer(hz, t))
    post, sensor = ((a @ waves).real + 0.01 * rng.standard_normal(t.size) for a in (size, size * through))
    found = sp.contamination(post, sensor, RATE_HZ, 150.0, 0.0)
    assert found["kind"] == kind
    assert found["gain"] == pytest.approx(gain, rel=0.01)
    assert found["seconds"] == pytest.approx(seconds, rel=0.02)


def test_the_margin_is_where_the_ripple_makes_pulses() -> None:
    # Square wave of 1 V, thresholds at 0.35 of it: a dip of 0.2 V crosses the lower one from a factor of 6.75 on.
    t = np.arange(40_000) / RATE_HZ
    own = np.where(np.sin(2 * np.pi * 100 * t) >= 0, 1.0, -1.0)
    dips = np.where(np.sin(2 * np.pi * 1700 * t) >= 0, -0.2, 0.0)
    assert sp.margin_of(own, dips) == pytest.approx(1.35 / 0.2, rel=0.01)
    assert sp.margin_of(own, 0.0 * dips) == float("inf")


def test_a_converters_step_is_found_where_there_is_one() -> None:
    rng = np.random.default_rng(3)
    x = rng.normal(14.0, 0.2, 5000)
    assert sp.converter_step(np.rint(x / 0.02) * 0.02) == pytest.approx(0.02)
    assert sp.converter_step(x) is None
