"""Spectra and coherence against SciPy, and the coherence's significance level against simulated noise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from sixpulse import errors, spectrum

SCIPY_WINDOWS = {
    "rectangular": "boxcar",
    "hann": "hann",
    "blackman_harris": "blackmanharris",
    "flat_top": "flattop",
}
# Relative to the largest value: two transforms in double precision agree to about 1e-15; the rest is room for the
# cancellation that taking off the mean leaves.
RELATIVE = 1e-9


def pair(n: int, seed: int = 3) -> NDArray[np.float64]:
    """Two records that share a line and some noise."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((3, n))
    line = np.cos(2 * np.pi * 0.0713 * np.arange(n))
    return np.array([14 + line + noise[0] + noise[2], 2 + 0.4 * line + 0.5 * noise[1] + noise[2]])


def assert_equal(actual: Any, expected: Any) -> None:
    assert actual.shape == expected.shape
    assert np.abs(actual - expected).max() <= RELATIVE * np.abs(expected).max()


@pytest.mark.parametrize("window", SCIPY_WINDOWS)
@pytest.mark.parametrize(("segment", "overlap"), [(256, 128), (255, 0), (1000, 750), (2, 1), (4096, 0)])
@pytest.mark.parametrize("detrend", ["constant", "none"])
def test_spectra_equal_scipy(window: Any, segment: int, overlap: int, detrend: Any) -> None:
    x, y = pair(4096)
    theirs: dict[str, Any] = {
        "fs": 5000,
        "window": SCIPY_WINDOWS[window],
        "nperseg": segment,
        "noverlap": overlap,
        "detrend": "constant" if detrend == "constant" else False,
    }
    ours: dict[str, Any] = {
        "sample_rate_hz": 5000,
        "segment_samples": segment,
        "overlap_samples": overlap,
        "window": window,
        "detrend": detrend,
    }
    frequencies, density = signal.welch(x, **theirs)
    auto = spectrum.auto_spectrum(x, **ours)
    assert_equal(auto.frequencies_hz, frequencies)
    assert_equal(auto.density, density)
    cross = spectrum.cross_spectrum(x, y, **ours)
    assert_equal(cross.density, signal.csd(x, y, **theirs)[1])
    assert_equal(cross.density_x, density)
    assert_equal(cross.density_y, signal.welch(y, **theirs)[1])
    if auto.segments > 1 and segment > 2:
        # The bins at 0 Hz are left out where nothing but rounding is in them: there 0/0 is compared with 0/0.
        first = 1 if detrend == "constant" and window == "rectangular" else 0
        found = spectrum.coherence(x, y, **ours).coherence
        assert_equal(found[first:], signal.coherence(x, y, **theirs)[1][first:])


@pytest.mark.parametrize("window", SCIPY_WINDOWS)
@pytest.mark.parametrize("length", [0, 1, 2, 7, 64])
def test_windows_equal_scipy(window: Any, length: int) -> None:
    expected = signal.get_window(SCIPY_WINDOWS[window], length, fftbins=True) if length else np.empty(0)
    np.testing.assert_allclose(spectrum.window_samples(window, length=length), expected, rtol=0, atol=1e-15)


@pytest.mark.parametrize("window", SCIPY_WINDOWS)
def test_a_line_and_noise_read_as_documented(window: Any) -> None:
    n, rate, amplitude = 4096, 8192.0, 1.5
    figures = spectrum.window_figures(window, length=n)
    t = np.arange(n) / rate
    options: dict[str, Any] = {"sample_rate_hz": rate, "segment_samples": n, "window": window, "detrend": "none"}
    on_bin = spectrum.auto_spectrum(amplitude * np.cos(2 * np.pi * 512 * t), **options)
    assert on_bin.density.max() * on_bin.enbw_hz == pytest.approx(amplitude**2 / 2, rel=1e-9)
    assert on_bin.enbw_hz == pytest.approx(figures.enbw_bins * rate / n, rel=1e-12)
    between = spectrum.auto_spectrum(amplitude * np.cos(2 * np.pi * 513 * t), **options)
    # The line's image at the negative frequency leaks in; the rectangular window's leakage is 1 / (pi 513) there.
    loss_db = 10 * np.log10(on_bin.density.max() / between.density.max())
    assert loss_db == pytest.approx(figures.scalloping_loss_db, abs=0.01)
    noise = spectrum.auto_spectrum(np.random.default_rng(5).standard_normal(400 * n) * 2, **options)
    # 799 overlapping segments and 2049 bins: the mean scatters by less than 1e-3 of itself.
    assert noise.density.mean() == pytest.approx(2 * 4 / rate, rel=5e-3)


@pytest.mark.parametrize(("averages", "level"), [(8, 0.348), (16, 0.181), (32, 0.092), (64, 0.046)])
def test_significance_levels_are_the_tabulated_ones(averages: float, level: float) -> None:
    # 95 % levels, Carter, Knapp and Nuttall 1973; half a unit of the last digit.
    assert spectrum.coherence_significance(averages=averages, alpha=0.05) == pytest.approx(level, abs=5e-4)


@pytest.mark.parametrize("overlap", [0, 64])
@pytest.mark.parametrize(("segments", "alpha"), [(9, 0.05), (33, 0.05), (33, 0.01)])
def test_independent_noise_exceeds_the_level_as_often_as_stated(overlap: int, segments: int, alpha: float) -> None:
    segment, records = 128, 400
    length = segment + (segments - 1) * (segment - overlap)
    rng = np.random.default_rng(20260 + segments)
    above = total = 0
    for _ in range(records):
        x, y = rng.standard_normal((2, length))
        found = spectrum.coherence(x, y, sample_rate_hz=1.0, segment_samples=segment, overlap_samples=overlap)
        assert found.segments == segments
        # Bins 0, 1 and the last two have fewer degrees of freedom: the mean is gone and the spectrum is real there.
        bins = found.coherence[2:-2]
        above += int((bins > found.significance_level(alpha=alpha)).sum())
        total += bins.size
    # Neighbouring bins share 2/3 of their Hann-windowed noise, so about a third of the bins counts as independent:
    # three standard deviations of the rate, and 8 % for the effective number standing in for overlapped segments.
    spread = 3 * np.sqrt(alpha * (1 - alpha) / (total / 3))
    assert abs(above / total - alpha) < spread + 0.08 * alpha


def test_a_line_both_share_is_coherent_without_any_coupling() -> None:
    # The warning of the documentation, measured: REFERENCE-VALUES C, C^2 = S1 S2 / ((1 + S1) (1 + S2)).
    rng = np.random.default_rng(8)
    n, segment = 400_000, 1000
    line = np.cos(2 * np.pi * 0.1 * np.arange(n))
    x, y = line * 0.05 + rng.standard_normal(n), line * 0.05 + rng.standard_normal(n)
    found = spectrum.coherence(x, y, sample_rate_hz=1.0, segment_samples=segment)
    ratio = (0.05**2 / 2) / (2 * spectrum.window_figures("hann", length=segment).enbw_bins / segment)
    assert found.coherence[100] == pytest.approx((ratio / (1 + ratio)) ** 2, abs=0.05)


def test_any_array_of_real_numbers_is_taken() -> None:
    x = np.round(pair(600)[0] * 100).astype(np.float32)
    options: dict[str, Any] = {"sample_rate_hz": 1e3, "segment_samples": 100}
    expected = spectrum.auto_spectrum(x.astype(float), **options)
    for same in (x.tolist(), np.repeat(x, 2)[::2], x.astype(">f8"), x.astype(np.int32)):
        assert spectrum.auto_spectrum(same, **options) == expected
        assert spectrum.cross_spectrum(same, same, **options).density_y.tolist() == expected.density.tolist()
    assert not expected.density.flags.writeable
    assert spectrum.AutoSpectrum.from_json(expected.to_json()) == expected


@pytest.mark.parametrize(
    ("change", "error", "parameter"),
    [
        ({"x": []}, errors.EmptyInputError, "x"),
        ({"y": []}, errors.EmptyInputError, "y"),
        ({"x": [1.0]}, errors.TooShortError, "x"),
        ({"x": [1.0] * 9}, errors.TooShortError, "x"),
        ({"y": [0.5] * 13 + [np.nan, 1.0, 1.0]}, errors.NonFiniteError, "y"),
        ({"y": [0.5] * 15}, errors.LengthMismatchError, "y"),
        ({"x": np.ones((4, 4))}, errors.ShapeError, "x"),
        ({"y": ["a"] * 16}, errors.WrongTypeError, "y"),
        ({"sample_rate_hz": 0}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"sample_rate_hz": -5}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"segment_samples": 1}, errors.OutOfRangeError, "segment_samples"),
        ({"segment_samples": -4}, errors.OutOfRangeError, "segment_samples"),
        ({"segment_samples": 2.5}, errors.WrongTypeError, "segment_samples"),
        ({"segment_samples": 17}, errors.TooShortError, "x"),
        ({"overlap_samples": 8}, errors.OutOfRangeError, "overlap_samples"),
        ({"window": "kaiser"}, errors.UnknownNameError, "window"),
        ({"detrend": "linear"}, errors.UnknownNameError, "detrend"),
        ({"detrend": None}, errors.WrongTypeError, "detrend"),
    ],
)
def test_bad_input_is_refused_by_name(
    change: dict[str, Any], error: type[errors.SixpulseError], parameter: str
) -> None:
    arguments: dict[str, Any] = {"x": [1.0, 2.0] * 8, "y": [1.0, 0.0] * 8, "sample_rate_hz": 1.0, "segment_samples": 8}
    arguments |= change
    with pytest.raises(error) as caught:
        spectrum.coherence(arguments.pop("x"), arguments.pop("y"), **arguments)
    assert caught.value.parameter == parameter


def test_figures_refuse_what_is_outside_their_domain() -> None:
    for averages, alpha in [(1.0, 0.05), (np.nan, 0.05), (8.0, 0.0), (8.0, 1.0)]:
        with pytest.raises(errors.OutOfRangeError):
            spectrum.coherence_significance(averages=averages, alpha=alpha)
    with pytest.raises(errors.OutOfRangeError):
        spectrum.window_figures("hann", length=1)
    with pytest.raises(errors.OutOfRangeError):
        spectrum.effective_averages(segments=4, segment_samples=8, overlap_samples=8)


def test_segments_that_hardly_move_on_are_refused_at_once() -> None:
    # Half a million transforms of half a million samples would take hours.
    with pytest.raises(errors.OutOfRangeError) as caught:
        spectrum.auto_spectrum(np.ones(1000), sample_rate_hz=1e3, segment_samples=900, overlap_samples=899)
    assert caught.value.parameter == "overlap_samples"
    assert spectrum.effective_averages(segments=64, segment_samples=10**9) == pytest.approx(60.68, abs=0.01)
