"""Plots: what is drawn is what the examination says; nothing global is touched."""

from __future__ import annotations

import sys
from typing import Any

import numpy as np
import pytest

import sixpulse
from captures import ELECTRICAL_HZ, sprayer
from sixpulse import errors, plot
from sixpulse.results import Examination

matplotlib = pytest.importorskip("matplotlib")
matplotlib.use("Agg")

CAPTURE = sprayer()


@pytest.fixture(scope="module")
def examination() -> Examination:
    return sixpulse.examine(CAPTURE, electrical_hz=ELECTRICAL_HZ)


@pytest.fixture
def ax() -> Any:
    from matplotlib.figure import Figure  # noqa: PLC0415

    return Figure().subplots()


def test_capture_has_a_panel_for_each_trace() -> None:
    panels = plot.capture(CAPTURE)
    assert [panel.get_title(loc="left").split(" ")[0] for panel in panels] == CAPTURE.names
    with pytest.raises(errors.InvalidCombinationError):
        plot.capture(CAPTURE, ax=panels[:1])
    close_figures()


def test_a_long_trace_is_drawn_by_its_extremes(ax: Any) -> None:
    values = np.zeros(50_000)
    values[31_234] = 5.0
    trace = sixpulse.Trace(values, sample_rate_hz=1e5, coupling="dc", role="other")
    plot.trace(sixpulse.Capture({"a": trace}), "a", ax=ax)
    (vertices,) = (path.vertices for path in ax.collections[0].get_paths())
    assert vertices[:, 1].max() == 5.0
    assert len(vertices) < 5_000


def test_close_up_shows_the_ac_coupled_trace(ax: Any, examination: Examination) -> None:
    assert plot.close_up(CAPTURE, examination, cycles=4, ax=ax) is ax
    shown = ax.lines[0].get_ydata()
    assert len(shown) == round(4 * CAPTURE.sample_rate_hz / examination.cycle.electrical_hz) + 1  # type: ignore[operator]
    assert abs(np.mean(shown)) < 0.1, "the level is removed"
    # Four cycles of a steady record span what the mean cycle spans, and the noise on top.
    assert np.ptp(shown) == pytest.approx(np.ptp(examination.cycle.mean_cycle_v), rel=0.1)


def test_mean_cycle(ax: Any, examination: Examination) -> None:
    plot.mean_cycle(examination, ax=ax)
    line = ax.lines[0]
    np.testing.assert_array_equal(line.get_ydata()[:-1], examination.cycle.mean_cycle_v)
    assert line.get_xdata()[-1] == 360.0
    assert ax.get_xlabel() == "electrical degrees"


def test_orders_tell_multiples_of_six_without_colour(ax: Any, examination: Examination) -> None:
    plot.orders(examination, ax=ax)
    bars = {round(bar.get_x() + bar.get_width() / 2): bar for bar in ax.patches}
    amplitudes = examination.cycle.order_amplitudes_v
    assert sorted(bars) == list(range(1, amplitudes.size + 1))
    for order, bar in bars.items():
        assert bar.get_height() == amplitudes[order - 1]
        assert bool(bar.get_hatch()) == (order % 6 == 0)


def test_sensor_against_supply(ax: Any, examination: Examination) -> None:
    plot.sensor_against_supply(CAPTURE, examination, "ground_speed", ax=ax)
    circuit, predicted = ax.lines
    assert circuit.get_linestyle() != predicted.get_linestyle()
    # The sensor's trace was made as a quarter of the ripple plus noise of 4 mV.
    assert np.std(circuit.get_ydata() - predicted.get_ydata()) < 0.02
    with pytest.raises(errors.InvalidCombinationError):
        plot.sensor_against_supply(CAPTURE, examination, "post", ax=ax)


def test_speed_track(ax: Any, examination: Examination) -> None:
    plot.speed_track(examination, ax=ax)
    np.testing.assert_array_equal(ax.lines[0].get_ydata(), examination.cycle.track_electrical_hz)


def test_what_is_not_there_is_not_drawn(ax: Any) -> None:
    capture = sixpulse.Capture({"ground_speed": CAPTURE["ground_speed"]})
    empty = sixpulse.examine(capture)
    for draw in (plot.mean_cycle, plot.orders, plot.speed_track):
        with pytest.raises(errors.InvalidCombinationError):
            draw(empty, ax=ax)
    with pytest.raises(errors.InvalidCombinationError):
        plot.close_up(capture, empty, ax=ax)
    with pytest.raises(errors.UnknownTraceError):
        plot.trace(capture, "post", ax=ax)


def test_global_state_is_left_alone(examination: Examination) -> None:
    before = dict(matplotlib.rcParams)
    plot.orders(examination)
    assert dict(matplotlib.rcParams) == before
    close_figures()


def close_figures() -> None:
    from matplotlib import pyplot  # noqa: PLC0415

    pyplot.close("all")


def test_without_matplotlib(examination: Examination, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.pyplot", None)
    with pytest.raises(errors.MissingDependencyError) as caught:
        plot.orders(examination)
    assert caught.value.extra == "plot"
