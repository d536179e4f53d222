"""Sine and harmonic fits against NumPy's and SciPy's least squares, and against the Cramer-Rao bounds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize

from sixpulse import errors, tone

# Both sides solve the same least-squares problem in double precision; NumPy's by singular values.
RELATIVE = 1e-9


def capture(n: int, frequency: float, rate: float, seed: int = 11, noise: float = 0.05) -> NDArray[np.float64]:
    """A charging post with one diode open: level, orders 1, 2, 3, 6 and noise."""
    t = np.arange(n) / rate
    rng = np.random.default_rng(seed)
    orders = [(1, 0.30, 0.4), (2, 0.12, -1.0), (3, 0.08, 2.5), (6, 0.10, 0.9)]
    ripple = sum(a * np.cos(2 * np.pi * k * frequency * t + p) for k, a, p in orders)
    return np.asarray(14.2 + ripple + noise * rng.standard_normal(n))


def columns(n: int, frequency: float, rate: float, orders: Sequence[int]) -> NDArray[np.float64]:
    t = np.arange(n) / rate
    waves = [f(2 * np.pi * k * frequency * t) for k in orders for f in (np.cos, np.sin)]
    return np.column_stack([np.ones(n), *waves])


def reference(
    x: NDArray[np.float64], rate: float, orders: Sequence[int], start: float | None, known: float | None
) -> dict[str, Any]:
    """The fit and its uncertainties by ``numpy.linalg.lstsq``; the frequency by ``scipy.optimize.least_squares``."""
    n = len(x)
    frequency = known
    if frequency is None:
        assert start is not None

        def residual(f: NDArray[np.float64]) -> NDArray[np.float64]:
            matrix = columns(n, float(f[0]) * start, rate, orders)
            return x - matrix @ np.linalg.lstsq(matrix, x, rcond=None)[0]

        # Variable projection: the residual is a function of the frequency alone.
        found = optimize.least_squares(residual, [1.0], xtol=1e-15, ftol=1e-15, gtol=1e-15, jac="3-point", x_scale=1e-6)
        frequency = float(found.x[0]) * start
    matrix = columns(n, frequency, rate, orders)
    solution = np.linalg.lstsq(matrix, x, rcond=None)[0]
    rest = x - matrix @ solution
    a, b = solution[1::2], solution[2::2]
    full = matrix
    if known is None:
        t = np.arange(n) / rate
        slope = sum(
            2
            * np.pi
            * k
            * t
            * (bk * np.cos(2 * np.pi * k * frequency * t) - ak * np.sin(2 * np.pi * k * frequency * t))
            for k, ak, bk in zip(orders, a, b, strict=True)
        )
        full = np.column_stack([matrix, slope])
    covariance = np.linalg.inv(full.T @ full) * (rest @ rest) / (n - full.shape[1])
    amplitude = np.hypot(a, b)
    rows = np.arange(len(orders))
    radial = np.zeros((len(orders), full.shape[1]))
    radial[rows, 1 + 2 * rows], radial[rows, 2 + 2 * rows] = a / amplitude, b / amplitude
    around = np.zeros_like(radial)
    around[rows, 1 + 2 * rows], around[rows, 2 + 2 * rows] = b / amplitude**2, -a / amplitude**2
    return {
        "frequency": frequency,
        "frequency_std": np.sqrt(covariance[-1, -1]),
        "amplitudes": amplitude,
        "amplitudes_std": np.sqrt(np.einsum("ij,jk,ik->i", radial, covariance, radial)),
        "phases": np.arctan2(-b, a),
        "phases_std": np.sqrt(np.einsum("ij,jk,ik->i", around, covariance, around)),
        "offset": solution[0],
        "offset_std": np.sqrt(covariance[0, 0]),
        "residual_rms": np.sqrt(np.mean(rest**2)),
    }


@pytest.mark.parametrize("n", [80, 1000, 20_001])
@pytest.mark.parametrize("frequency", [37.0, 61.7, 203.1])
def test_known_frequency_equals_lstsq(n: int, frequency: float) -> None:
    x, rate, orders = capture(n, 61.7, 5000.0), 5000.0, [1, 2, 3, 6]
    expected = reference(x, rate, orders, None, frequency)
    fit = tone.harmonic_fit_known(x, sample_rate_hz=rate, frequency_hz=frequency, orders=orders)
    size = expected["amplitudes"].max()
    np.testing.assert_allclose(fit.amplitudes, expected["amplitudes"], rtol=0, atol=RELATIVE * size)
    np.testing.assert_allclose(
        fit.amplitudes * np.exp(1j * fit.phases_rad),
        expected["amplitudes"] * np.exp(1j * expected["phases"]),
        rtol=0,
        atol=RELATIVE * size,
    )
    np.testing.assert_allclose(fit.amplitudes_std, expected["amplitudes_std"], rtol=1e-7)
    limited = np.minimum(expected["phases_std"], np.pi / np.sqrt(3))
    np.testing.assert_allclose(fit.phases_rad_std, limited, rtol=1e-7)
    assert fit.offset == pytest.approx(expected["offset"], rel=RELATIVE)
    assert fit.offset_std == pytest.approx(expected["offset_std"], rel=1e-7)
    assert fit.residual_rms == pytest.approx(expected["residual_rms"], rel=RELATIVE)
    assert (fit.frequency_hz, fit.frequency_hz_std, fit.orders, fit.samples) == (frequency, None, (1, 2, 3, 6), n)
    single = tone.sine_fit_known(x, sample_rate_hz=rate, frequency_hz=frequency)
    alone = reference(x, rate, [1], None, frequency)
    assert single.amplitude == pytest.approx(alone["amplitudes"][0], rel=RELATIVE)
    assert single.residual_rms == pytest.approx(alone["residual_rms"], rel=RELATIVE)


@pytest.mark.parametrize("n", [400, 5000])
def test_joint_fit_equals_nonlinear_least_squares(n: int) -> None:
    x, rate, orders = capture(n, 61.7, 5000.0), 5000.0, [1, 2, 3, 6]
    expected = reference(x, rate, orders, 61.7, None)
    fit = tone.harmonic_fit(x, sample_rate_hz=rate, start_hz=61.0, orders=orders)
    # SciPy stops where rounding hides the minimum of the sum of squares: about 1e-10 of the frequency here, 1e-8 of
    # an amplitude, 1e-6 of an uncertainty. The residual itself is flat there and agrees fully.
    assert fit.frequency_hz == pytest.approx(expected["frequency"], rel=RELATIVE)
    assert fit.frequency_hz_std == pytest.approx(expected["frequency_std"], rel=1e-6)
    np.testing.assert_allclose(fit.amplitudes, expected["amplitudes"], rtol=1e-7)
    np.testing.assert_allclose(fit.amplitudes_std, expected["amplitudes_std"], rtol=1e-6)
    np.testing.assert_allclose(np.exp(1j * fit.phases_rad), np.exp(1j * expected["phases"]), rtol=0, atol=1e-6)
    np.testing.assert_allclose(fit.phases_rad_std, expected["phases_std"], rtol=1e-6)
    assert fit.residual_rms == pytest.approx(expected["residual_rms"], rel=RELATIVE)
    assert fit.residual_rms <= expected["residual_rms"] * (1 + 1e-13)


def test_the_gradient_vanishes_at_the_fit() -> None:
    # The condition that defines the least-squares solution, to 1e-9 of the columns' and the residual's length.
    x, rate, orders = capture(5000, 61.7, 5000.0), 5000.0, [1, 2, 3, 6]
    fit = tone.harmonic_fit(x, sample_rate_hz=rate, start_hz=61.0, orders=orders)
    t = np.arange(5000) / rate
    turn = 2 * np.pi * fit.frequency_hz * t
    waves = [(k, a, p) for k, a, p in zip(orders, fit.amplitudes, fit.phases_rad, strict=True)]
    rest = x - fit.offset - sum(a * np.cos(k * turn + p) for k, a, p in waves)
    slope = sum(-k * a * (t - t.mean()) * np.sin(k * turn + p) for k, a, p in waves)
    for column in [*columns(5000, fit.frequency_hz, rate, orders).T, slope]:
        assert abs(column @ rest) <= RELATIVE * np.linalg.norm(column) * np.linalg.norm(rest)


@pytest.mark.parametrize("snr_db", [20, 30, 40, 50, 60])
def test_four_parameter_fit_comes_close_to_the_bound(snr_db: int) -> None:
    # Rife and Boorstyn 1974. Mean square error over 400 draws scatters by 7 %; 1.5 is the requirement.
    n, rate, truth, draws = 512, 1000.0, 83.27, 400
    noise = np.sqrt(0.5 / 10 ** (snr_db / 10))
    rng = np.random.default_rng(snr_db)
    t = np.arange(n) / rate
    frequency = amplitude = 0.0
    for _ in range(draws):
        x = 2 + np.cos(2 * np.pi * truth * t + rng.uniform(-np.pi, np.pi)) + noise * rng.standard_normal(n)
        fit = tone.sine_fit(x, sample_rate_hz=rate)
        frequency += (fit.frequency_hz - truth) ** 2 / draws
        amplitude += (fit.amplitude - 1) ** 2 / draws
    bound = tone.sine_frequency_bound_hz(amplitude=1, noise_rms=noise, samples=n, sample_rate_hz=rate)
    assert 0.7 < frequency / bound**2 < 1.5
    assert 0.7 < amplitude / tone.amplitude_bound(noise_rms=noise, samples=n) ** 2 < 1.5


@pytest.mark.parametrize("snr_db", [20, 40, 60])
def test_joint_fit_comes_close_to_the_bound(snr_db: int) -> None:
    # Nehorai and Porat 1986; the signal-to-noise ratio is that of order 1.
    n, rate, truth, draws = 1500, 5000.0, 61.7, 300
    orders, sizes = [1, 2, 3, 6], [0.30, 0.12, 0.08, 0.10]
    noise = float(np.sqrt(0.3**2 / 2 / 10 ** (snr_db / 10)))
    squares = np.zeros(5)
    for draw in range(draws):
        x = capture(n, truth, rate, seed=1000 + draw, noise=noise)
        fit = tone.harmonic_fit(x, sample_rate_hz=rate, start_hz=61.0, orders=orders)
        squares += np.array([fit.frequency_hz - truth, *(fit.amplitudes - sizes)]) ** 2 / draws
    bound = tone.harmonic_frequency_bound_hz(
        orders=orders, amplitudes=sizes, noise_rms=noise, samples=n, sample_rate_hz=rate
    )
    assert 0.7 < squares[0] / bound**2 < 1.5
    for square in squares[1:]:
        assert 0.7 < square / tone.amplitude_bound(noise_rms=noise, samples=n) ** 2 < 1.5


def test_bounds_equal_the_inverse_of_the_information() -> None:
    # Fisher's information of the model itself, inverted numerically; the closed forms leave out terms of order 1/n.
    n, rate, noise = 4000, 5000.0, 0.07
    orders, sizes, phases = [1, 2, 6], np.array([0.3, 0.1, 0.2]), np.array([0.3, -1.0, 2.0])
    t = np.arange(n) / rate
    turns = [2 * np.pi * k * 203.1 * t + p for k, p in zip(orders, phases, strict=True)]
    slope = sum(-2 * np.pi * k * a * t * np.sin(w) for k, a, w in zip(orders, sizes, turns, strict=True))
    parts = [f for a, w in zip(sizes, turns, strict=True) for f in (np.cos(w), -a * np.sin(w))]
    matrix = np.column_stack([slope, np.ones(n), *parts])
    covariance = np.linalg.inv(matrix.T @ matrix) * noise**2
    frequency = tone.harmonic_frequency_bound_hz(
        orders=orders, amplitudes=sizes, noise_rms=noise, samples=n, sample_rate_hz=rate
    )
    assert frequency == pytest.approx(np.sqrt(covariance[0, 0]), rel=0.01)
    amplitude = tone.amplitude_bound(noise_rms=noise, samples=n)
    assert amplitude == pytest.approx(np.sqrt(covariance[2, 2]), rel=0.01)


def test_any_array_of_real_numbers_is_taken() -> None:
    x = np.round(capture(600, 61.7, 5000.0) * 100).astype(np.float32)
    expected = tone.sine_fit(x.astype(float), sample_rate_hz=5000)
    for same in (x.tolist(), np.repeat(x, 2)[::2], x.astype(">f8"), x.astype(np.int32)):
        assert tone.sine_fit(same, sample_rate_hz=5000) == expected
    joint = tone.harmonic_fit(x, sample_rate_hz=5000, start_hz=61, orders=np.array([1, 2, 3, 6]))
    assert tone.HarmonicFit.from_json(joint.to_json()) == joint
    assert not joint.amplitudes.flags.writeable


@pytest.mark.parametrize(
    ("change", "error", "parameter"),
    [
        ({"samples": []}, errors.EmptyInputError, "samples"),
        ({"samples": [1.0]}, errors.TooShortError, "samples"),
        ({"samples": [1.0, 2.0, 1.0, 0.0, 1.0, 0.0]}, errors.TooShortError, "samples"),
        ({"samples": [1.0] * 30 + [np.nan]}, errors.NonFiniteError, "samples"),
        ({"samples": np.ones((9, 9))}, errors.ShapeError, "samples"),
        ({"samples": np.ones(40)}, errors.UndeterminedFitError, "samples"),
        ({"sample_rate_hz": 0.0}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"sample_rate_hz": np.inf}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"start_hz": -1.0}, errors.OutOfRangeError, "start_hz"),
        ({"start_hz": 500.0}, errors.AboveNyquistError, "start_hz"),
        ({"start_hz": 300.0}, errors.AboveNyquistError, "orders"),
        ({"orders": []}, errors.EmptyInputError, "orders"),
        ({"orders": [0, 1]}, errors.OutOfRangeError, "orders"),
        ({"orders": [-1]}, errors.OutOfRangeError, "orders"),
        ({"orders": [1, 1]}, errors.OutOfRangeError, "orders"),
        ({"orders": [1.5]}, errors.WrongTypeError, "orders"),
        ({"orders": 1}, errors.WrongTypeError, "orders"),
    ],
)
def test_bad_input_is_refused_by_name(
    change: dict[str, Any], error: type[errors.SixpulseError], parameter: str
) -> None:
    arguments: dict[str, Any] = {
        "samples": np.cos(np.arange(40) * 0.7),
        "sample_rate_hz": 1000.0,
        "start_hz": 110.0,
        "orders": [1, 2],
    }
    arguments |= change
    with pytest.raises(error) as caught:
        tone.harmonic_fit(arguments.pop("samples"), **arguments)
    assert caught.value.parameter == parameter


def test_bounds_refuse_what_is_outside_their_domain() -> None:
    good: dict[str, Any] = {"amplitude": 1.0, "noise_rms": 0.1, "samples": 100, "sample_rate_hz": 1e3}
    for change in ({"amplitude": 0.0}, {"noise_rms": -0.1}, {"samples": 1}, {"sample_rate_hz": np.nan}):
        with pytest.raises(errors.OutOfRangeError) as caught:
            tone.sine_frequency_bound_hz(**(good | change))
        assert caught.value.parameter == next(iter(change))
    with pytest.raises(errors.LengthMismatchError):
        tone.harmonic_frequency_bound_hz(
            orders=[1, 2], amplitudes=[1.0], noise_rms=0.1, samples=100, sample_rate_hz=1e3
        )
    with pytest.raises(errors.OutOfRangeError):
        tone.amplitude_bound(noise_rms=np.nan, samples=10)
