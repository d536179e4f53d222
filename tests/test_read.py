"""Reading: the shapes instruments export, parity with outside readers, and one clear refusal for every wrong file."""

from __future__ import annotations

import csv
import io
import pickle
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

import sixpulse
from sixpulse import errors

DATA = Path(__file__).parent / "data"
SHARED = Path(__file__).parents[2] / "shared"
POST = {"post": "charging_post"}


def save(path: Path, content: str | bytes) -> Path:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def code_of(path: Path, **keywords: Any) -> str:
    with pytest.raises(errors.SixpulseError) as caught:
        sixpulse.read(path, **{"roles": POST, "coupling": "dc", **keywords})
    error = caught.value
    assert str(path) in str(error) and "\n" not in str(error)
    assert error.parameter
    again = pickle.loads(pickle.dumps(error))
    assert again.to_dict() == error.to_dict()
    assert isinstance(error.code, str)
    return error.code


# Samples of our own making, each in another shape; `tests/data/README.md` says how they were made.
SAMPLES = sorted(DATA.glob("sprayer_*.csv")) + sorted(DATA.glob("sprayer_*.txt"))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda p: p.name)
def test_every_shape_reads_the_same(path: Path) -> None:
    roles = {"Post": "charging_post", "Speed": "speed_sensor"}
    capture = sixpulse.read(path, roles=roles, coupling="dc")
    want = np.load(DATA / "sprayer.npy")
    assert capture.sample_rate_hz == pytest.approx(20_000.0, rel=1e-12)
    # The files print millivolts, microvolts or volts with the digits that are there: one rounding of the prefix apart.
    np.testing.assert_allclose(capture["Post"].values(), want[:, 0], rtol=1e-15)
    np.testing.assert_allclose(capture["Speed"].values(), want[:, 1], rtol=1e-15, atol=1e-18)


def test_there_are_samples() -> None:
    assert len(SAMPLES) >= 8


def test_numbers_equal_numpy_and_csv(tmp_path: Path) -> None:
    """Oracles: numpy.loadtxt, and Python's csv module with float()."""
    rng = np.random.default_rng(7)
    table = rng.normal(size=(500, 3)) * 10.0 ** rng.integers(-12, 8, size=(500, 3))
    text = "a,b,c\n" + "\n".join(",".join(f"{x:.17g}" for x in row) for row in table) + "\n"
    path = save(tmp_path / "table.csv", text)
    capture = sixpulse.read(path, roles=dict.fromkeys("abc", "other"), coupling="dc", sample_rate_hz=1.0)
    got = np.column_stack([trace.values() for trace in capture.values()])
    np.testing.assert_array_equal(got, np.loadtxt(path, delimiter=",", skiprows=1))
    with path.open(newline="") as stream:
        rows = list(csv.reader(stream))[1:]
    np.testing.assert_array_equal(got, np.array(rows, dtype=float))


def test_semicolons_and_commas_equal_csv(tmp_path: Path) -> None:
    path = save(
        tmp_path / "table.csv", "post;b\n" + "\n".join(f"{i / 7:.9f};{-i}".replace(".", ",") for i in range(50))
    )
    got = sixpulse.read(path, roles=POST, coupling="dc", sample_rate_hz=1.0)["post"].values()
    with path.open(newline="") as stream:
        want = [float(row["post"].replace(",", ".")) for row in csv.DictReader(stream, delimiter=";")]
    np.testing.assert_array_equal(got, want)


def test_keywords_by_column(tmp_path: Path) -> None:
    path = save(tmp_path / "x.csv", "t (ms),CH1 (mV),CH2 (mV)\n0,1410,-50\n1,1420,50\n2,1430,51\n")
    capture = sixpulse.read(
        path,
        roles={1: "charging_post", "CH2": "charging_current"},
        names={1: "post"},
        scale={1: 10.0, "CH2": 10.0},
        coupling={1: "dc", "CH2": "ac"},
        unit={"CH2": "A"},
        engine_rpm=820.0,
        battery_temperature_c=21.0,
    )
    assert capture.names == ["post", "CH2"]
    assert capture["post"].values() == pytest.approx([14.1, 14.2, 14.3])
    assert (capture["post"].unit, capture["CH2"].unit) == ("V", "A")
    assert capture["CH2"].values() == pytest.approx([-0.5, 0.5, 0.51])
    assert (capture["post"].coupling, capture["CH2"].coupling) == ("dc", "ac")
    assert (capture.engine_rpm, capture.battery_temperature_c) == (820.0, 21.0)


@pytest.mark.parametrize(
    ("keywords", "code"),
    [
        ({"roles": {"post": "gearbox"}}, "unknown_name"),
        ({"roles": {"nobody": "other"}}, "unknown_column"),
        ({"roles": {7: "other"}}, "unknown_column"),
        ({"roles": {0: "other"}}, "time_column"),
        ({"roles": {}}, "roles_unknown"),
        ({"roles": None}, "roles_unknown"),
        ({"roles": {"post": "charging_post", 1: "other"}}, "invalid_combination"),
        ({"coupling": None}, "coupling_unknown"),
        ({"coupling": "none"}, "unknown_name"),
        ({"scale": 0.0}, "out_of_range"),
        ({"scale": float("nan")}, "out_of_range"),
        ({"unit": "mV"}, "unit_conflict"),
        ({"roles": {"post": "charging_current"}}, "unit_conflict"),
        ({"sample_rate_hz": 1001.1}, "rate_conflict"),
        ({"sample_rate_hz": -5.0}, "rate_conflict"),
        ({"engine_rpm": -1.0}, "out_of_range"),
        ({"battery_temperature_c": 500.0}, "out_of_range"),
    ],
)
def test_arguments_that_do_not_suit_the_file(tmp_path: Path, keywords: dict[str, Any], code: str) -> None:
    path = save(tmp_path / "x.csv", "time,post (V)\n0.000,14.1\n0.001,14.2\n0.002,14.3\n")
    with pytest.raises(errors.SixpulseError) as caught:
        sixpulse.read(path, **{"roles": POST, "coupling": "dc", **keywords})
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("keywords", "code"),
    [
        ({"roles": ["post"]}, "wrong_type"),
        ({"roles": {True: "other"}}, "wrong_type"),
        ({"roles": {-1: "other"}}, "wrong_type"),
        ({"roles": {"post": 3}}, "wrong_type"),
        ({"scale": "10"}, "wrong_type"),
        ({"scale": {"other": 10.0}}, "invalid_combination"),
        ({"names": "post"}, "wrong_type"),
        ({"sample_rate_hz": "fast"}, "wrong_type"),
        ({"dialect": "excel"}, "wrong_type"),
    ],
)
def test_arguments_of_the_wrong_kind(tmp_path: Path, keywords: dict[str, Any], code: str) -> None:
    path = save(tmp_path / "x.csv", "time,post\n0.000,14.1\n0.001,14.2\n")
    with pytest.raises(errors.SixpulseError) as caught:
        sixpulse.read(path, **{"roles": POST, "coupling": "dc", **keywords})
    assert caught.value.code == code


GOOD_ROWS = "time,post\n0.000,14.1\n0.001,14.2\n0.002,14.3\n"


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("0.003,inf", "over_range"),
        ("0.003,***", "over_range"),
        ("0.003,\u221e", "over_range"),
        ("0.003,---", "missing_value"),
        ("0.003,", "missing_value"),
        ("0.003,NaN", "missing_value"),
        ("0.003,12..5", "bad_row"),
        ("0.003", "bad_row"),
        ("0.003,1,2", "bad_row"),
    ],
)
def test_a_bad_cell_is_named(tmp_path: Path, row: str, code: str) -> None:
    path = save(tmp_path / "x.csv", f"{GOOD_ROWS}{row}\n0.004,14.1\n0.005,14.2\n")
    with pytest.raises(errors.FileReadError) as caught:
        sixpulse.read(path, roles=POST, coupling="dc")
    error = caught.value
    assert (error.code, error.row, error.path) == (code, 5, str(path))
    assert str(error).startswith(f"{path}, row 5")
    assert error.to_dict()["row"] == 5


def npy(array: Any) -> bytes:
    stream = io.BytesIO()
    np.save(stream, array)
    return stream.getvalue()


def npz(**arrays: Any) -> bytes:
    stream = io.BytesIO()
    np.savez_compressed(stream, **arrays)
    return stream.getvalue()


def pickled_npz() -> bytes:
    stream = io.BytesIO()
    np.savez(stream, allow_pickle=True, post=np.array([{"a": 1}], dtype=object))
    return stream.getvalue()


def wav(samples: np.ndarray[Any, Any], rate: int = 48_000) -> bytes:
    stream = io.BytesIO()
    wavfile.write(stream, rate, samples)
    return stream.getvalue()


WHOLE_FILES: dict[str, tuple[str, str | bytes, str]] = {
    "0 bytes": ("x.csv", b"", "empty_file"),
    "blank lines": ("x.csv", "\n\n \n", "no_numbers"),
    "prose": ("x.csv", "the post was warm\nnothing was measured\n", "no_numbers"),
    "header alone": ("x.csv", "time,post\n", "no_numbers"),
    "binary junk": ("x.csv", bytes(range(256)) * 4, "not_text"),
    "workbook": ("x.csv", b"PK\x03\x04 junk", "unsupported_format"),
    "one row": ("x.csv", "time,post\n0.0,14.1\n", "rate_unknown"),
    "no rate": ("x.csv", "post,b\n1,2\n3,4\n", "rate_unknown"),
    "uneven time": ("x.csv", "time,post\n0.0,1\n0.1,2\n0.2,3\n0.4,4\n0.5,5\n", "non_uniform_time"),
    "falling time": ("x.csv", "time,post\n0.3,1\n0.2,2\n0.1,3\n", "rate_unknown"),
    "two readings": ("x.csv", "14,1\n14,2\n14,3\n", "ambiguous_dialect"),
    "not a WAV": ("x.wav", b"junk junk junk", "damaged_file"),
    "WAV cut in its header": ("x.wav", b"RIFF\x24\x00\x00\x00WAVE", "damaged_file"),
    "not a NPY": ("x.npy", b"junk junk junk", "damaged_file"),
    "NPY cut": ("x.npy", npy(np.arange(100.0))[:-3], "damaged_file"),
    "NPY cut in its header": ("x.npy", npy(np.arange(100.0))[:40], "damaged_file"),
    "NPY of three axes": ("x.npy", npy(np.zeros((2, 2, 2))), "unsupported_format"),
    "NPY of text": ("x.npy", npy(np.array(["a"])), "unsupported_format"),
    "NPY without elements": ("x.npy", npy(np.zeros(0)), "empty_file"),
    "NPZ cut": ("x.npz", npz(post=np.arange(1000.0))[:-60], "damaged_file"),
    "NPZ of objects": ("x.npz", pickled_npz(), "damaged_file"),
    "NPZ of two axes": ("x.npz", npz(post=np.ones((3, 2)), b=np.ones(3)), "unsupported_format"),
    "NPZ without arrays": ("x.npz", npz(fs=1.0), "unsupported_format"),
    "NPZ without rate": ("x.npz", npz(post=np.ones(3)), "rate_unknown"),
    "NPZ of bare counts": ("x.npz", npz(post=np.ones(3, "i2"), fs=5e4), "scale_unknown"),
    "NPZ with a NaN": ("x.npz", npz(post=np.array([1.0, np.nan]), fs=5e4), "non_finite"),
    "NPZ of two rates": ("x.npz", npz(post=np.ones(3), fs=5e4, dt=1e-3), "rate_conflict"),
}


@pytest.mark.parametrize("case", sorted(WHOLE_FILES))
def test_refusals(tmp_path: Path, case: str) -> None:
    name, content, code = WHOLE_FILES[case]
    assert code_of(save(tmp_path / name, content)) == code


def test_missing_file_and_folder(tmp_path: Path) -> None:
    assert code_of(tmp_path / "absent.csv") == "file_not_found"
    assert code_of(tmp_path) == "is_directory"
    with pytest.raises(FileNotFoundError):
        sixpulse.read(tmp_path / "absent.csv", roles=POST)


def test_a_damaged_member_of_an_archive(tmp_path: Path) -> None:
    whole = bytearray(npz(post=np.random.default_rng(1).normal(size=1000), fs=5e4))
    start = whole.index(b"PK\x03\x04") + 200
    whole[start : start + 50] = bytes(50)
    assert code_of(save(tmp_path / "x.npz", bytes(whole))) == "damaged_file"


def test_an_archive_whose_member_lies_about_its_size(tmp_path: Path) -> None:
    path = tmp_path / "x.npz"
    header = b"{'descr': '<f8', 'fortran_order': False, 'shape': (1000000000000,), }"
    member = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header) + 1) + header + b"\n" + bytes(64)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("post.npy", member)
    assert code_of(path) == "damaged_file"


@pytest.mark.parametrize("dtype", ["<i2", ">i2", "i1", "u1", "<u2", "<i4", ">u4", "<i8", "<f4", ">f4", "<f8", ">f8"])
@pytest.mark.parametrize("order", ["C", "F"])
def test_npy_equals_numpy(tmp_path: Path, dtype: str, order: Any) -> None:
    kind = np.dtype(dtype)
    rng = np.random.default_rng(3)
    if kind.kind == "f":
        table = rng.normal(size=(37, 3)).astype(dtype)
    else:
        limits = np.iinfo(kind)
        table = rng.integers(limits.min, limits.max, size=(37, 3), dtype=kind.newbyteorder("="), endpoint=True).astype(
            dtype
        )
    path = save(tmp_path / "x.npy", npy(np.array(table, order=order)))
    # 0.5 keeps every product exact; wide counts are scaled down to the core's largest value, 1e9.
    scale = None if kind.kind == "f" else (0.5 if kind.itemsize <= 2 else 1e-10)
    capture = sixpulse.read(path, roles={2: "other", 0: "other"}, coupling="dc", sample_rate_hz=10.0, scale=scale)
    for name, position in (("column_2", 2), ("column_0", 0)):
        np.testing.assert_array_equal(capture[name].values(), table[:, position].astype(float) * (scale or 1.0))
    if kind.kind != "f" and kind.itemsize <= 2:
        assert capture["column_0"].raw().dtype == np.int16


def test_npy_of_one_axis(tmp_path: Path) -> None:
    path = save(tmp_path / "x.npy", npy(np.array([1.5, 2.5], "f4")))
    trace = sixpulse.read(path, roles={0: "charging_post"}, coupling="dc", sample_rate_hz=10.0)["column_0"]
    assert trace.raw().dtype == np.float32
    assert trace.values().tolist() == [1.5, 2.5]


@pytest.mark.parametrize("dtype", ["uint8", "int16", "int32", "float32"])
def test_wav_equals_scipy(tmp_path: Path, dtype: str) -> None:
    """Oracle: scipy.io.wavfile writes the file; full scale is 2 V."""
    rng = np.random.default_rng(5)
    unit = rng.uniform(-1.0, 1.0, size=(64, 2))
    stored = {
        "uint8": np.rint(unit * 127 + 128).astype("uint8"),
        "int16": np.rint(unit * 32_767).astype("int16"),
        "int32": np.rint(unit * 2_147_483_647).astype("int32"),
        "float32": unit.astype("float32"),
    }[dtype]
    full = {"uint8": 128.0, "int16": 32_768.0, "int32": 2_147_483_648.0, "float32": 1.0}[dtype]
    want = (stored.astype(float) - (128.0 if dtype == "uint8" else 0.0)) / full * 2.0
    path = save(tmp_path / "x.wav", wav(stored))
    capture = sixpulse.read(path, roles={"channel_1": "charging_post", 0: "other"}, coupling="ac", scale=2.0)
    assert capture.sample_rate_hz == 48_000.0
    np.testing.assert_array_equal(capture["channel_1"].values(), want[:, 1])
    np.testing.assert_array_equal(capture["channel_0"].values(), want[:, 0])
    if dtype in {"uint8", "int16"}:
        assert capture["channel_0"].raw().dtype == np.int16


def test_wav_refusals(tmp_path: Path) -> None:
    whole = wav(np.arange(100, dtype="int16"))
    assert code_of(save(tmp_path / "x.wav", whole), roles={0: "other"}) == "scale_unknown"
    assert code_of(save(tmp_path / "cut.wav", whole[:-30]), roles={0: "other"}, scale=1.0) == "damaged_file"
    assert (
        code_of(save(tmp_path / "none.wav", wav(np.zeros(0, "int16"))), roles={0: "other"}, scale=1.0) == "empty_file"
    )


def test_npz_of_counts_stays_in_counts(tmp_path: Path) -> None:
    content = npz(post=np.array([1800, 1801], "i2"), post_lsb=0.0078125, fs=5e4, coupling="ac")
    trace = sixpulse.read(save(tmp_path / "x.npz", content), roles=POST)["post"]
    assert (trace.coupling, trace.scale, trace.sample_rate_hz) == ("ac", 0.0078125, 5e4)
    assert trace.raw().dtype == np.int16


def test_what_the_caller_says_of_the_coupling_holds(tmp_path: Path) -> None:
    content = npz(post=np.ones(3), sensor=np.ones(3), fs=5e4, coupling="ac")
    roles = {"post": "charging_post", "sensor": "speed_sensor"}
    capture = sixpulse.read(save(tmp_path / "x.npz", content), roles=roles, coupling={"sensor": "dc"})
    assert (capture["post"].coupling, capture["sensor"].coupling) == ("ac", "dc")


def capture_of(counts: list[int], values: list[float], rate: float) -> sixpulse.Capture:
    keywords: dict[str, Any] = {"sample_rate_hz": rate}
    return sixpulse.Capture(
        {
            "post": sixpulse.Trace(
                np.array(counts, "i2"),
                coupling="ac",
                role="charging_post",
                scale=0.14,
                offset=-1.0,
                coupling_corner_hz=rate / 1e4,
                **keywords,
            ),
            'clamp, "big"': sixpulse.Trace(np.array(values), coupling="dc", role="charging_current", **keywords),
            "single": sixpulse.Trace(np.array(values, "f4"), coupling="dc", role="other", unit="psi", **keywords),
        },
        engine_rpm=820.0,
        battery_temperature_c=-5.0,
    )


@settings(max_examples=30, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.integers(-32_768, 32_767), st.floats(-(2.0**29), 2.0**29, width=32, allow_subnormal=False)),
        min_size=1,
        max_size=60,
    ),
    rate=st.sampled_from([1.0, 44_100.0, 50_000.0, 1e6 / 3.0]),
)
def test_written_captures_come_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, float]], rate: float
) -> None:
    folder = tmp_path_factory.mktemp("written")
    capture = capture_of([count for count, _ in rows], [value for _, value in rows], rate)
    sixpulse.write_npz(folder / "x.npz", capture)
    assert sixpulse.read(folder / "x.npz") == capture
    sixpulse.write_csv(folder / "x.csv", capture)
    back = sixpulse.read(folder / "x.csv")
    assert back.names == capture.names
    assert (back.engine_rpm, back.battery_temperature_c) == (820.0, -5.0)
    assert back.sample_rate_hz == rate
    for name, trace in capture.items():
        again = back[name]
        np.testing.assert_array_equal(again.values(), trace.values())
        facts = ("role", "coupling", "unit", "coupling_corner_hz")
        assert [getattr(again, fact) for fact in facts] == [getattr(trace, fact) for fact in facts]
    assert sorted(p.name for p in folder.iterdir()) == ["x.csv", "x.npz"]


def test_writing_fails_whole(tmp_path: Path) -> None:
    capture = capture_of([1, 2], [1.0, 2.0], 10.0)
    for write in (sixpulse.write_npz, sixpulse.write_csv):
        with pytest.raises(errors.UnwritableFileError) as caught:
            write(tmp_path / "absent" / "x", capture)
        assert caught.value.code == "unwritable_file"
        with pytest.raises(errors.UnwritableFileError):
            write(tmp_path, capture)
        with pytest.raises(errors.WrongTypeError):
            write(tmp_path / "x", "capture")  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []
    trace = capture["post"]
    for name in ("post_lsb", "a/b", "time"):
        with pytest.raises(errors.InvalidCombinationError):
            sixpulse.write_npz(tmp_path / "x.npz", sixpulse.Capture({"post": trace, name: trace}))


def test_dialects_are_shown_saved_and_reused(tmp_path: Path) -> None:
    first = save(tmp_path / "a.csv", "Sample rate: 100 Hz\npost;b\n1,5;2\n3,5;4\n")
    second = save(tmp_path / "b.csv", "Sample rate: 200 Hz\npost;b\n5,5;6\n7,5;8\n")
    dialect = sixpulse.sniff(first)
    assert (dialect.delimiter, dialect.decimal, dialect.encoding) == (";", ",", "utf-8")
    assert (dialect.header_row, dialect.units_row, dialect.first_data_row, dialect.rate_row) == (2, None, 3, 1)
    assert dialect.column_names == ("post", "b")
    assert dialect.time_column is None
    assert "column names in row 2" in str(dialect) and "\n" not in repr(dialect)
    assert any("sample rate" in note for note in dialect.notes)
    for again in (sixpulse.CsvDialect.from_dict(dialect.to_dict()), pickle.loads(pickle.dumps(dialect))):
        assert again == dialect
        capture = sixpulse.read(second, roles=POST, coupling="dc", dialect=again)
        assert (capture.sample_rate_hz, capture["post"].values().tolist()) == (200.0, [5.5, 7.5])
    other = save(tmp_path / "c.csv", "Sample rate: 200 Hz\nposts;b\n5,5;6\n7,5;8\n")
    assert code_of(other, dialect=dialect) == "dialect_mismatch"
    with pytest.raises(errors.InvalidDocumentError):
        sixpulse.CsvDialect.from_dict({"delimiter": ";"})
    counted = save(tmp_path / "d.csv", "t,post\n0,1\n1,2\n2,3\n")
    index = sixpulse.sniff(counted).with_kind(0, "index")
    assert code_of(counted, dialect=index) == "rate_unknown"


def test_hints_decide(tmp_path: Path) -> None:
    path = save(tmp_path / "x.csv", "14,1\n14,2\n14,3\n")
    assert len(sixpulse.sniff(path, decimal=",").column_names) == 1
    assert len(sixpulse.sniff(path, delimiter=",", decimal=".").column_names) == 2
    for hints in ({"delimiter": "a"}, {"decimal": ";"}, {"encoding": "ebcdic"}):
        with pytest.raises(errors.UnknownNameError):
            sixpulse.sniff(path, **hints)  # type: ignore[arg-type]
    with pytest.raises(errors.InvalidCombinationError):
        sixpulse.sniff(path, delimiter=";;")


@settings(max_examples=150, deadline=None)
@given(content=st.binary(max_size=400), name=st.sampled_from(["x.csv", "x.wav", "x.npy", "x.npz", "x.txt"]))
def test_any_bytes_give_a_capture_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, name: str
) -> None:
    signature = {"x.wav": b"RIFF", "x.npy": b"\x93NUMPY\x01\x00", "x.npz": b"PK\x03\x04"}.get(name, b"")
    path = save(tmp_path_factory.mktemp("junk") / name, signature + content)
    try:
        answer: object = sixpulse.read(path, roles={0: "other"}, coupling="dc", sample_rate_hz=1.0, scale=1.0)
    except errors.SixpulseError as error:
        answer = error
    line = str(answer)
    assert isinstance(answer, sixpulse.Capture) or ("\n" not in line and answer.code != "sixpulse_error")


@pytest.mark.shared
@pytest.mark.skipif(not (SHARED / "captures").is_dir(), reason="the shared captures are not here")
def test_shared_captures_are_read_as_counts() -> None:
    path = SHARED / "captures" / "c0000.npz"
    roles = {"post": "charging_post", "battery": "battery_post", "sensor": "speed_sensor"}
    capture = sixpulse.read(path, roles=roles, coupling={"sensor": "dc"})
    with np.load(path) as archive:
        for name in roles:
            np.testing.assert_array_equal(capture[name].raw(), archive[name])
            assert capture[name].scale == archive[f"{name}_lsb"]
        assert capture["post"].coupling == str(archive["coupling"])
    assert capture["sensor"].coupling == "dc"
