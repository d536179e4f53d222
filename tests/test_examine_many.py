"""Many captures in one call: the results of single calls, in order, whatever form the captures come in."""

from __future__ import annotations

import concurrent.futures
import math
import multiprocessing
import sys
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import sixpulse
from captures import sprayer
from sixpulse import errors
from sixpulse.results import Examination

RATE_HZ = 50_000.0
FACTS: dict[str, Any] = {"sample_rate_hz": RATE_HZ, "coupling": "dc"}
ROLES = {"post": "charging_post", "sensor": "speed_sensor"}


def volts(count: int = 5, samples: int = 12_000) -> NDArray[np.float64]:
    """Healthy bridges, one row a frequency."""
    hz = 150.0 + 40.0 * np.arange(count)[:, None]
    angle = 2 * np.pi * hz * np.arange(samples) / RATE_HZ
    phases = np.cos(angle - np.array([0.0, 2 * np.pi / 3, 4 * np.pi / 3])[:, None, None])
    return np.asarray(14.0 + phases.max(axis=0) - phases.min(axis=0))


def single(post: Any, sensor: Any = None, **more: Any) -> Examination:
    traces = {"post": sixpulse.Trace(post, role="charging_post", **FACTS)}
    if sensor is not None:
        traces["sensor"] = sixpulse.Trace(sensor, role="speed_sensor", **FACTS)
    return sixpulse.examine(sixpulse.Capture(traces, engine_rpm=more.pop("engine_rpm", None)), **more)


@pytest.mark.parametrize("threads", [1, 2, 5, None])
def test_a_list_of_captures(threads: int | None) -> None:
    captures = [sprayer(), sprayer(fault=False), sprayer(coupling="ac")]
    found = sixpulse.examine_many(captures, threads=threads)
    assert found == [sixpulse.examine(capture) for capture in captures]
    assert sixpulse.examine_many([]) == sixpulse.examine_many((), threads=threads) == []


def test_what_is_known_goes_for_all_or_for_each() -> None:
    captures = [sprayer(), sprayer(fault=False)]
    machine = sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5)
    assert sixpulse.examine_many(captures, machine=machine, electrical_hz=210.0) == [
        sixpulse.examine(capture, machine=machine, electrical_hz=210.0) for capture in captures
    ]
    assert sixpulse.examine_many(captures, machine=[machine, None], electrical_hz=[None, 190.0]) == [
        sixpulse.examine(captures[0], machine=machine),
        sixpulse.examine(captures[1], electrical_hz=190.0),
    ]


@pytest.mark.parametrize("dtype", ["float32", "float64"])
@pytest.mark.parametrize("order", ["C", "F"])
def test_two_dimensional_arrays(dtype: str, order: str) -> None:
    post = np.asarray(volts(), dtype=dtype, order=order)  # type: ignore[call-overload]
    sensor = (0.3 * (post - 14.0) + 2.5).astype(dtype)
    found = sixpulse.examine_many(post, roles="charging_post", threads=2, **FACTS)
    assert [one.level.trace for one in found] == ["charging_post"] * 5
    found = sixpulse.examine_many({"post": post, "sensor": sensor}, roles=ROLES, threads=2, **FACTS)
    assert found == [single(p, s) for p, s in zip(post, sensor, strict=True)]


def test_counts_with_a_scale_and_facts_of_each_row() -> None:
    counts = np.round((volts(3) - 14.0) * 1000).astype(np.int16)
    rates = [40_000.0, 50_000.0, 60_000.0]
    found = sixpulse.examine_many(
        counts, roles="charging_post", coupling="dc", scale=0.001, offset=14.0, sample_rate_hz=rates,
        engine_rpm=[900.0, None, 1500.0], machine=sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5),
    )  # fmt: skip
    for one, row, rate, rpm in zip(found, counts, rates, (900.0, None, 1500.0), strict=True):
        trace = sixpulse.Trace(row, sample_rate_hz=rate, coupling="dc", role="charging_post", scale=0.001, offset=14.0)
        capture = sixpulse.Capture({"charging_post": trace}, engine_rpm=rpm)
        assert one == sixpulse.examine(capture, machine=sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5))


def test_arrow_arrays_of_lists() -> None:
    pa = pytest.importorskip("pyarrow")
    rows = [row[: 8_000 + 1_000 * k] for k, row in enumerate(volts().astype(np.float32))]
    expected = [single(row) for row in rows]
    arrays: list[Any] = [pa.array(rows, pa.list_(pa.float32())), pa.array(rows, pa.large_list(pa.float32()))]
    arrays.append(pa.chunked_array([arrays[0].slice(0, 2), arrays[0].slice(2)]))
    for array in arrays:
        found = sixpulse.examine_many({"post": array}, roles={"post": "charging_post"}, threads=2, **FACTS)
        assert found == expected, array.type
    equal = pa.FixedSizeListArray.from_arrays(pa.array(volts(3).ravel()), 12_000)
    found = sixpulse.examine_many({"post": equal}, roles={"post": "charging_post"}, **FACTS)
    assert found == [single(row) for row in volts(3)]

    class Foreign:
        """What another library hands over: the C interface and nothing else."""

        def __arrow_c_array__(self, requested_schema: Any = None) -> Any:
            return arrays[0].__arrow_c_array__(requested_schema)

        def __len__(self) -> int:
            return len(arrays[0])

    assert sixpulse.examine_many({"post": Foreign()}, roles={"post": "charging_post"}, **FACTS) == expected


def test_errors_keep_their_places() -> None:
    post = volts(4)
    post[1, 100] = math.nan
    found = sixpulse.examine_many(post, roles="charging_post", threads=2, **FACTS)
    assert [type(one) for one in found] == [Examination, errors.NonFiniteError, Examination, Examination]
    assert isinstance(found[1], errors.NonFiniteError)
    assert found[1].index == 100
    assert found[1].__traceback__ is None  # it would keep the samples alive
    pa = pytest.importorskip("pyarrow")
    array = pa.array([[14.0] * 3, None, [14.0, None], list(post[0])], pa.list_(pa.float64()))
    found = sixpulse.examine_many(array, roles="charging_post", **FACTS)
    assert [getattr(one, "code", "examined") for one in found] == [
        "too_short", "missing_value", "missing_value", "examined",
    ]  # fmt: skip
    found = sixpulse.examine_many([sprayer(), sprayer()], electrical_hz=[-1.0, None])
    assert [getattr(one, "code", "examined") for one in found] == ["out_of_range", "examined"]


@pytest.mark.parametrize(
    ("captures", "given", "code"),
    [
        ([sprayer()], {"coupling": "dc"}, "invalid_combination"),
        ([sprayer()], {"threads": 0}, "invalid_combination"),
        ([sprayer()], {"electrical_hz": [1.0, 2.0]}, "length_mismatch"),
        (volts(2), FACTS, "invalid_combination"),
        (volts(2), {"roles": "charging_post", "coupling": "dc"}, "invalid_combination"),
        (volts(2), {"roles": "charging_post", "sample_rate_hz": RATE_HZ}, "invalid_combination"),
        (volts(2)[0], {"roles": "charging_post", **FACTS}, "wrong_shape"),
        ({"post": volts(2)}, {"roles": ROLES, **FACTS}, "invalid_combination"),
        ({"post": volts(2), "sensor": volts(3)}, {"roles": ROLES, **FACTS}, "length_mismatch"),
        ({}, {"roles": {}, **FACTS}, "length_mismatch"),
    ],
)
def test_arguments_that_do_not_fit(captures: Any, given: dict[str, Any], code: str) -> None:
    with pytest.raises(errors.SixpulseError) as caught:
        sixpulse.examine_many(captures, **given)
    assert caught.value.code == code


def test_an_interrupt_stops_them_all() -> None:
    taken = []

    def make(row: int) -> Any:
        taken.append(row)
        if row == 3:
            raise KeyboardInterrupt
        return sprayer(), None, None

    with pytest.raises(KeyboardInterrupt):
        sixpulse._core.examine_many(1000, make, Examination._from_core, 2)
    assert len(taken) < 20


def patterns_of(rows: NDArray[np.float64]) -> list[str]:
    found = sixpulse.examine_many(rows, roles="charging_post", threads=2, **FACTS)
    return [one.rectifier.pattern for one in found if isinstance(one, Examination)]


@pytest.mark.parametrize("method", ["fork", "spawn"])
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*:DeprecationWarning")
def test_processes_that_are_forked_or_spawned(method: str) -> None:
    if method not in multiprocessing.get_all_start_methods():
        pytest.skip(f"{sys.platform} cannot {method}")
    rows = volts(4)
    here = patterns_of(rows)
    assert here == ["healthy"] * 4
    context = multiprocessing.get_context(method)
    with concurrent.futures.ProcessPoolExecutor(2, mp_context=context) as pool:
        assert list(pool.map(patterns_of, [rows, rows], timeout=120)) == [here, here]
    assert patterns_of(rows) == here
