"""Quality and charging level: 58 labelled captures from a circuit simulator, faults put into them, bad input."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sixpulse
from sixpulse import errors
from sixpulse.level import judge, window_v
from sixpulse.quality import CycleFacts, assess, supply_trace
from sixpulse.results import Quality

# Circuit-simulated captures with known truth (ngspice 39); absent from a plain clone.
CAPTURES = Path(os.environ.get("SIXPULSE_CAPTURES", Path(__file__).parents[1] / ".." / "shared" / "captures"))
needs_captures = pytest.mark.skipif(
    not (CAPTURES / "labels.json").is_file(), reason="the shared captures are not beside this clone"
)
ROLES = {"post": "charging_post", "battery": "battery_post", "sensor": "speed_sensor"}


def labelled() -> Iterator[tuple[str, dict[str, Any], dict[str, sixpulse.Trace], Any]]:
    """Every shared capture: name, label, traces, arrays."""
    for name, label in json.loads((CAPTURES / "labels.json").read_text()).items():
        with np.load(CAPTURES / f"{name}.npz") as file:
            arrays = {key: file[key] for key in file.files}
        yield name, label, {key: trace_of(arrays, label, key, arrays[key]) for key in ROLES}, arrays


def trace_of(arrays: Any, label: dict[str, Any], key: str, counts: Any) -> sixpulse.Trace:
    coupling = "dc" if key == "sensor" else label["coupling"]
    return sixpulse.Trace(
        counts,
        sample_rate_hz=float(arrays["fs"]),
        coupling=coupling,
        role=ROLES[key],  # type: ignore[arg-type]
        scale=float(arrays[f"{key}_lsb"]),
        offset=0.0,
    )


def codes(quality: Quality, trace: str | None = None) -> set[str]:
    return {issue.code for issue in quality.issues if trace is None or issue.trace == trace}


def facts(label: dict[str, Any]) -> CycleFacts:
    return CycleFacts(
        supply_trace="post",
        electrical_hz=label["fe"],
        ripple_peak_to_peak_v=max(label["ptp_post"], 1e-3),
        lowest_order_hz=label["fe"],
    )


@needs_captures
def test_no_sound_capture_is_called_unfit() -> None:
    count = 0
    for name, label, traces, _ in labelled():
        capture = sixpulse.Capture(traces)
        for quality in (assess(capture), assess(capture, cycle=facts(label))):
            assert quality.usable, (name, quality.issues)
            assert not codes(quality) & {"clipped", "dropout", "flat"}, (name, quality.issues)
            hidden = "ac_coupled_level_unknown" in codes(quality)
            assert hidden == (label["coupling"] == "ac"), name
        assert quality.electrical_cycles == pytest.approx(label["fe"] * capture.duration_s)
        for key, figures in quality.traces.items():
            # One count apart somewhere: the step of the record is the step of its converter.
            assert figures.step == pytest.approx(traces[key].scale), (name, key)
        count += 1
    assert count == 58


@needs_captures
def test_clipping_put_into_the_captures_is_caught() -> None:
    caught = total = 0
    for name, label, traces, arrays in labelled():
        counts = arrays["post"].astype(int)
        low, high = int(counts.min()), int(counts.max())
        if label["label"] == "not_running":
            continue
        for limit in (round(high - 0.25 * (high - low)), round(high - 0.4 * (high - low))):
            clipped = np.minimum(counts, limit).astype(np.int16)
            if limit - low < 16 or (clipped == limit).mean() < 0.01:
                continue  # fewer steps than a flat top can be told on; next to nothing cut off
            total += 1
            quality = assess(sixpulse.Capture(traces | {"post": trace_of(arrays, label, "post", clipped)}))
            caught += "clipped" in codes(quality, "post")
            assert not codes(quality, "battery") & {"clipped"}, name
    # Not all: where the limit lies among the most frequent levels anyway, noise fills the levels next to it.
    assert total > 50
    assert caught >= 0.85 * total, (caught, total)


@needs_captures
def test_held_and_zeroed_buffers_put_into_the_captures_are_caught() -> None:
    held_caught = held_total = 0
    for name, label, traces, arrays in labelled():
        counts = arrays["post"].copy()
        start, length = len(counts) // 3, max(64, len(counts) // 50)
        lost = counts.copy()
        lost[start : start + length] = 0
        quality = assess(sixpulse.Capture(traces | {"post": trace_of(arrays, label, "post", lost)}))
        if label["coupling"] == "dc":
            assert quality.traces["post"].dropout_count == 1, name
            assert quality.traces["post"].longest_repeat == length
            assert "clipped" not in codes(quality), name
        # Held for four electrical cycles of a ripple that spans at least 8 steps: nothing else stands still as long.
        length = round(4 * float(arrays["fs"]) / label["fe"])
        if np.ptp(counts) >= 8 and length >= 64 and label["label"] != "not_running":
            held_total += 1
            counts[start : start + length] = counts[start]
            quality = assess(sixpulse.Capture(traces | {"post": trace_of(arrays, label, "post", counts)}))
            held_caught += "dropout" in codes(quality, "post")
    assert held_total > 20
    assert held_caught >= 0.9 * held_total, (held_caught, held_total)


@needs_captures
def test_level_of_the_captures() -> None:
    for name, label, traces, arrays in labelled():
        level = judge(sixpulse.Capture(traces))
        if label["coupling"] == "ac":
            assert level.mean_v is None and level.verdict == "unknown" and level.reason, name
        else:
            expected = float(np.mean(arrays["post"] * float(arrays["post_lsb"])))
            assert level.mean_v == pytest.approx(expected, rel=1e-12), name
            assert level.system_v == 12.0, name


def sine(n: int = 5000, noise: float = 0.0) -> Any:
    return 14.0 + 0.3 * np.sin(0.1 * np.arange(n)) + noise * np.random.default_rng(1).normal(size=n)


def supply(samples: Any, *, rate_hz: float = 50_000.0, coupling: Any = "dc", role: Any = "charging_post") -> Any:
    return sixpulse.Capture({"post": sixpulse.Trace(samples, sample_rate_hz=rate_hz, coupling=coupling, role=role)})


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_every_code_can_be_reached(dtype: Any) -> None:
    seen = set[str]()
    held = sine()
    held[1000:1200] = held[1000]
    cycle = CycleFacts(supply_trace="post", electrical_hz=20.0, ripple_peak_to_peak_v=0.6, lowest_order_hz=20.0)
    for capture, known, code in [
        (supply(np.minimum(sine(), 14.2).astype(dtype)), None, "clipped"),
        (supply(held.astype(dtype)), None, "dropout"),
        (supply(np.full(100, 14.0, dtype)), None, "flat"),
        (supply(np.round(sine() / 0.25).astype(dtype) * dtype(0.25)), None, "too_coarse"),
        (supply(sine().astype(dtype), rate_hz=1000.0), None, "undersampled"),
        (supply(sine(50).astype(dtype)), None, "too_short"),
        (supply(sine().astype(dtype), coupling="ac"), None, "ac_coupled_level_unknown"),
        (supply(sine().astype(dtype), coupling="ac"), cycle, "low_order_droop"),
        (supply(sine().astype(dtype), role="other"), None, "no_supply_trace"),
    ]:
        quality = assess(capture, cycle=known)
        assert code in codes(quality), (code, quality.issues)
        for issue in quality.issues:
            assert issue.statement.endswith(".") and issue.remedy.endswith(".")
            assert "nan" not in issue.statement.lower() and "inf" not in issue.statement.lower()
        seen |= {code}
    assert seen == set(sixpulse.results.QualityCode.__args__)  # type: ignore[attr-defined]
    assert assess(supply(sine(noise=0.003).astype(dtype))).issues == ()


def test_result_goes_through_plain_data() -> None:
    quality = assess(supply(np.minimum(sine(), 14.2)))
    assert Quality.from_json(quality.to_json()) == quality
    level = judge(supply(sine()))
    assert type(level).from_json(level.to_json()) == level


def test_bad_facts_are_refused() -> None:
    good = {"supply_trace": "post", "electrical_hz": 100.0, "ripple_peak_to_peak_v": 0.5, "lowest_order_hz": 100.0}
    for change, error in [
        ({"electrical_hz": 0.0}, errors.OutOfRangeError),
        ({"electrical_hz": float("nan")}, errors.OutOfRangeError),
        ({"lowest_order_hz": -1.0}, errors.OutOfRangeError),
        ({"ripple_peak_to_peak_v": float("inf")}, errors.OutOfRangeError),
        ({"electrical_hz": "fast"}, errors.WrongTypeError),
        ({"supply_trace": 3}, errors.WrongTypeError),
    ]:
        with pytest.raises(error) as caught:
            assess(supply(sine()), cycle=CycleFacts(**(good | change)))  # type: ignore[arg-type]
        assert caught.value.parameter in change


def test_supply_trace_prefers_the_charging_post() -> None:
    def make(role: Any) -> sixpulse.Trace:
        return sixpulse.Trace(sine(), sample_rate_hz=1e4, coupling="dc", role=role)

    assert supply_trace(sixpulse.Capture({"b": make("battery_post"), "p": make("charging_post")})) == "p"
    assert supply_trace(sixpulse.Capture({"s": make("edge_sensor")})) is None


@pytest.mark.parametrize(
    ("temperature_c", "window"),
    # Published service data, envelope of two market settings (module documentation of sixpulse.level).
    [(-20.0, (14.0, 15.4)), (20.0, (13.7, 14.9)), (60.0, (13.2, 14.6)), (80.0, (12.9, 14.5)), (81.0, None)],
)
def test_window(temperature_c: float, window: tuple[float, float] | None) -> None:
    assert window_v(temperature_c=temperature_c) == (window and pytest.approx(window))


def test_window_needs_a_number() -> None:
    with pytest.raises(errors.WrongTypeError):
        window_v(temperature_c="warm")  # type: ignore[arg-type]
    assert window_v(temperature_c=float("nan")) is None
