"""Fleets of files: examined where they lie, or brought to the data set form; and the command line."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import fleets
import sixpulse
from captures import sprayer
from sixpulse import cli, errors, fleet

QUIET: dict[str, Any] = {"progress": False, "executor": "serial"}
ROLES: Any = {"post": "charging_post", "battery": "battery_post", "ground_speed": "speed_sensor"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four captures as files of two formats, one of them damaged, and a note."""
    path = tmp_path_factory.mktemp("files")
    (path / "monday").mkdir()
    sixpulse.write_npz(path / "monday" / "a.npz", sprayer(fault=True, count=3_000))
    sixpulse.write_npz(path / "monday" / "b.npz", sprayer(fault=False, count=3_000))
    sixpulse.write_csv(path / "c.csv", sprayer(fault=True, count=3_000))
    fleets.plain_file(path / "d.csv", "time (s),post,battery,ground_speed\n0.0,1,2,3\n0.1,oops,2,3\n")
    fleets.plain_file(path / "readme.md", "no capture")
    return path


def patterns(table: Path) -> dict[str, str | None]:
    rows = fleet.read_table(table).to_pylist()
    return {row["capture_id"]: row["rectifier_pattern"] or row["error_code"] for row in rows}


def test_a_folder_of_files(folder: Path, tmp_path: Path) -> None:
    summary = fleet.examine_dataset(folder, tmp_path / "t", roles=ROLES, reading={"coupling": "dc"}, **QUIET)
    assert summary.complete and summary.captures == 4
    assert summary.failures == {"bad_row": 1}
    found = patterns(tmp_path / "t")
    assert list(found) == ["c.csv", "d.csv", "monday/a.npz", "monday/b.npz"]
    assert found["monday/a.npz"] == found["c.csv"] == "open_diode"
    row = fleet.read_table(tmp_path / "t").to_pylist()[2]
    direct = sixpulse.examine(sixpulse.read(folder / "monday" / "a.npz", roles=ROLES))
    assert row["points_attenuation"] == direct.points.attenuation  # type: ignore[union-attr]
    assert row["contamination_ground_speed_verdict"] == direct.contamination["ground_speed"].verdict
    again = fleet.examine_dataset(folder, tmp_path / "t", roles=ROLES, reading={"coupling": "dc"}, **QUIET)
    assert again.examined == 0


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
def test_a_pipe_among_the_files_is_no_capture(tmp_path: Path) -> None:
    """Opened for reading it would wait until somebody writes."""
    (tmp_path / "s").mkdir()
    sixpulse.write_npz(tmp_path / "s" / "a.npz", sprayer(count=1_000))
    os.mkfifo(tmp_path / "s" / "b.csv")
    (tmp_path / "s" / "c.csv").symlink_to(tmp_path / "absent.csv")
    words = ["fleet", str(tmp_path / "s"), str(tmp_path / "t"), "--role", "post=charging_post"]
    # A process of its own: one that waits can be ended.
    subprocess.run([sys.executable, "-m", "sixpulse", *words], check=True, timeout=120)
    rows = {row["capture_id"]: row["error_code"] for row in fleet.read_table(tmp_path / "t").to_pylist()}
    assert rows == {"a.npz": None, "c.csv": "file_not_found"}


@pytest.mark.skipif(os.name != "posix" or sys.platform == "darwin", reason="names of bytes that are no UTF-8")
def test_a_name_that_is_no_text_stops_no_run(tmp_path: Path) -> None:
    source = tmp_path / os.fsdecode(b"s\xfe")
    source.mkdir()
    sixpulse.write_npz(source / "a.npz", sprayer(count=1_000))
    (source / os.fsdecode(b"b\xff.npz")).write_bytes((source / "a.npz").read_bytes())
    (source / os.fsdecode(b"c\xff.npz")).write_bytes(b"")
    for examined in (3, 0):
        summary = fleet.examine_dataset(source, tmp_path / "t", roles=ROLES, **QUIET)
        assert (summary.captures, summary.examined) == (3, examined)
        rows = {row["capture_id"]: row["error_code"] for row in fleet.read_table(tmp_path / "t").to_pylist()}
        assert rows == {"a.npz": None, "b\\xff.npz": None, "c\\xff.npz": "empty_file"}


def test_a_name_that_is_no_captures_is_said(folder: Path, tmp_path: Path) -> None:
    for source in (folder / "readme.md", folder / "*.md"):
        with pytest.raises(errors.FileMissingError, match=r"readme\.md: no capture there; .*\.csv, .*\.wav"):
            fleet.examine_dataset(source, tmp_path / "t", roles=ROLES, **QUIET)


def test_a_file_more_disturbs_its_own_unit_alone(tmp_path: Path) -> None:
    source = tmp_path / "s"
    source.mkdir()
    capture = sprayer(count=1_000)
    for n in range(40):
        sixpulse.write_npz(source / f"{n:03d}.npz", capture)
    first = fleet.examine_dataset(source, tmp_path / "t", roles=ROLES, **QUIET)
    assert first.units > 2
    sixpulse.write_npz(source / "0205.npz", capture)
    second = fleet.examine_dataset(source, tmp_path / "t", roles=ROLES, **QUIET)
    assert second.captures == 41
    assert second.units_found >= first.units - 1


def test_a_table_says_what_is_known_of_each_file(folder: Path, tmp_path: Path) -> None:
    listed = fleets.plain_file(
        tmp_path / "captures.csv",
        "path,capture_id,vehicle,electrical_hz,battery_temperature_c\n"
        "monday/a.npz,first,tractor-1,200.0,35\nc.csv,second,tractor-2,,\nabsent.csv,third,tractor-2,,\n",
    )
    given: dict[str, Any] = {"roles": ROLES, "reading": {"coupling": "dc"}, "captures": listed, **QUIET}
    fleet.examine_dataset(folder, tmp_path / "t", **given)
    rows = {row["capture_id"]: row for row in fleet.read_table(tmp_path / "t").to_pylist()}
    assert list(rows) == ["first", "second", "third"]
    assert rows["third"]["error_code"] == "file_not_found"
    assert rows["first"]["vehicle"] == "tractor-1" and rows["first"]["level_temperature_c"] == 35.0
    assert rows["first"]["parameters_json"] != rows["second"]["parameters_json"], "the frequency was known of one"
    # A file that was not there is looked for again, by its unit alone.
    sixpulse.write_csv(folder / "absent.csv", sprayer(count=3_000))
    try:
        found = fleet.examine_dataset(folder, tmp_path / "t", **given)
        assert found.failed == 0 and found.captures == 3
    finally:
        (folder / "absent.csv").unlink()
    # What is known of a file decides its row, also where the files are as they were.
    fleets.plain_file(listed, "path,capture_id,vehicle\nmonday/a.npz,first,tractor-9\n")
    fleet.examine_dataset(folder, tmp_path / "t", existing="replace", **given)
    assert fleet.read_table(tmp_path / "t")["vehicle"].to_pylist() == ["tractor-9"]
    fleets.plain_file(listed, "path,capture_id,vehicle\nmonday/a.npz,first,tractor-8\n")
    assert fleet.examine_dataset(folder, tmp_path / "t", **given).examined == 1
    # The same table in memory, as a data frame library would hand it over.
    columns = pa.table({"path": ["c.csv"], "capture_id": ["only"]})
    summary = fleet.examine_dataset(folder, tmp_path / "u", **{**given, "captures": columns})
    assert summary.captures == 1


@pytest.mark.parametrize(
    ("change", "parameter"),
    [
        ({"roles": None}, "roles"),
        ({"captures": pa.table({"file": ["c.csv"]})}, "captures"),
        ({"captures": pa.table({"path": ["c.csv", "c.csv"]})}, "captures"),
        ({"captures": pa.table({"path": pa.array([], pa.string())})}, "captures"),
        ({"captures": 3}, "captures"),
    ],
)
def test_refused(change: dict[str, Any], parameter: str, folder: Path, tmp_path: Path) -> None:
    with pytest.raises(errors.SixpulseError) as caught:
        fleet.examine_dataset(folder, tmp_path / "t", **{"roles": ROLES, **QUIET, **change})
    assert caught.value.parameter == parameter


def test_convert_keeps_everything(folder: Path, tmp_path: Path) -> None:
    captures = {"path": ["monday/a.npz", "d.csv", "monday/b.npz", "c.csv"], "site": ["north", "north", "south", "east"]}
    made = fleet.convert(
        folder, tmp_path / "s", roles=ROLES, captures=captures, reading={"coupling": "dc"}, row_group_bytes=50_000
    )
    # Counts (NPZ) and volts (CSV) are columns of different types, hence files of their own.
    assert (made.captures, made.files, made.failures) == (4, 2, {"bad_row": 1})
    fleet.examine_dataset(tmp_path / "s", tmp_path / "converted", **QUIET)
    fleet.examine_dataset(
        folder, tmp_path / "direct", roles=ROLES, captures=captures, reading={"coupling": "dc"}, **QUIET
    )
    converted = {row["capture_id"]: row for row in fleet.read_table(tmp_path / "converted").to_pylist()}
    direct = {row["capture_id"]: row for row in fleet.read_table(tmp_path / "direct").to_pylist()}
    assert set(converted) == set(direct)
    for identity, row in direct.items():
        same = {name: converted[identity][name] for name in row}
        assert same == row, identity
    file = pq.ParquetFile(tmp_path / "s" / "captures-00000.parquet")
    assert file.schema_arrow.field("post").type == pa.list_(pa.int16()), "counts stay counts"
    assert file.num_row_groups == 2, "the unit of work has the size asked for"


def test_convert_refuses(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(errors.InvalidCombinationError, match="not empty"):
        fleet.convert(folder, folder, roles=ROLES)
    with pytest.raises(errors.InvalidCombinationError, match="row_group_bytes"):
        fleet.convert(folder, tmp_path / "s", roles=ROLES, row_group_bytes=0)
    with pytest.raises(errors.UnwritableFileError):
        fleet.convert(folder, folder / "c.csv" / "s", roles=ROLES)
    with pytest.raises(errors.BadRowError):
        fleet.convert(folder / "d.csv", tmp_path / "u", roles=ROLES, reading={"coupling": "dc"})
    assert not list((tmp_path / "u").iterdir()), "nothing by halves"


def test_samples_survive_conversion_to_the_bit(tmp_path: Path) -> None:
    capture = sprayer(count=5_000)
    (tmp_path / "f").mkdir()
    sixpulse.write_npz(tmp_path / "f" / "a.npz", capture)
    fleet.convert(tmp_path / "f", tmp_path / "s")
    row = pq.read_table(tmp_path / "s").to_pylist()[0]
    for name, trace in capture.items():
        np.testing.assert_array_equal(np.array(row[name], trace.raw().dtype), trace.raw())
        assert row[f"{name}_scale"] == trace.scale


# The command line -----------------------------------------------------------------------------------------------------


def test_command_line(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    roles = [word for column, role in ROLES.items() for word in ("--role", f"{column}={role}")]
    command = ["fleet", str(folder), str(tmp_path / "t"), *roles, "--coupling", "dc", "--executor", "serial"]
    assert cli.main(command) == 0
    out, err = capsys.readouterr()
    assert out.startswith("4 captures: 4 examined at ") and "1 failed (1 bad_row)" in out
    assert err == ""
    assert cli.main(command) == 0
    assert "0 examined, 4 were there" in capsys.readouterr().out


def test_command_line_on_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["fleet", str(tmp_path / "absent"), str(tmp_path / "t")]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert cli.main(["fleet", str(tmp_path), str(tmp_path / "t"), "--role", "post"]) == 2
    assert "COLUMN=ROLE" in capsys.readouterr().err
    (tmp_path / "files").mkdir()
    fleets.plain_file(tmp_path / "files" / "a.csv", "a,b\n1,2\n")
    for words in (["--role", "a=gearbox"], ["--role", "a=other", "--captures", str(tmp_path)],
                  ["--role", "a=other", "--captures", fleets.plain_file(tmp_path / "rubbish.csv", "path\n\x1b[31m,\n")],
                  ["--role", "a=other", "--captures", str(tmp_path / "absent.csv")]):  # fmt: skip
        assert cli.main(["fleet", str(tmp_path / "files"), str(tmp_path / "t"), *map(str, words)]) == 2
        err = capsys.readouterr().err
        assert err.count("\n") == 1 and "\x1b" not in err and "damaged Parquet" not in err
        known = r"gearbox.*unknown_name|folder.*is_directory|CSV.*damaged_file|absent.*file_not_found"
        assert re.search(known, err), err
        assert not (tmp_path / "t").exists()
    source = fleets.dataset(tmp_path / "s", count=2)
    (source / "week-1.parquet").write_bytes(b"PAR1 and no more")
    assert cli.main(["fleet", str(source), str(tmp_path / "t"), "--executor", "serial"]) == 2
    out, err = capsys.readouterr()
    assert out.startswith("2 captures")
    assert err.count("\n") == 1 and "week-1.parquet" in err and err.endswith("]\n")
