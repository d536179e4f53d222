"""What `tools/records.py` says that a record can prove, against closed forms and estimates made from drawn noise."""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

Float = NDArray[np.float64]
FS, FE, SAMPLES = 50e3, 250.0, 20_000
GAIN, DELAY = 0.3, 47e-6


@pytest.fixture(scope="module")
def records() -> ModuleType:
    path = Path(__file__).parent.parent / "tools" / "records.py"
    spec = importlib.util.spec_from_file_location("records", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["records"] = module
    spec.loader.exec_module(module)
    return module


def label(*, noise: float, steps: tuple[float, float] = (1e-6, 1e-6), gain: float = GAIN) -> dict[str, Any]:
    facts = {"fs": FS, "fe": FE, "gain": gain, "delay": DELAY, "noise": noise}
    return facts | {"coupling": "dc", "post_lsb": steps[0], "sensor_lsb": steps[1], "params": {"corner_hz": 5.0}}


def lines(amplitudes: dict[float, float], t: Float) -> Float:
    return np.sum([a * np.cos(2 * math.pi * n * FE * t + n) for n, a in amplitudes.items()], axis=0)


def record(
    records: ModuleType,
    amplitudes: dict[float, float],
    *,
    noise: float,
    seed: int = 1,
    wheel: float = 0.0,
    gain: float = GAIN,
    steps: tuple[float, float] = (1e-6, 1e-6),
) -> Any:
    """What is in a record of such orders, with a wheel's line 0.4 % above the first order."""
    rng, t = np.random.default_rng(seed), np.arange(SAMPLES) / FS
    own = wheel * np.cos(2 * math.pi * 1.004 * FE * t)
    post = lines(amplitudes, t) + noise * rng.standard_normal(SAMPLES)
    sensor = own + gain * lines(amplitudes, t - DELAY) + noise * rng.standard_normal(SAMPLES)
    post, sensor = (np.round(x / step) * step for x, step in zip((post, sensor), steps, strict=True))
    return records.of(post, sensor, label(noise=noise, steps=steps, gain=gain))


def test_bounds_of_one_line_are_those_of_the_handbook(records: ModuleType) -> None:
    # var(g) >= s^2 / (N r^2) and var(d) >= s^2 / (N r^2 (g w)^2) for a line of r volts r.m.s., s^2 of both channels.
    amplitude, noise = 0.5, 0.01
    gain, delay = records.bounds(record(records, {6.0: amplitude}, noise=noise))
    relative = noise * math.hypot(1.0, GAIN) / (math.sqrt(SAMPLES / 2) * amplitude * GAIN)
    # The noise under a line is the mean of five bins: known to a third.
    assert gain == pytest.approx(relative, rel=0.35)
    assert delay == pytest.approx(gain / (2 * math.pi * 6 * FE), rel=1e-3)


def test_least_squares_reaches_the_bounds_and_no_better(records: ModuleType) -> None:
    amplitudes, noise = {1.0: 0.3, 2.0: 0.1, 6.0: 0.05}, 0.05
    t = np.arange(SAMPLES) / FS
    known = lines(amplitudes, t - DELAY)
    slope = -GAIN * np.gradient(known, t)
    found = []
    for seed in range(200):
        rng = np.random.default_rng(100 + seed)
        # The supply's noise comes through the path as well.
        seen = GAIN * known + noise * math.hypot(1.0, GAIN) * rng.standard_normal(SAMPLES)
        found.append(np.linalg.lstsq(np.column_stack([known, slope]), seen, rcond=None)[0])
    stds = np.std(found, axis=0)
    bounds = np.median([records.bounds(record(records, amplitudes, noise=noise, seed=s)) for s in range(40)], axis=0)
    # Of 200 draws the deviation is known to 5 %; the floor of each record is the higher of two estimates.
    assert bounds[0] == pytest.approx(stds[0] / GAIN, rel=0.25)
    assert bounds[1] == pytest.approx(stds[1], rel=0.25)


def test_what_folds_back_onto_an_order_is_in_the_way(records: ModuleType) -> None:
    clear = {6.0: 0.3, 12.0: 0.1}
    # 200 samples a cycle: order 188 comes back upon order 12.
    folded = clear | {188.0: 0.1}
    before, after = (records.bounds(record(records, orders, noise=1e-3))[1] for orders in (clear, folded))
    # The delay's information is the sum of (n a)^2: what order 12 had of it is gone.
    assert after / before == pytest.approx(math.sqrt((1.8**2 + 1.2**2) / 1.8**2), rel=0.03)


def test_orders_prove_unless_noise_or_a_wheel_hides_them(records: ModuleType) -> None:
    orders = {1.0: 0.1, 2.0: 0.03, 6.0: 0.05}
    assert records.can_prove(record(records, orders, noise=0.002))
    assert not records.can_prove(record(records, orders, noise=1.5))
    # Orders 1 alone, steady: a machine in step has it as well.
    assert records.allows(record(records, {1.0: 0.1}, noise=0.002))
    assert not records.can_prove(record(records, {1.0: 0.1}, noise=0.002))
    # A wheel over the first of two orders leaves one.
    pair = {1.0: 0.1, 2.0: 0.1}
    assert records.can_prove(record(records, pair, noise=0.002))
    assert not records.can_prove(record(records, pair, noise=0.002, wheel=1.0))


def test_ripple_within_a_step_is_not_in_the_record(records: ModuleType) -> None:
    orders = {1.0: 0.1, 2.0: 0.03, 6.0: 0.05}
    assert not records.allows(record(records, orders, noise=0.002, steps=(1e-6, 0.4)))
    assert not records.allows(record(records, orders, noise=0.002, steps=(0.8, 1e-6)))
    # Noise of 0.3 steps makes a converter linear on the mean.
    assert records.allows(record(records, orders, noise=0.13, steps=(1e-6, 0.4)))


def test_a_clean_sensor_needs_a_gain_of_a_tenth_to_show(records: ModuleType) -> None:
    orders = {1.0: 0.1, 2.0: 0.03, 6.0: 0.05}
    assert records.can_prove(record(records, orders, noise=0.002, gain=0.0))
    assert not records.can_prove(record(records, orders, noise=1.5, gain=0.0))


def test_chance_of_two_orders(records: ModuleType) -> None:
    # u (2 p u / pi): one period of 6 is open at 12, six of them at 1 but for the delays' range (1.72 at 200 Hz).
    assert records.chance([(0.1, 6), (0.2, 12)], 200.0) == pytest.approx(0.2 * 2 * 0.2 / math.pi)
    assert records.periods_open(6, 1, 200.0) == pytest.approx(1.0 + 600e-6 * 1200.0)
    # A third order that agrees makes chance rarer, one known to no part of its gain does not.
    three = records.chance([(0.1, 6), (0.2, 12), (0.2, 18)], 200.0)
    assert three == pytest.approx(2 * 0.2 * 2 * 0.2 / math.pi * 0.2 * 0.2 / math.pi / 2)


@pytest.mark.parametrize(
    ("sine", "beside"), [(1.0, 0.0), (3.0, 0.0), (0.3, 2.0), (0.05, 6.0), (0.3, 14.0), (1.0, 14.0)]
)
def test_rounding_leaves_as_much_open_as_a_converter_does(records: ModuleType, sine: float, beside: float) -> None:
    t = np.arange(20_000) / 20_000
    wave = np.sin(2 * math.pi * 211 * t)
    rng = np.random.default_rng(20)
    errors = []
    for _ in range(60):
        other = math.sqrt(2) * beside * rng.uniform(0.9, 1.1) * np.sin(2 * math.pi * 137 * t + rng.uniform(0, 7))
        large = math.sqrt(2) * sine * rng.uniform(0.9, 1.1)
        codes = np.round(large * wave + other + rng.random())
        errors.append(2 * np.mean(codes * wave) / large - 1)
    # Envelopes of Bessel functions are 1.4 times their r.m.s. value, and 1.5 where two of them meet. Above the bound
    # lie 60 draws' scatter and the terms beyond the first, a fifth at the most.
    seen = math.sqrt(np.mean(np.square(errors)))
    assert records.rounded(sine, beside) / 1.8 < seen < 1.2 * records.rounded(sine, beside)


def test_rounding_of_no_ripple_leaves_all_open(records: ModuleType) -> None:
    assert records.rounded(0.0, 0.0) == math.inf
    assert records.rounding(record(records, {6.0: 0.08}, noise=0.01, gain=0.0, steps=(1e-6, 0.5))) == math.inf
