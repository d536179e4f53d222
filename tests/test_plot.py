"""Plots: what is drawn is what the result says; text fits every size; nothing global is touched."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

import sixpulse
from captures import ELECTRICAL_HZ, SAMPLE_RATE_HZ, sprayer
from sixpulse import compare, errors, ideal, plot
from sixpulse.results import Contamination, Examination, Points

matplotlib = pytest.importorskip("matplotlib")
matplotlib.use("Agg")

CAPTURE = sprayer()
Draw = Callable[..., Any]


@pytest.fixture(scope="module")
def examination() -> Examination:
    return sixpulse.examine(CAPTURE, electrical_hz=ELECTRICAL_HZ)


@pytest.fixture(scope="module")
def intervention() -> compare.Interventions:
    """Ripple down in two steps and back; a second sensor with a wheel of its own."""
    level, ripple = 14.2, CAPTURE["post"].values() - CAPTURE["post"].values().mean()
    rng = np.random.default_rng(7)
    turning = 0.05 * np.sin(2.0 * np.pi * 63.0 * np.arange(ripple.size) / SAMPLE_RATE_HZ)

    def taken(amount: float) -> sixpulse.Capture:
        noise = rng.normal(0.0, 0.003, (3, ripple.size))
        made: dict[str, Any] = {"sample_rate_hz": SAMPLE_RATE_HZ, "coupling": "dc"}
        return sixpulse.Capture(
            {
                "post": sixpulse.Trace(level + amount * ripple + noise[0], role="charging_post", **made),
                "ground_speed": sixpulse.Trace(0.25 * amount * ripple + noise[1], role="speed_sensor", **made),
                "flow": sixpulse.Trace(turning + noise[2], role="other", **made),
            }
        )

    return sixpulse.compare_interventions(taken(1.0), [taken(0.5), taken(0.2)], taken(1.0))


@pytest.fixture(scope="module")
def draws(examination: Examination, intervention: compare.Interventions) -> dict[str, Draw]:
    """Return every plot, ready to be drawn."""
    points = examination.points
    assert points is not None
    return {
        "trace": lambda **to: plot.trace(CAPTURE, "post", **to),
        "capture": lambda **to: plot.capture(CAPTURE, **to),
        "close_up": lambda **to: plot.close_up(CAPTURE, examination, **to),
        "mean_cycle": lambda **to: plot.mean_cycle(examination, **to),
        "orders": lambda **to: plot.orders(examination, **to),
        "sensor_against_supply": lambda **to: plot.sensor_against_supply(CAPTURE, examination, "ground_speed", **to),
        "transfer": lambda **to: plot.transfer(examination, "ground_speed", **to),
        "speed_track": lambda **to: plot.speed_track(examination, **to),
        "interventions": lambda **to: plot.interventions(intervention, **to),
        "points": lambda **to: plot.points(points, **to),
    }


#: Plots of several panels, with their number for the results above.
PANELS = {"capture": 3, "transfer": 2, "interventions": 3, "points": 2}
NAMES = [name for name in plot.__all__ if name not in ("PALETTE", "SIZES", "Size")]


@pytest.fixture
def ax() -> Any:
    from matplotlib.figure import Figure  # noqa: PLC0415

    return Figure(layout="constrained").subplots()


def stacked(count: int) -> Any:
    from matplotlib.figure import Figure  # noqa: PLC0415

    return list(Figure(layout="constrained").subplots(count, 1))


@pytest.fixture(autouse=True)
def nothing_left_open() -> Iterator[None]:
    """Close what the tests opened; they say themselves what should be open."""
    from matplotlib import pyplot  # noqa: PLC0415

    yield
    pyplot.close("all")


# What is drawn --------------------------------------------------------------------------------------------------------


def test_capture_has_a_panel_for_each_trace() -> None:
    panels = plot.capture(CAPTURE)
    assert [panel.get_title(loc="left").split(" ")[0] for panel in panels] == CAPTURE.names
    assert [panel.get_xlabel() for panel in panels] == ["", "", "time, s"]
    with pytest.raises(errors.InvalidCombinationError, match="expected 3 axes, got 2"):
        plot.capture(CAPTURE, ax=panels[:2])


def test_a_long_trace_is_drawn_by_its_extremes(ax: Any) -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(0.0, 0.1, 50_000)
    values[31_234], values[31_236], values[49_999] = 5.0, -4.0, 3.0
    trace = sixpulse.Trace(values, sample_rate_hz=1e5, coupling="dc", role="other")
    plot.trace(sixpulse.Capture({"a": trace}), "a", ax=ax)
    (vertices,) = (path.vertices for path in ax.collections[0].get_paths())
    assert len(vertices) < 5_000
    assert (vertices[:, 1].max(), vertices[:, 1].min()) == (5.0, -4.0)
    # Within one part, a 1500th of the record, of its time.
    assert vertices[vertices[:, 1].argmax(), 0] == pytest.approx(0.31234, abs=0.5 / 1500)
    assert 3.0 in vertices[:, 1], "the last sample is drawn"
    assert ax.get_xlim() == (0.0, 0.5)


def test_a_short_trace_is_drawn_sample_by_sample(ax: Any) -> None:
    current = sixpulse.Trace(np.arange(100.0), sample_rate_hz=50.0, coupling="dc", role="charging_current")
    plot.trace(sixpulse.Capture({"clamp": current}), "clamp", ax=ax)
    np.testing.assert_array_equal(ax.lines[0].get_ydata(), np.arange(100.0))
    np.testing.assert_allclose(ax.lines[0].get_xdata(), np.arange(100) / 50.0)
    assert ax.get_ylabel() == "current, A"


def test_close_up_shows_the_ac_coupled_trace(ax: Any, examination: Examination) -> None:
    assert plot.close_up(CAPTURE, examination, cycles=4, ax=ax) is ax
    shown = ax.lines[0].get_ydata()
    assert len(shown) == round(4 * CAPTURE.sample_rate_hz / examination.cycle.electrical_hz) + 1  # type: ignore[operator]
    assert abs(np.mean(shown)) < 0.1, "the level is removed"
    # Four cycles of a steady record span what the mean cycle spans, and the noise on top.
    assert np.ptp(shown) == pytest.approx(np.ptp(examination.cycle.mean_cycle_v), rel=0.1)
    marks = [line.get_xdata()[0] for line in ax.lines[1:]]
    np.testing.assert_allclose(np.diff(marks), 1e3 / examination.cycle.electrical_hz)  # type: ignore[operator]
    assert len(marks) == 5
    for wrong in (0, -2):
        with pytest.raises(errors.OutOfRangeError):
            plot.close_up(CAPTURE, examination, cycles=wrong)
    with pytest.raises(errors.WrongTypeError):
        plot.close_up(CAPTURE, examination, cycles=2.5)  # type: ignore[arg-type]


@pytest.mark.parametrize("cycles", [1000, 2**62, 10**400])
def test_a_close_up_marks_no_cycle_beyond_the_record(
    ax: Any, examination: Examination, cycles: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mark for each of a million cycles took minutes, nearly all of them beyond the record's end."""
    plot.close_up(CAPTURE, examination, cycles=cycles, ax=ax)
    whole = CAPTURE.duration_s * examination.cycle.electrical_hz  # type: ignore[operator]
    assert len(ax.lines) == pytest.approx(2 + whole, abs=1) and len(ax.lines[0].get_ydata()) == CAPTURE.sample_count
    ax.clear()
    monkeypatch.setattr("sixpulse.plot._signals._GUIDES", 50)
    plot.close_up(CAPTURE, examination, cycles=cycles, ax=ax)
    assert len(ax.lines) == 1 and ax.get_xlabel() == "time, ms"


def labels(axes: Any) -> list[str]:
    return [text.get_text().replace("\n", " ") for text in axes.get_legend().get_texts()]


def test_mean_cycle(ax: Any, examination: Examination) -> None:
    cycle = examination.cycle
    plot.mean_cycle(examination, ax=ax)
    line = ax.lines[0]
    np.testing.assert_array_equal(line.get_ydata()[:-1], cycle.mean_cycle_v)
    assert line.get_xdata()[-1] == 360.0
    band = ax.collections[0].get_paths()[0].vertices[:, 1]
    assert band.max() == (cycle.mean_cycle_v + cycle.cycle_std_v).max()
    assert band.min() == (cycle.mean_cycle_v - cycle.cycle_std_v).min()
    assert ax.get_xlabel() == "electrical degrees"


def test_ideal_shapes_are_scaled_as_the_legend_says(ax: Any, examination: Examination) -> None:
    plot.mean_cycle(examination, ax=ax)
    mean, healthy, faulty = (line.get_ydata()[:-1] for line in ax.lines)
    for shape in (healthy, faulty):
        assert np.mean(shape) == pytest.approx(0.0, abs=1e-12)
        assert np.std(shape) == pytest.approx(np.std(mean), rel=1e-12), "the same r.m.s."
    # The capture was made as an ideal bridge with one diode missing, 4 mV of noise, 2 mV steps: averaged over 80 cycles
    # the shape is that of the closed form, the turn found to one of 192 points.
    assert np.corrcoef(mean, faulty)[0, 1] ** 2 > 0.99
    assert "ideal circuits at the same r.m.s., turned to fit" in ax.get_legend().get_title().get_text().replace(
        "\n", " "
    )
    share = [float(text.split(": ")[1].split(" %")[0]) for text in labels(ax) if "in common" in text]
    expected = [100.0 * np.corrcoef(mean, shape)[0, 1] ** 2 for shape in (healthy, faulty)]
    np.testing.assert_allclose(share, expected, atol=0.5)
    # No turn by a point fits better.
    for turn in (-1, 1):
        assert np.sum(mean * np.roll(faulty, turn)) < np.sum(mean * faulty)


@pytest.mark.parametrize(
    ("pattern", "pulse_number", "expected"),
    [
        ("healthy", 6.0, ["healthy, six pulses", "one diode open"]),
        ("open_phase", 6.0, ["healthy, six pulses", "one phase open"]),
        ("shorted_diode", 6.0, ["healthy, six pulses"]),
        (
            "two_open_diodes",
            6.0,
            ["healthy, six pulses", "two diodes open, same rail", "two diodes open, opposite rails"],
        ),
        ("open_diode", 12.0, ["healthy, twelve pulses"]),
    ],
)
def test_which_shapes_are_expected(
    pattern: str, pulse_number: float, expected: list[str], ax: Any, examination: Examination
) -> None:
    document = examination.to_dict()
    document["rectifier"]["pattern"] = pattern
    document["parameters"]["pulse_number"] = pulse_number
    plot.mean_cycle(Examination.from_dict(document), ax=ax)
    assert [text.split(":")[0] for text in labels(ax) if "in common" in text] == expected
    styles = [str(line.get_linestyle()) + str(line._dash_pattern) for line in ax.lines]
    assert len(set(styles)) == len(styles), "told apart in grey print"


def test_shapes_of_ones_own_choice(ax: Any, examination: Examination) -> None:
    plot.mean_cycle(examination, expected=(), ax=ax)
    assert len(ax.lines) == 1
    ax.clear()
    plot.mean_cycle(examination, expected=ideal.CIRCUITS, ax=ax)
    assert len(ax.lines) == 1 + len(ideal.CIRCUITS)
    with pytest.raises(errors.UnknownNameError):
        plot.mean_cycle(examination, expected=["seven_pulse"])  # type: ignore[list-item]
    with pytest.raises(errors.WrongTypeError):
        plot.mean_cycle(examination, expected="six_pulse")  # type: ignore[arg-type]


def test_orders_of_twelve_pulses_hatch_the_multiples_of_twelve(ax: Any, examination: Examination) -> None:
    document = examination.to_dict()
    document["parameters"]["pulse_number"] = 12.0
    plot.orders(Examination.from_dict(document), ax=ax)
    bars = {round(bar.get_x() + bar.get_width() / 2): bar for bar in ax.patches}
    assert [order for order, bar in sorted(bars.items()) if bar.get_hatch()] == [12, 24]
    assert "multiples of twelve: a healthy machine's" in labels(ax)


def test_orders_tell_multiples_of_six_without_colour(ax: Any, examination: Examination) -> None:
    plot.orders(examination, ax=ax)
    bars = {round(bar.get_x() + bar.get_width() / 2): bar for bar in ax.patches}
    amplitudes, stds = examination.cycle.order_amplitudes_v, examination.cycle.order_amplitudes_v_std
    assert sorted(bars) == list(range(1, amplitudes.size + 1))
    for order, bar in bars.items():
        assert bar.get_height() == amplitudes[order - 1]
        assert bool(bar.get_hatch()) == (order % 6 == 0)
    segments = np.array(next(c for c in ax.collections if hasattr(c, "get_segments")).get_segments())
    np.testing.assert_allclose(segments[:, 1, 1] - segments[:, 0, 1], 2.0 * 1.96 * stds, rtol=1e-9)
    noise = next(line for line in ax.lines if line.get_label().startswith("noise"))
    # 5 % of Rayleigh-distributed amplitudes lie above sqrt(-2 ln 0.05) = 2.4477 times the parameter (tabulated).
    np.testing.assert_allclose(noise.get_ydata(), 2.4477 * stds, rtol=1e-4)
    plot.orders(examination, scale="log", ax=stacked(2)[0])
    with pytest.raises(errors.UnknownNameError):
        plot.orders(examination, scale="loglog")  # type: ignore[arg-type]


def test_sensor_against_supply(ax: Any, examination: Examination) -> None:
    plot.sensor_against_supply(CAPTURE, examination, "ground_speed", ax=ax)
    circuit, predicted = ax.lines
    assert circuit.get_linestyle() != predicted.get_linestyle()
    # The sensor's trace was made as a quarter of the ripple plus noise of 4 mV.
    assert np.std(circuit.get_ydata() - predicted.get_ydata()) < 0.02
    with pytest.raises(errors.InvalidCombinationError):
        plot.sensor_against_supply(CAPTURE, examination, "post", ax=ax)


def with_transfer(examination: Examination, **changes: Any) -> Examination:
    document = examination.to_dict()
    document["contamination"]["ground_speed"] |= changes
    return Examination.from_dict(document)


def test_a_clean_sensor_has_the_supply_on_a_scale_of_its_own(ax: Any, examination: Examination) -> None:
    clean = with_transfer(
        examination,
        verdict="clean",
        gain_v_per_v=None,
        gain_v_per_v_std=None,
        delay_s=None,
        delay_s_std=None,
        path=None,
    )
    plot.sensor_against_supply(CAPTURE, clean, "ground_speed", ax=ax)
    (other,) = [axes for axes in ax.figure.axes if axes is not ax]
    assert len(other.lines) == 1 and "post" in other.get_ylabel()
    gain, delay = plot.transfer(clean, "ground_speed", ax=stacked(2))
    assert not [text for text in labels(gain) if text.startswith("common")], "no common transfer where none was found"
    assert not delay.lines or all(line.get_linestyle() != "--" for line in delay.lines)


def containers(axes: Any) -> list[Any]:
    from matplotlib.container import ErrorbarContainer  # noqa: PLC0415

    return [one for one in axes.containers if isinstance(one, ErrorbarContainer)]


def test_transfer(examination: Examination) -> None:
    found = examination.contamination["ground_speed"]
    gain, delay = plot.transfer(examination, "ground_speed", ax=stacked(2))
    for axes, factor, value, std in ((gain, 1.0, "gain", "gain_std"), (delay, 1e6, "delay_s", "delay_s_std")):
        drawn = {}
        for container in containers(axes):
            line, _, (bars,) = container
            filled = line.get_markerfacecolor() != "white"
            for x, y, bar in zip(line.get_xdata(), line.get_ydata(), bars.get_segments(), strict=True):
                drawn[round(x)] = (filled, y, bar[1, 1] - y)
        assert sorted(drawn) == sorted(order.order for order in found.orders)
        for order in found.orders:
            filled, middle, above = drawn[order.order]
            assert filled == order.agrees
            assert middle == pytest.approx(factor * getattr(order, value))
            assert above == pytest.approx(1.96 * factor * getattr(order, std))
    common = next(line for line in gain.lines if line.get_label().startswith("common"))
    assert common.get_ydata() == pytest.approx(found.gain_v_per_v)
    assert found.gain_v_per_v == pytest.approx(0.25, rel=0.03), "as it was made"


@pytest.mark.parametrize("corner_hz", [0.0, 40.0, -40.0])
@pytest.mark.parametrize(
    "path", ["first_order_lag", "first_order_high_pass", "second_order_lag", "band_pass", "interpolated_delay"]
)
def test_the_common_transfer_follows_the_path(path: str, corner_hz: float, examination: Examination) -> None:
    tau, second = 2e-4, 3e-5
    changed = with_transfer(
        examination,
        path=path,
        delay_s=tau,
        delay_s_std=1e-6,
        second_time_constant_s=second if path in ("second_order_lag", "band_pass") else None,
        coupling_corner_hz=corner_hz,
    )
    gain, delay = plot.transfer(changed, "ground_speed", ax=stacked(2))
    found: Contamination = changed.contamination["ground_speed"]
    base_hz = found.orders[0].frequency_hz / found.orders[0].order
    curve, lag = (next(one for one in axes.lines if one.get_linestyle() == "--") for axes in (gain, delay))
    w = 2.0 * np.pi * base_hz * curve.get_xdata()
    # Textbook responses of first order and their products; a delay between two samples by linear interpolation.
    part = tau * SAMPLE_RATE_HZ % 1.0
    response = {
        "first_order_lag": 1.0 / (1.0 + 1j * w * tau),
        "first_order_high_pass": 1j * w * tau / (1.0 + 1j * w * tau),
        "second_order_lag": 1.0 / (1.0 + 1j * w * tau) / (1.0 + 1j * w * second),
        "band_pass": 1j * w * (tau + second) / (1.0 + 1j * w * tau) / (1.0 + 1j * w * second),
        "interpolated_delay": 1.0 - part + part * np.exp(-1j * w / SAMPLE_RATE_HZ),
    }[path]
    # A first-order high-pass of the supply's is given back, one of the circuit's taken.
    high_pass = 1.0 / (1.0 - 2j * np.pi * abs(corner_hz) / w)
    response = response / high_pass if corner_hz > 0.0 else response * high_pass
    np.testing.assert_allclose(curve.get_ydata(), abs(found.gain_v_per_v or 0.0) * np.abs(response), rtol=1e-9)
    if path != "interpolated_delay":
        np.testing.assert_allclose(lag.get_ydata(), -1e6 * np.angle(response) / w, rtol=1e-9)


def test_speed_track(ax: Any, examination: Examination) -> None:
    plot.speed_track(examination, ax=ax)
    np.testing.assert_array_equal(ax.lines[0].get_ydata(), examination.cycle.track_electrical_hz)
    np.testing.assert_array_equal(ax.lines[0].get_xdata(), examination.cycle.track_time_s)


def test_intervention_is_a_ladder(intervention: compare.Interventions) -> None:
    ripple, speed, flow = plot.interventions(intervention, ax=stacked(3))
    assert [text.get_text() for text in ripple.get_yticklabels()] == ["before", "during 1", "during 2", "after"]
    assert ripple.get_ylim()[0] > ripple.get_ylim()[1], "before is the uppermost rung"
    np.testing.assert_allclose(
        [bar.get_width() for bar in ripple.patches], [s.ripple_rms_v for s in intervention.stages]
    )
    assert [bool(bar.get_hatch()) for bar in ripple.patches] == [i == intervention.step for i in range(4)]
    stages = intervention.circuits["ground_speed"].stages
    np.testing.assert_allclose([bar.get_width() for bar in speed.patches], [s.at_ripple_rms_v for s in stages])
    bars = containers(speed)[0][2][0].get_segments()
    np.testing.assert_allclose([bar[1, 0] for bar in bars], [s.at_ripple_rms_v_high for s in stages])
    own = next(line for line in flow.lines if line.get_label() == "its own signal")
    np.testing.assert_allclose(own.get_xdata(), [s.own_rms_v for s in intervention.circuits["flow"].stages])
    assert "caused by charging ripple" in speed.get_title(loc="left").replace("\n", " ")
    effect = intervention.circuits["ground_speed"].effect
    assert effect is not None and effect.ratio == pytest.approx(0.2, rel=0.05), "as it was made"
    heading = speed.get_legend().get_title().get_text().replace("\n", " ")
    assert heading == f"during 2 / before: {effect.ratio:.3g} ({effect.ratio_low:.3g} to {effect.ratio_high:.3g})"


def test_circuits_of_an_intervention_are_chosen(intervention: compare.Interventions) -> None:
    axes = plot.interventions(intervention, circuits=["flow"])
    assert len(axes) == 2 and "flow" in axes[1].get_title(loc="left")
    with pytest.raises(errors.UnknownNameError) as caught:
        plot.interventions(intervention, circuits=["post"])
    assert caught.value.expected == "ground_speed, flow"


def test_points(examination: Examination) -> None:
    found = examination.points
    assert found is not None
    amplitudes, gain = plot.points(found, ax=stacked(2))
    post, battery = amplitudes.containers
    assert [bar.get_height() for bar in post] == [order.post_v for order in found.orders]
    assert [bar.get_height() for bar in battery] == [order.battery_v for order in found.orders]
    assert post[0].get_hatch() != battery[0].get_hatch()
    line, _, (bars,) = containers(gain)[0]
    np.testing.assert_allclose(line.get_ydata(), [order.gain for order in found.orders])
    np.testing.assert_allclose(
        [bar[:, 1] for bar in bars.get_segments()], [(o.gain_low, o.gain_high) for o in found.orders]
    )
    overall = next(line for line in gain.lines if line.get_linestyle() == "--")
    assert overall.get_ydata()[0] == found.attenuation
    assert found.attenuation == pytest.approx(0.6, rel=0.01), "as it was made"


def test_a_battery_alone_has_no_points_to_draw() -> None:
    alone = sixpulse.compare_points(sixpulse.Capture({"battery": CAPTURE["battery"]}))
    assert isinstance(alone, Points)
    with pytest.raises(errors.InvalidCombinationError) as caught:
        plot.points(alone)
    assert caught.value.parameter == "found"


def test_names_are_taken_by_the_letter(ax: Any) -> None:
    """A name from a file may hold what Matplotlib reads as a formula, or as a label to leave out."""
    renamed = {"_$p_{1": CAPTURE["post"], "_b$": CAPTURE["battery"], "_s": CAPTURE["ground_speed"]}
    capture = sixpulse.Capture(renamed)
    found = sixpulse.examine(capture, electrical_hz=ELECTRICAL_HZ)
    plot.sensor_against_supply(capture, found, "_s", ax=ax)
    assert [label.strip("\N{ZERO WIDTH SPACE}").split()[0] for label in labels(ax)] == ["_s,", "_$p_{1"]
    ax.figure.canvas.draw()
    assert found.points is not None
    amplitudes, _ = plot.points(found.points, ax=stacked(2))
    assert [label.strip("\N{ZERO WIDTH SPACE}") for label in labels(amplitudes)] == ["_$p_{1", "_b$"]
    amplitudes.figure.canvas.draw()


# What is refused ------------------------------------------------------------------------------------------------------


def test_what_is_not_there_is_not_drawn(ax: Any) -> None:
    capture = sixpulse.Capture({"ground_speed": CAPTURE["ground_speed"]})
    empty = sixpulse.examine(capture)
    for draw in (plot.mean_cycle, plot.orders, plot.speed_track):
        with pytest.raises(errors.InvalidCombinationError):
            draw(empty, ax=ax)
    with pytest.raises(errors.InvalidCombinationError):
        plot.close_up(capture, empty, ax=ax)
    with pytest.raises(errors.InvalidCombinationError):
        plot.transfer(empty, "post", ax=stacked(2))
    with pytest.raises(errors.UnknownTraceError):
        plot.trace(capture, "post", ax=ax)


@pytest.mark.parametrize("wrong", [None, 1.0, "post", np.zeros(3)])
def test_wrong_types_are_named(wrong: Any, examination: Examination) -> None:
    for draw in (
        lambda: plot.trace(wrong, "post"),
        lambda: plot.capture(wrong),
        lambda: plot.close_up(CAPTURE, wrong),
        lambda: plot.close_up(wrong, examination),
        lambda: plot.mean_cycle(wrong),
        lambda: plot.orders(wrong),
        lambda: plot.speed_track(wrong),
        lambda: plot.sensor_against_supply(CAPTURE, wrong, "ground_speed"),
        lambda: plot.transfer(wrong, "ground_speed"),
        lambda: plot.interventions(wrong),
        lambda: plot.points(wrong),
    ):
        with pytest.raises(errors.WrongTypeError) as caught:
            draw()
        assert caught.value.actual == type(wrong).__name__
    assert open_figures() == []


def open_figures() -> list[int]:
    from matplotlib import pyplot  # noqa: PLC0415

    return list(pyplot.get_fignums())


@pytest.mark.parametrize(
    ("size", "error"),
    [
        ("poster", errors.UnknownNameError),
        ((0.0, 3.0), errors.OutOfRangeError),
        ((4.0, float("nan")), errors.OutOfRangeError),
        ((4.0,), errors.WrongTypeError),
        (5, errors.WrongTypeError),
    ],
)
def test_sizes_that_are_none(size: Any, error: type[errors.SixpulseError], examination: Examination) -> None:
    with pytest.raises(error) as caught:
        plot.orders(examination, size=size)
    assert caught.value.parameter == "size"


def test_axes_have_a_size_already(ax: Any, examination: Examination) -> None:
    with pytest.raises(errors.InvalidCombinationError):
        plot.orders(examination, ax=ax, size="slide")
    with pytest.raises(errors.WrongTypeError):
        plot.orders(examination, ax=ax.figure)


# Every plot -----------------------------------------------------------------------------------------------------------


def test_every_plot_is_listed_here(draws: dict[str, Draw]) -> None:
    assert sorted(draws) == sorted(NAMES)


def as_list(drawn: Any) -> list[Any]:
    return list(drawn) if isinstance(drawn, list) else [drawn]


@pytest.mark.parametrize("name", NAMES)
def test_draws_on_the_axes_given_and_opens_nothing(name: str, draws: dict[str, Draw]) -> None:
    before = dict(matplotlib.rcParams)
    given = stacked(PANELS.get(name, 1)) if name in PANELS else stacked(2)[0]
    drawn = draws[name](ax=given)
    assert all(a is b for a, b in zip(as_list(drawn), as_list(given), strict=True))
    assert open_figures() == []
    assert dict(matplotlib.rcParams) == before


#: Text of 8, 10 and 18 points.
SIZES = {"column": 8.0, "notebook": 10.0, "slide": 18.0}


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", NAMES)
def test_text_fits_the_figure(name: str, size: str, draws: dict[str, Draw]) -> None:
    """Every text lies inside the figure, titles and legends above the data."""
    axes = as_list(draws[name](size=size))
    figure = axes[0].figure
    assert figure.get_figwidth() == plot.SIZES[size][0]
    assert len(open_figures()) == 1, "one figure, the caller's to close"
    figure.canvas.draw()
    # The names of sizes are sizes of text: a panel that shares the width has smaller ones, never below 7 points.
    if name != "interventions":
        assert axes[-1].xaxis.label.get_size() == SIZES[size]
    # Half a point of slack for the rounding of glyphs.
    slack = figure.dpi / 144.0
    for one in figure.axes:
        box = one.get_tightbbox()
        assert box.x0 >= -slack and box.x1 <= figure.bbox.x1 + slack, "cut off at a side"
        assert box.y0 >= -slack and box.y1 <= figure.bbox.y1 + slack, "cut off above or below"
        legend = one.get_legend()
        texts = [one.xaxis.label, one.yaxis.label, one._left_title, *one.get_xticklabels(), *one.get_yticklabels()]
        assert min(text.get_size() for text in texts + ([] if legend is None else legend.get_texts())) >= 7.0
        if legend is not None:
            assert legend.get_window_extent().y0 >= one.get_window_extent().y1 - 1.0, "the legend covers data"
            title = one._left_title
            if title.get_text():
                assert title.get_window_extent().y0 >= legend.get_window_extent().y1 - 1.0, "title and legend overlap"
    # Panels beside each other share the rungs' names.
    named = all(one.get_ylabel() for one in axes)
    assert named or axes[0].get_yticklabels()[0].get_text() == "before"


def test_own_size_in_inches(examination: Examination) -> None:
    figure: Any = plot.orders(examination, size=(5.0, 2.5)).figure
    assert tuple(figure.get_size_inches()) == (5.0, 2.5)
    panels = plot.capture(CAPTURE, size=(5.0, 2.5))
    assert tuple(panels[0].figure.get_size_inches()) == (5.0, 2.5)  # type: ignore[union-attr]


def test_the_palette_is_the_published_one() -> None:
    # Okabe and Ito (2002, revised 2008) in red, green and blue of 255.
    published = [(0, 0, 0), (230, 159, 0), (86, 180, 233), (0, 158, 115), (240, 228, 66), (0, 114, 178)]
    published += [(213, 94, 0), (204, 121, 167)]
    assert [tuple(bytes.fromhex(colour[1:])) for colour in plot.PALETTE.values()] == published


@pytest.mark.parametrize("name", NAMES)
def test_without_matplotlib(name: str, draws: dict[str, Draw], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.pyplot", None)
    with pytest.raises(errors.MissingDependencyError) as caught:
        draws[name]()
    assert caught.value.extra == "plot"
