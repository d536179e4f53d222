"""Every public function takes whatever comes: a result or a typed refusal; no panic, no abort, no wait over 10 s.

The functions are found by introspection and their arguments drawn by their names: a new function is covered at
once, and a parameter nobody has said how to draw fails the test. `SIXPULSE_EXAMPLES=2000` draws more than CI.
"""

import contextlib
import enum
import inspect
import os
import re
import time
import types
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import sixpulse
from sixpulse.errors import SixpulseError

EXAMPLES = int(os.environ.get("SIXPULSE_EXAMPLES", "6"))

#: Not called here, each with its reason; a name that ends with a dot stands for the module.
EXCUSED = {
    "plot.": "draws with matplotlib, which takes long; tests/test_plot.py",
    "fleet.": "works on folders of files; tests/test_fleet.py gives them what is damaged",
    "demo.": "paths of bundled files by the names of an enumeration",
    "exercises.build": "simulates a whole set, seconds each; tests/test_exercise.py",
    "exercises.new_seed": "takes nothing",
    "exercises.verify_seal": "compares three files; tests/test_exercise.py",
    "simulate_family": "gives an iterator; `simulate` and `Scenario.draw` are called here",
}
#: Classes whose constructors are doors of their own.
CONSTRUCTORS = ["Capture", "Instrument", "Machine", "Monitor", "Trace", "contamination.PulseConstant", "meter.Meter"]

ODD = [0.0, -0.0, 1.0, -1.0, np.nan, np.inf, -np.inf, 1e300, 5e-324, 1e9, 2.0**53, 0.5, -273.15, 1e-9]
numbers = st.one_of(st.sampled_from(ODD), st.floats(width=64), st.integers(-5, 5000).map(float), st.floats(1.0, 1e5))
counts = st.one_of(st.integers(-2, 70), st.integers(), st.sampled_from([0, 1, 2, 64, 2**31, 2**63, 2**64]))
words = st.one_of(
    st.sampled_from(
        ["dc", "ac", "hann", "rectangular", "constant", "none", "causal", "zero_phase", "en", "de", "", "V"]
    ),
    st.text(max_size=12),
)
junk = st.one_of(
    st.none(), st.booleans(), st.binary(max_size=8), st.lists(st.integers(), max_size=3), st.just(object())
)


def record(kind: int, length: int, seed: int, dtype: str, value: float) -> np.ndarray:
    """A record of one of the kinds, in one of the types that arrays come in."""
    random = np.random.default_rng(seed)
    turns = np.arange(length) * (0.002 + 0.2 * random.random() ** 3)
    ripple = 14 + 0.3 * np.abs(np.sin(3 * np.pi * turns)) * np.where(turns % 1 < 1 / 6, 0.3, 1.0)
    made = [
        ripple + 0.003 * random.standard_normal(length),
        np.full(length, value),
        np.where(np.arange(length) == length // 2, value, 0.0),
        np.where(np.arange(length) % 90 < 45, 14.0, 13.0),
        random.standard_normal(length) * 10.0 ** random.integers(-320, 300),
    ][kind]
    with np.errstate(all="ignore"):
        return made.astype(dtype)


arrays = st.one_of(
    st.builds(
        record,
        st.integers(0, 4),
        st.one_of(st.integers(0, 40), st.integers(0, 3000)),
        st.integers(0, 2**32),
        st.sampled_from(["f8", "f8", "f8", "f4", "i2", "i8", ">f8", "c16", "U4", "bool"]),
        numbers,
    ),
    st.sampled_from(
        [[], [1.0], [[1.0, 2.0], [3.0, 4.0]], "abc", None, [None], 3.0, np.zeros((3, 3)), np.zeros(9)[::3]]
    ),
)


@st.composite
def traces(draw: st.DrawFn, length: int | None = None) -> sixpulse.Trace:
    """A valid trace."""
    n = length if length is not None else draw(st.integers(1, 3000))
    made = record(draw(st.integers(0, 3)), n, draw(st.integers(0, 2**32)), "f8", draw(st.floats(-1e8, 1e8)))
    role = draw(st.sampled_from(["charging_post", "battery_post", "speed_sensor", "edge_sensor", "charging_current"]))
    rate = draw(st.sampled_from([1.0, 900.0, 50_000.0, 48_000.0, 1e7]))
    return sixpulse.Trace(made, sample_rate_hz=rate, coupling=draw(st.sampled_from(["dc", "ac"])), role=role)


@st.composite
def captures(draw: st.DrawFn) -> sixpulse.Capture:
    """A valid capture of one to three traces."""
    n, rate = draw(st.one_of(st.integers(1, 50), st.integers(1000, 4000))), draw(st.sampled_from([900.0, 50_000.0]))
    roles = ["charging_post", draw(st.sampled_from(["speed_sensor", "other", "edge_sensor"])), "battery_post"]
    made = {}
    for role in roles[: draw(st.integers(1, 3))]:
        values = record(draw(st.integers(0, 3)), n, draw(st.integers(0, 2**32)), "f8", draw(st.floats(-1e8, 1e8)))
        made[role] = sixpulse.Trace(values, sample_rate_hz=rate, coupling="dc", role=role)
    rpm = draw(st.one_of(st.none(), st.floats(300, 3000)))
    return sixpulse.Capture(made, engine_rpm=rpm)


@cache
def usual_capture() -> sixpulse.Capture:
    return sixpulse.read(sixpulse.demo.path("parked"), roles={"post": "charging_post", "speed": "speed_sensor"})


@cache
def usual() -> sixpulse.results.Examination:
    return sixpulse.examine(usual_capture())


def contaminations() -> st.SearchStrategy[Any]:
    return st.builds(lambda: usual().contamination["speed"])


def files(folder: Path) -> st.SearchStrategy[Path]:
    """Files that readers are given: text, numbers, damage; and paths that are none."""
    lines = st.lists(
        st.lists(st.one_of(st.floats().map(str), st.text(max_size=6)), max_size=3).map(";".join), max_size=8
    )
    heads = st.sampled_from(
        [b"", b"\x93NUMPY\x01\x00", b"RIFF\x24\x00\x00\x00WAVEfmt ", b"PK\x03\x04", b"PAR1", b"\x89HDF"]
    )
    content = st.one_of(lines.map(lambda found: "\n".join(found).encode()), st.binary(max_size=200))

    def put(head: bytes, body: bytes, ending: str) -> Path:
        path = folder / f"drawn{ending}"
        path.write_bytes(head + body)
        return path

    endings = st.sampled_from([".csv", ".wav", ".npy", ".npz", ".parquet", ".cfg", ".txt", ""])
    return st.one_of(st.builds(put, heads, content, endings), st.sampled_from([folder, folder / "absent", Path("\0")]))


def optional(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.one_of(st.none(), strategy)


machines = st.builds(
    sixpulse.Machine,
    pole_pairs=optional(st.integers(1, 20)),
    pulley_ratio=optional(st.floats(0.6, 5)),
    pulse_number=st.sampled_from([6, 12]),
)
instruments = st.builds(
    sixpulse.Instrument,
    bits=st.integers(8, 16),
    memory_samples=st.integers(100, 10**7),
    sample_rates_hz=st.lists(st.floats(1e3, 1e8), min_size=1, max_size=4),
    ranges_v=st.lists(st.floats(0.05, 100), min_size=1, max_size=4),
    ac_corner_hz=optional(st.floats(0.1, 50)),
    probe_attenuation=st.sampled_from([1.0, 10.0]),
    channels=st.integers(1, 4),
)

#: How a parameter of that name is drawn, whatever the function.
BY_NAME: dict[str, st.SearchStrategy[Any]] = {
    **dict.fromkeys(["samples", "x", "y", "theta_rad", "amplitudes"], arrays),
    **dict.fromkeys(["capture", "before", "after"], captures()),
    "during": st.one_of(captures(), st.lists(captures(), max_size=2)),
    **dict.fromkeys(["trace", "circuit", "supply"], traces()),
    "machine": optional(machines),
    "instrument": instruments,
    "engine_rpm": st.one_of(numbers, st.tuples(numbers, numbers), st.just((600.0, 3000.0))),
    "orders": st.lists(st.integers(-1, 20), max_size=6),
    "found": contaminations(),
    "examination": st.builds(usual),
    "cycle": st.builds(lambda: usual().cycle),
    "pattern": optional(st.one_of(st.sampled_from(["healthy", "open_diode", "two_open_opposite"]), words)),
    "member": counts,
    "conditioner": st.none(),
    "meter": st.just(sixpulse.meter.TRUE_RMS_HANDHELD),
    "scenario": st.builds(lambda seed: sixpulse.Scenario.draw(seed=seed), st.integers(0, 3)),
    "role": st.sampled_from(["charging_post", "battery_post", "speed_sensor", "nonsense", ""]),
    "roles": optional(
        st.dictionaries(st.one_of(words, st.integers(-1, 4)), st.sampled_from(["charging_post", "other", ""]))
    ),
    "names": st.none(),
    "dialect": st.none(),
    "roster": st.lists(words, max_size=3),
    "right": st.booleans(),
    "cls": st.sampled_from([sixpulse.results.Examination, sixpulse.results.Ripple]),
    "emphasis": st.tuples(words, words),
    "key": st.one_of(st.dictionaries(words, st.integers()), words),
    "answers": st.lists(st.dictionaries(words, words), max_size=3),
    "sources": st.lists(st.dictionaries(words, words), max_size=3),
    "traces": st.dictionaries(words, traces(length=50), max_size=3),
    "captures": st.one_of(st.lists(st.one_of(captures(), arrays), max_size=3), arrays),
    "channels": st.one_of(counts, st.dictionaries(words, words, max_size=2)),
    "sample_rates_hz": st.lists(numbers, max_size=3),
    "ranges_v": st.lists(numbers, max_size=3),
    "width": st.integers(-5, 500),
    # Lengths are the caller's memory: a window of 2^40 samples is refused by the machine, not by the library.
    "length": st.one_of(st.integers(-2, 5000), numbers),
    "bins": counts,
}
#: Names that mean something else in one function.
FOR_ONE: dict[tuple[str, str], st.SearchStrategy[Any]] = {
    ("quality.assess", "cycle"): st.none(),
    ("contamination.rank", "found"): st.dictionaries(words, contaminations(), max_size=3),
    ("ideal.values", "circuit"): words,
    ("ideal.waveform", "circuit"): words,
}
WORDS = {
    "response",
    "window",
    "detrend",
    "method",
    "coupling",
    "language",
    "unit",
    "name",
    "document",
    "encoding",
    "delimiter",
    "decimal",
}
NUMBERS = re.compile(
    r".*(_hz|_v|_s|_c|_rms|_rpm|_km|_mile|_ratio|_db|_percent|alpha|averages|amplitude|noise|scale|offset)$"
)
FURTHER = {"std", "value", "fraction", "confidence", "contrast", "ambiguity", "ripple_to_noise", "probe_attenuation"}
COUNTS = {
    "count",
    "first",
    "order",
    "pulse_number",
    "pole_pairs",
    "segments",
    "distractors",
    "seed",
    "threads",
    "bits",
    "memory_samples",
    "system_v",
    "highest_order",
    "resume",
}


def strategy_for(owner: str, name: str, folder: Path) -> st.SearchStrategy[Any]:
    if (owner, name) in FOR_ONE:
        return FOR_ONE[owner, name]
    if name in {"path", "source", "author", "destination"}:
        return files(folder)
    if name in BY_NAME:
        return BY_NAME[name]
    if name in WORDS:
        return words
    if name in COUNTS or name.endswith("_samples"):
        return counts
    if NUMBERS.match(name) or name in FURTHER:
        return numbers
    raise AssertionError(f"{owner}: say in this file how the parameter {name!r} is drawn, or excuse the function")


def public_functions() -> Iterator[tuple[str, Callable[..., Any]]]:
    for module_name in ["", *sorted(sixpulse._MODULES)]:
        module = getattr(sixpulse, module_name) if module_name else sixpulse
        for name in getattr(module, "__all__", None) or [n for n in vars(module) if not n.startswith("_")]:
            found, full = getattr(module, name), f"{module_name}.{name}".lstrip(".")
            own = str(getattr(found, "__module__", "")).startswith("sixpulse")
            if isinstance(found, (types.FunctionType, types.BuiltinFunctionType)) and (own or not module_name):
                yield full, found
    for full in CONSTRUCTORS:
        found = sixpulse
        for part in full.split("."):
            found = getattr(found, part)
        yield full, found
    yield "Scenario.draw", sixpulse.Scenario.draw


def excuse(full: str) -> str | None:
    return EXCUSED.get(full) or EXCUSED.get(full.split(".", maxsplit=1)[0] + "." if "." in full else full)


FUNCTIONS = dict(public_functions())
CALLED = sorted(full for full in FUNCTIONS if excuse(full) is None)


def test_the_api_was_found() -> None:
    assert len(CALLED) > 50 and {"examine", "tone.sine_fit", "Trace", "read"} <= set(CALLED)
    unknown = [name for name in EXCUSED if not any(full == name or full.startswith(name) for full in FUNCTIONS)]
    assert not unknown, f"excused, but not there: {unknown}"


def arguments(full: str, folder: Path) -> tuple[list[tuple[str, Any]], dict[str, st.SearchStrategy[Any]]]:
    parameters = list(inspect.signature(FUNCTIONS[full]).parameters.values())
    fixed = [p for p in parameters if p.kind not in {p.VAR_KEYWORD, p.VAR_POSITIONAL}]
    return [(p.name, p) for p in fixed], {p.name: strategy_for(full, p.name, folder) for p in fixed}


#: One of the library's errors, or Python's own `TypeError` for what is no number, no array, no trace at all.
REFUSALS = (SixpulseError, TypeError)
#: Kinds that a parameter may get by mistake.
WRONG: list[Any] = [None, True, 3, 2.5, 2**70, "word", b"\x00", [1], ["a", "b", "c"], {"a": 1}, object(), (1, 2)]


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("full", CALLED)
def test_a_value_of_another_kind_is_refused_as_such(full: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each parameter in turn gets something else: no AttributeError from inside, which says nothing to the caller."""
    monkeypatch.chdir(tmp_path)  # a word may be a path, and is written to
    parameters, strategies = arguments(full, tmp_path)

    @settings(max_examples=1, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(st.data())
    def call(at: int, wrong: Any, data: st.DataObject) -> None:
        spoiled = parameters[at][0]
        needed = [(n, p) for n, p in parameters if n == spoiled or p.default is inspect.Parameter.empty]
        values = {name: wrong if name == spoiled else data.draw(strategies[name]) for name, _ in needed}
        positional = [values.pop(name) for name, p in needed if p.kind is inspect.Parameter.POSITIONAL_ONLY]
        try:
            FUNCTIONS[full](*positional, **values)
        except REFUSALS:
            pass
        except Exception as error:
            error.add_note(f"{full}: {spoiled}={wrong!r}")
            raise

    for at in range(len(parameters)):
        for wrong in WRONG:
            call(at, wrong)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("full", CALLED)
def test_any_input_gives_a_result_or_a_refusal(full: str, tmp_path: Path) -> None:
    parameters, strategies = arguments(full, tmp_path)

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    @given(st.data())
    def call(data: st.DataObject) -> None:
        positional, named = [], {}
        spoiled = data.draw(st.one_of(st.just(-1), st.just(-1), st.just(-1), st.integers(0, len(parameters))))
        for at, (name, parameter) in enumerate(parameters):
            if parameter.default is not inspect.Parameter.empty and data.draw(st.booleans()):
                continue
            value = data.draw(junk if at == spoiled else strategies[name])
            if parameter.kind is inspect.Parameter.KEYWORD_ONLY or len(positional) != at:
                named[name] = value
            else:
                positional.append(value)
        begin = time.process_time()
        with contextlib.suppress(*REFUSALS):
            FUNCTIONS[full](*positional, **named)
        # The processor's time: a busy machine stretches the wall clock. A call that never ends is ended by the runner.
        assert time.process_time() - begin < 10

    call()


class Long(enum.Enum):
    """Records of a million samples that take a search its longest way."""

    CONSTANT = 0
    NOISE = 1
    SQUARE = 2
    RAMP = 3


@pytest.mark.parametrize("kind", Long)
def test_a_million_samples_take_less_than_ten_seconds(kind: Long) -> None:
    n = 1_000_000
    random = np.random.default_rng(1)
    made = {
        Long.CONSTANT: np.full(n, 14.0),
        Long.NOISE: 14 + random.standard_normal(n),
        Long.SQUARE: np.where(np.arange(n) % 90 < 45, 14.0, 13.0),
        Long.RAMP: np.linspace(0, 14, n),
    }[kind]
    trace = sixpulse.Trace(made, sample_rate_hz=50_000.0, coupling="dc", role="charging_post")
    sensor = sixpulse.Trace(made[::-1].copy(), sample_rate_hz=50_000.0, coupling="dc", role="speed_sensor")
    begin = time.process_time()
    sixpulse.examine(sixpulse.Capture({"post": trace, "sensor": sensor}))
    assert time.process_time() - begin < 10
