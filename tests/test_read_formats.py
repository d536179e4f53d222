"""Formats that other libraries read: Parquet through pyarrow, COMTRADE (IEEE C37.111) through comtrade."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sixpulse
from sixpulse import errors

SHARED = Path(__file__).parents[2] / "shared"
COUNTS = np.array([[1800, -250], [1801, 250], [1799, -251]], dtype="<i2")


def parquet(path: Path, metadata: dict[str, str] | None = None, **columns: Any) -> Path:
    arrow = pytest.importorskip("pyarrow")
    tables = pytest.importorskip("pyarrow.parquet")
    tables.write_table(arrow.table(columns).replace_schema_metadata(metadata), path)
    return path


def test_parquet_by_name_and_position(tmp_path: Path) -> None:
    columns = {"time_s": np.arange(5) * 1e-3, "post (mV)": np.arange(5.0) + 14_000.0, "n": np.arange(5, dtype="i2")}
    path = parquet(tmp_path / "x.parquet", **columns)
    capture = sixpulse.read(path, roles={"post": "charging_post", 2: "other"}, scale={2: 0.5}, coupling="dc")
    assert capture.sample_rate_hz == pytest.approx(1000.0, rel=1e-12)
    assert capture["post"].values() == pytest.approx([14.0, 14.001, 14.002, 14.003, 14.004])
    assert capture["n"].raw().dtype == np.int16
    assert capture["n"].values().tolist() == [0.0, 0.5, 1.0, 1.5, 2.0]


def test_parquet_rates(tmp_path: Path) -> None:
    stated = parquet(tmp_path / "a.parquet", {"sample_rate_hz": "50000"}, post=np.ones(3))
    assert sixpulse.read(stated, roles={"post": "other"}, coupling="dc").sample_rate_hz == 50_000.0
    stamps = np.datetime64("2024-01-01T00:00:00", "us") + np.arange(3) * np.timedelta64(20, "us")
    stamped = parquet(tmp_path / "b.parquet", timestamp=stamps, post=np.ones(3))
    assert sixpulse.read(stamped, roles={"post": "other"}, coupling="dc").sample_rate_hz == pytest.approx(50_000.0)


@pytest.mark.parametrize(
    ("columns", "code"),
    [
        ({"post": [1.0, None, 3.0]}, "missing_value"),
        ({"post": ["a", "b"]}, "unsupported_format"),
        ({"post": [1, 2]}, "scale_unknown"),
        ({"post": [1.0, float("nan")]}, "non_finite"),
        ({"other": [1.0, 2.0]}, "unknown_column"),
        ({"time": [0.0, 1.0, 3.0, 4.0], "post": [1.0, 2.0, 3.0, 4.0]}, "non_uniform_time"),
    ],
)
def test_parquet_refusals(tmp_path: Path, columns: dict[str, Any], code: str) -> None:
    path = parquet(tmp_path / "x.parquet", **columns)
    with pytest.raises(errors.SixpulseError) as caught:
        sixpulse.read(path, roles={"post": "other"}, coupling="dc", sample_rate_hz=1.0)
    assert caught.value.code == code
    assert str(path) in str(caught.value)


def test_parquet_cut(tmp_path: Path) -> None:
    path = parquet(tmp_path / "x.parquet", post=np.ones(100))
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(errors.DamagedFileError):
        sixpulse.read(path, roles={"post": "other"}, coupling="dc", sample_rate_hz=1.0)


def config(form: str, rate: str = "1\n5000,3", count: int = 3) -> str:
    """Configuration file after IEEE C37.111-1999, clause 7: two analogue channels, no status channel."""
    assert str(count) in rate
    return (
        "Orchard,sprayer,1999\n2,2A,0D\n"
        "1,Post,,,V,0.0078125,0.5,0,-32767,32767,1,1,P\n"
        "2,Speed,,,mV,2.0,0.0,0,-32767,32767,1,1,P\n"
        f"50\n{rate}\n01/02/2024,10:00:00.000000\n01/02/2024,10:00:00.000000\n{form}\n1\n"
    )


def comtrade_files(folder: Path, form: str) -> Path:
    pytest.importorskip("comtrade")
    (folder / "x.cfg").write_text(config(form), newline="")
    if form == "BINARY":
        data = b"".join(struct.pack("<IIhh", i + 1, i * 200, *row) for i, row in enumerate(COUNTS.tolist()))
    else:
        rows = (f"{i + 1},{i * 200},{a},{b}\r\n" for i, (a, b) in enumerate(COUNTS.tolist()))
        data = "".join(rows).encode()
    (folder / "x.dat").write_bytes(data)
    return folder / "x.cfg"


@pytest.mark.parametrize("form", ["BINARY", "ASCII"])
def test_comtrade(tmp_path: Path, form: str) -> None:
    path = comtrade_files(tmp_path, form)
    for source in (path, path.with_suffix(".dat")):
        capture = sixpulse.read(source, roles={"Post": "charging_post", "Speed": "speed_sensor"}, coupling="dc")
        assert capture.sample_rate_hz == 5000.0
        np.testing.assert_allclose(capture["Post"].values(), COUNTS[:, 0] * 0.0078125 + 0.5, rtol=1e-15)
        np.testing.assert_allclose(capture["Speed"].values(), COUNTS[:, 1] * 2e-3, rtol=1e-15)
        if form == "BINARY":
            np.testing.assert_array_equal(capture["Post"].raw(), COUNTS[:, 0])


@pytest.mark.parametrize("form", ["BINARY", "ASCII"])
def test_comtrade_cut(tmp_path: Path, form: str) -> None:
    path = comtrade_files(tmp_path, form)
    data = path.with_suffix(".dat")
    data.write_bytes(data.read_bytes()[:-13])
    with pytest.raises(errors.DamagedFileError):
        sixpulse.read(path, roles={"Post": "other"}, coupling="dc")


def test_comtrade_refusals(tmp_path: Path) -> None:
    path = comtrade_files(tmp_path, "ASCII")
    path.with_suffix(".dat").unlink()
    with pytest.raises(errors.UnreadableFileError):
        sixpulse.read(path, roles={"Post": "other"}, coupling="dc")
    path.write_text("junk")
    path.with_suffix(".dat").write_text("junk")
    with pytest.raises(errors.DamagedFileError) as caught:
        sixpulse.read(path, roles={"Post": "other"}, coupling="dc")
    assert "\n" not in str(caught.value)


@pytest.mark.shared
@pytest.mark.skipif(not (SHARED / "data" / "comtrade").is_dir(), reason="the shared recording is not here")
def test_recorded_feeder() -> None:
    """A recorded three-phase feed; the outside fact is its 60 Hz fundamental (four cycles in the record)."""
    pytest.importorskip("comtrade")
    path = SHARED / "data" / "comtrade" / "keating_1999.CFG"
    capture = sixpulse.read(path, roles={"U1": "other", "I1": "other"}, coupling="dc")
    assert capture.sample_rate_hz == pytest.approx(30_707.244140625, rel=1e-12)
    assert (capture["U1"].unit, capture["I1"].unit) == ("V", "A")
    assert capture["U1"].duration_s == pytest.approx(2048 / 30_707.244140625)
    spectrum = np.abs(np.fft.rfft(capture["U1"].values() - capture["U1"].values().mean()))
    # The record is four cycles long, so the line stands in bin 4, to a tenth of a bin's width.
    assert np.argmax(spectrum) / capture["U1"].duration_s == pytest.approx(60.0, abs=1.5)
