"""The envelope of a record: against NumPy's own reduction, and no extreme lost."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import sixpulse
from sixpulse import errors
from sixpulse.envelope import envelope


def starts(count: int, bins: int) -> Any:
    return np.arange(bins) * count // bins


@pytest.mark.parametrize(("count", "bins"), [(1, 1), (7, 7), (4096, 2), (10_007, 1500), (100_000, 999)])
def test_equals_the_reduction_of_numpy(count: int, bins: int) -> None:
    values = np.random.default_rng(count).normal(0.0, 3.0, count)
    found = envelope(values, bins=bins)
    np.testing.assert_array_equal(found.first_sample, starts(count, bins))
    np.testing.assert_array_equal(found.minimum, np.minimum.reduceat(values, starts(count, bins)))
    np.testing.assert_array_equal(found.maximum, np.maximum.reduceat(values, starts(count, bins)))


@pytest.mark.parametrize("scale", [0.002, -0.002])
def test_a_trace_is_read_as_it_is_kept(scale: float) -> None:
    counts = np.random.default_rng(4).integers(-32_768, 32_768, 30_000).astype(np.int16)
    common: dict[str, Any] = {"sample_rate_hz": 1e5, "coupling": "dc", "role": "other"}
    for trace in (
        sixpulse.Trace(counts, scale=scale, offset=1.5, **common),
        sixpulse.Trace(counts.astype(np.float32), **common),
    ):
        found, plain = envelope(trace, bins=321), envelope(trace.values(), bins=321)
        for of_trace, of_values in zip(found, plain, strict=True):
            np.testing.assert_array_equal(of_trace, of_values)


def test_a_single_sample_shows_in_a_long_record() -> None:
    rng = np.random.default_rng(5)
    for index in rng.integers(0, 200_000, 25):
        values = np.sin(np.arange(200_000) * 0.01)
        values[index] = 9.0
        found = envelope(values, bins=1500)
        (part,) = np.flatnonzero(found.maximum == 9.0)
        end = found.first_sample[part + 1] if part + 1 < 1500 else 200_000
        assert found.first_sample[part] <= index < end


def test_refusals() -> None:
    for bins in (0, 4, -1):
        with pytest.raises(errors.OutOfRangeError) as caught:
            envelope([1.0, 2.0, 3.0], bins=bins)
        assert caught.value.parameter == "bins"
    with pytest.raises(errors.WrongTypeError):
        envelope([1.0], bins=1.5)  # type: ignore[arg-type]
    with pytest.raises(errors.WrongTypeError):
        envelope(["a"], bins=1)
    with pytest.raises(errors.EmptyInputError):
        envelope([], bins=1)
    with pytest.raises(errors.NonFiniteError):
        envelope([0.0, np.nan], bins=1)
    with pytest.raises(errors.ShapeError):
        envelope([[0.0, 1.0]], bins=1)
