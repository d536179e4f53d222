"""AC coupling against SciPy (Virtanen et al., Nature Methods 17, 2020), the reference implementation of the filters."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from sixpulse import Trace, coupling, errors

# Largest difference allowed, in units of the largest output. Both sides use double precision and the same recursion;
# rounding of the pole (1.1e-16) grows by rate / corner, here up to 1e5.
RELATIVE = 1e-9


def record(n: int, seed: int = 7) -> NDArray[np.float64]:
    """A charging post: level, ripple, a load step and noise."""
    t = np.arange(n) / 20_000
    rng = np.random.default_rng(seed)
    step = 0.4 * (t > 0.6 * t[-1])
    ripple: NDArray[np.float64] = 0.15 * np.abs(np.sin(2 * np.pi * 310 * t)) + 0.02 * rng.standard_normal(n)
    return np.asarray(14.2 + step + ripple)


def assert_equal(actual: NDArray[np.float64], expected: NDArray[np.float64]) -> None:
    scale = np.abs(expected).max()
    assert actual.shape == expected.shape
    assert np.abs(actual - expected).max() <= RELATIVE * scale


@pytest.mark.parametrize("n", [2, 3, 255, 256, 257, 1000, 40_000])
@pytest.mark.parametrize("corner_hz", [0.2, 5.0, 300.0, 5000.0, 9000.0])
def test_causal_equals_lfilter_started_settled(n: int, corner_hz: float) -> None:
    x = record(n)
    b, a = signal.butter(1, corner_hz, "highpass", fs=20_000)
    expected, _ = signal.lfilter(b, a, x, zi=signal.lfilter_zi(b, a) * x[0])
    actual = coupling.ac_couple(x, sample_rate_hz=20_000, corner_hz=corner_hz, method="causal")
    assert_equal(actual, expected)


@pytest.mark.parametrize(("n", "corner_hz"), [(40_000, 5.0), (200_000, 1.0), (3000, 300.0), (1024, 5000.0)])
def test_zero_phase_equals_sosfiltfilt_with_even_padding(n: int, corner_hz: float) -> None:
    x = record(n)
    sos = signal.butter(1, corner_hz, "highpass", fs=20_000, output="sos")
    padlen = min(n - 1, int(4 * 20_000 / corner_hz) + 40)
    expected = signal.sosfiltfilt(sos, x, padtype="even", padlen=padlen)
    actual = coupling.ac_couple(x, sample_rate_hz=20_000, corner_hz=corner_hz, method="zero_phase")
    assert_equal(actual, expected)


@pytest.mark.parametrize("n", [2, 3, 50, 256, 2000])
@pytest.mark.parametrize("corner_hz", [0.5, 2.0, 20.0])
def test_short_records_are_reflected_again_and_again(n: int, corner_hz: float) -> None:
    x = record(n)
    sos = signal.butter(1, corner_hz, "highpass", fs=20_000, output="sos")
    pad = int(6 * 20_000 / corner_hz)
    expected = signal.sosfiltfilt(sos, np.pad(x, pad, mode="reflect"), padtype=None, padlen=0)[pad:-pad]
    actual = coupling.ac_couple(x, sample_rate_hz=20_000, corner_hz=corner_hz, method="zero_phase")
    assert_equal(actual, expected)


def test_measured_gain_is_the_stated_one() -> None:
    # 200 whole cycles: the mean of the squares is free of leakage. The warping of the bilinear transform at 2 % of the
    # sample rate changes the ratio by (pi f / rate)^2 / 3, here below 2e-3.
    t = np.arange(10_000) / 10_000
    for frequency_hz in (10.0, 50.0, 200.0):
        x = np.sqrt(2) * np.sin(2 * np.pi * frequency_hz * t)
        y = coupling.ac_couple(x, sample_rate_hz=10_000, corner_hz=10, method="zero_phase")
        middle = y[2000:8000]
        expected = coupling.attenuation(frequency_hz=frequency_hz, corner_hz=10) ** 2
        assert np.sqrt(np.mean(middle**2)) == pytest.approx(expected, rel=2e-3)


def test_front_end_figures() -> None:
    # Closed forms of the first-order high-pass; step and phase checked against SciPy's analogue filter.
    b, a = signal.butter(1, 2 * np.pi * 10, "highpass", analog=True)
    w, h = signal.freqs(b, a, worN=2 * np.pi * np.array([70.0, 223.0, 573.0]))
    for omega, response in zip(w, h, strict=True):
        f = omega / (2 * np.pi)
        assert coupling.attenuation(frequency_hz=f, corner_hz=10) == pytest.approx(abs(response), rel=1e-12)
        assert coupling.phase_lead_rad(frequency_hz=f, corner_hz=10) == pytest.approx(np.angle(response), rel=1e-12)
    half_period = 1 / 600.0
    _, step = signal.step((b, a), T=np.array([0.0, half_period]))
    assert coupling.half_period_droop(frequency_hz=300, corner_hz=10) == pytest.approx(1 - step[1], rel=1e-9)
    settled = coupling.settling_s(corner_hz=10, remaining=0.01)
    _, step = signal.step((b, a), T=np.array([0.0, settled]))
    assert step[1] == pytest.approx(0.01, rel=1e-9)


def test_a_stream_in_blocks_equals_the_whole_record() -> None:
    x = record(5000)
    whole = coupling.ac_couple(x, sample_rate_hz=20_000, corner_hz=5, method="causal")
    stream = coupling.HighPass(sample_rate_hz=20_000, corner_hz=5)
    stream.settle(x[0])
    blocks = [stream.process(block) for block in np.split(x, [1, 1, 700, 2048])]
    np.testing.assert_array_equal(np.concatenate(blocks), whole)


def test_a_stream_at_rest_starts_from_zero() -> None:
    stream = coupling.HighPass(sample_rate_hz=1000, corner_hz=5)
    b, a = signal.butter(1, 5, "highpass", fs=1000)
    np.testing.assert_allclose(stream.process(np.ones(50)), signal.lfilter(b, a, np.ones(50)), rtol=1e-12)
    assert repr(stream) == "HighPass(sample_rate_hz=1000, corner_hz=5)"


def test_threads_couple_at_the_same_time() -> None:
    x = record(100_000)
    expected = coupling.ac_couple(x, sample_rate_hz=20_000, corner_hz=5, method="zero_phase")
    results: list[NDArray[np.float64]] = []
    threads = [
        threading.Thread(
            target=lambda: results.append(
                coupling.ac_couple(x, sample_rate_hz=20_000, corner_hz=5, method="zero_phase")
            )
        )
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(results) == 4
    for result in results:
        np.testing.assert_array_equal(result, expected)


@pytest.mark.parametrize("method", ["causal", "zero_phase"])
def test_any_array_of_real_numbers_is_taken(method: str) -> None:
    x = np.round(record(400) * 256).astype(np.float32)
    expected = coupling.ac_couple(x.astype(float), sample_rate_hz=20_000, corner_hz=5, method=method)  # type: ignore[arg-type]
    strided = np.repeat(x, 2)[::2]
    trace = Trace(x, sample_rate_hz=20_000, coupling="dc", role="charging_post")
    for same in (x.tolist(), x, strided, x.astype(">f8"), x.astype(np.int32), x.astype(np.uint16), trace):
        before = np.array(same)
        actual = coupling.ac_couple(same, sample_rate_hz=20_000, corner_hz=5, method=method)  # type: ignore[arg-type]
        np.testing.assert_array_equal(actual, expected)
        np.testing.assert_array_equal(np.array(same), before)
        assert actual.dtype == np.float64 and actual.flags["C_CONTIGUOUS"]


@pytest.mark.parametrize(
    ("change", "error", "parameter"),
    [
        ({"samples": []}, errors.EmptyInputError, "samples"),
        ({"samples": [1.0]}, errors.TooShortError, "samples"),
        ({"samples": [1.0, np.nan, 2.0]}, errors.NonFiniteError, "samples"),
        ({"samples": [1.0, np.inf]}, errors.NonFiniteError, "samples"),
        ({"samples": np.ones((4, 2))}, errors.ShapeError, "samples"),
        ({"samples": 3.0}, errors.ShapeError, "samples"),
        ({"samples": ["a", "b"]}, errors.WrongTypeError, "samples"),
        ({"samples": np.ones(4, complex)}, errors.WrongTypeError, "samples"),
        ({"sample_rate_hz": 0.0}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"sample_rate_hz": -1.0}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"sample_rate_hz": np.nan}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"sample_rate_hz": None}, errors.WrongTypeError, "sample_rate_hz"),
        ({"corner_hz": 0.0}, errors.OutOfRangeError, "corner_hz"),
        ({"corner_hz": 500.0}, errors.AboveNyquistError, "corner_hz"),
        ({"corner_hz": "5"}, errors.WrongTypeError, "corner_hz"),
        ({"method": "both"}, errors.UnknownNameError, "method"),
        ({"method": 1}, errors.WrongTypeError, "method"),
    ],
)
@pytest.mark.parametrize("method", ["causal", "zero_phase"])
def test_bad_input_is_refused_by_name(
    method: str, change: dict[str, object], error: type[errors.SixpulseError], parameter: str
) -> None:
    arguments: dict[str, object] = {"samples": [1.0, 2.0, 3.0], "sample_rate_hz": 1e3, "corner_hz": 5.0}
    arguments |= {"method": method} | change
    with pytest.raises(error) as caught:
        coupling.ac_couple(arguments.pop("samples"), **arguments)  # type: ignore[arg-type]
    assert caught.value.parameter == parameter


def test_figures_refuse_what_is_outside_their_domain() -> None:
    for function in (coupling.attenuation, coupling.phase_lead_rad, coupling.half_period_droop):
        for bad in (0.0, -1.0, np.nan, np.inf):
            with pytest.raises(errors.OutOfRangeError):
                function(frequency_hz=bad, corner_hz=1.0)
            with pytest.raises(errors.OutOfRangeError):
                function(frequency_hz=1.0, corner_hz=bad)
    for bad in (0.0, 1.0, 2.0, np.nan):
        with pytest.raises(errors.OutOfRangeError):
            coupling.settling_s(corner_hz=1.0, remaining=bad)
    stream = coupling.HighPass(sample_rate_hz=1e3, corner_hz=5)
    with pytest.raises(errors.NonFiniteError):
        stream.process([1.0, np.nan])
    with pytest.raises(errors.NonFiniteError):
        stream.settle(np.nan)
    with pytest.raises(errors.AboveNyquistError):
        coupling.HighPass(sample_rate_hz=1e3, corner_hz=500)
