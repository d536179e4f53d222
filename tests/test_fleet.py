"""Fleets: one row for each capture, the same table from every executor, and what a run survives."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import fleets
import sixpulse
from sixpulse import errors, fleet

QUIET: dict[str, Any] = {"progress": False, "executor": "serial"}


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """16 captures in two files of two row groups each."""
    return fleets.dataset(tmp_path_factory.mktemp("source"))


@pytest.fixture(scope="module")
def table(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The table of that source."""
    folder = tmp_path_factory.mktemp("table")
    summary = fleet.examine_dataset(source, folder, **QUIET)
    assert summary.complete and summary.captures == summary.examined == 16 and summary.units == 4
    return folder


def test_a_row_says_what_examine_says(source: Path, table: Path) -> None:
    rows = fleet.read_table(table).to_pylist()
    stored = pq.read_table(source).to_pylist()
    assert [row["capture_id"] for row in rows] == [one["capture_id"] for one in stored]
    for row, one in list(zip(rows, stored, strict=True))[:3]:
        common = {"sample_rate_hz": one["sample_rate_hz"], "coupling": one["coupling"]}
        traces = {
            role: sixpulse.Trace(np.array(one[role], np.float32), role=role, **common)  # type: ignore[arg-type]
            for role in ("charging_post", "speed_sensor")
        }
        found = sixpulse.examine(sixpulse.Capture(traces))
        assert row["error_code"] is None
        assert row["vehicle"] == one["vehicle"], "what is no trace is carried over"
        assert row["ripple_peak_to_peak_v"] == found.ripple.peak_to_peak_v  # type: ignore[union-attr]
        assert row["cycle_electrical_hz"] == found.cycle.electrical_hz
        assert row["cycle_order_amplitudes_v_06"] == found.cycle.order_amplitudes_v[5]
        assert row["rectifier_pattern"] == found.rectifier.pattern
        assert row["rectifier_probabilities_open_diode"] == found.rectifier.probabilities["open_diode"]
        assert row["contamination_speed_sensor_verdict"] == found.contamination["speed_sensor"].verdict
        assert row["contamination_speed_sensor_gain_v_per_v"] == found.contamination["speed_sensor"].gain_v_per_v
        assert row["quality_issue_codes"] == [issue.code for issue in found.quality.issues]
        assert row["finding_codes"] == [finding.code for finding in found.findings]
        assert json.loads(row["parameters_json"]) == found.parameters
        assert row["library_version"] == found.library_version


def test_the_parts_are_one_data_set_for_any_reader(table: Path) -> None:
    whole = pq.read_table(table)  # passes over names that begin with an underscore
    assert whole.replace_schema_metadata().equals(fleet.read_table(table))
    assert fleet.read_table(table, columns=["rectifier_pattern"]).column_names == ["rectifier_pattern"]
    with pytest.raises(errors.UnknownColumnError):
        fleet.read_table(table, columns=["colour"])
    with pytest.raises(errors.FileMissingError):
        fleet.read_table(table.parent / "absent")


def test_nothing_is_nan(table: Path) -> None:
    for column in fleet.read_table(table).columns:
        if pa.types.is_floating(column.type):
            assert np.isfinite(column.drop_null().to_numpy()).all()


@pytest.mark.parametrize("executor", ["threads", "processes"])
def test_the_same_bytes_from_every_executor(executor: Any, source: Path, table: Path, tmp_path: Path) -> None:
    summary = fleet.examine_dataset(source, tmp_path / "t", executor=executor, workers=2, progress=False)
    assert summary.examined == 16
    assert fleets.parts(tmp_path / "t") == fleets.parts(table)


def test_an_executor_from_outside_stays_open(source: Path, table: Path, tmp_path: Path) -> None:
    with ThreadPoolExecutor(2) as pool:
        fleet.examine_dataset(source, tmp_path / "t", executor=pool, in_flight=1, progress=False)
        assert pool.submit(int, "3").result() == 3
    assert fleets.parts(tmp_path / "t") == fleets.parts(table)


def test_the_manifest(table: Path) -> None:
    manifest = fleet.read_manifest(table)
    assert manifest is not None
    assert manifest["complete"] is True
    assert manifest["captures"] == 16 and manifest["failed"] == 0 and manifest["unreadable"] == []
    assert manifest["versions"]["sixpulse"] == sixpulse.__version__
    assert manifest["versions"]["pyarrow"] == pa.__version__
    assert manifest["settings"]["circuits"] == ["speed_sensor"]
    assert sorted(unit["part"] for unit in manifest["units"]) == list(fleets.parts(table))
    assert not list(table.glob("_running-*"))


# Resuming -------------------------------------------------------------------------------------------------------------


def times(folder: Path) -> dict[str, int]:
    return {path.name: path.stat().st_mtime_ns for path in folder.glob("part-*")}


def test_nothing_is_done_twice(source: Path, tmp_path: Path) -> None:
    fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    before = times(tmp_path / "t")
    again = fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    assert (again.examined, again.units_found, again.captures) == (0, 4, 16)
    assert times(tmp_path / "t") == before
    # The same bytes under a new modification time are read and hashed, not examined.
    for path in source.glob("*.parquet"):
        os.utime(path)
    assert fleet.examine_dataset(source, tmp_path / "t", **QUIET).units_found == 4
    # Without a manifest too.
    (tmp_path / "t" / "_manifest.json").unlink()
    assert fleet.examine_dataset(source, tmp_path / "t", **QUIET).units_found == 4
    assert times(tmp_path / "t") == before


def test_only_what_changed_is_done_again(tmp_path: Path) -> None:
    source = fleets.dataset(tmp_path / "s")
    fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    fleets.write(source / "week-1.parquet", fleets.rows(12, first=8))  # the third row group is new
    fleets.write(source / "alpha.parquet", fleets.rows(4, first=100))  # sorts before all others
    summary = fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    assert (summary.units, summary.units_found, summary.examined) == (6, 4, 8)
    (source / "alpha.parquet").unlink()
    assert fleet.examine_dataset(source, tmp_path / "t", **QUIET).captures == 20
    assert pq.read_table(tmp_path / "t").num_rows == 20, "parts of a file that is gone are gone"


def test_a_changed_sample_is_seen(tmp_path: Path) -> None:
    columns = fleets.rows(4)
    path = fleets.write(tmp_path / "s" / "a.parquet", columns)
    fleet.examine_dataset(path, tmp_path / "t", **QUIET)
    posts = columns["charging_post"].to_pylist()
    posts[2][1500] += 0.25
    fleets.write(path, columns | {"charging_post": pa.array(posts, pa.list_(pa.float32()))})
    assert fleet.examine_dataset(path, tmp_path / "t", **QUIET).examined == 4


def test_a_damaged_part_is_made_again(source: Path, table: Path, tmp_path: Path) -> None:
    shutil.copytree(table, tmp_path / "t")
    name, content = next(iter(fleets.parts(table).items()))
    (tmp_path / "t" / name).write_bytes(content[: len(content) // 2])
    assert fleet.examine_dataset(source, tmp_path / "t", **QUIET).examined == 4
    assert fleets.parts(tmp_path / "t") == fleets.parts(table)


def test_other_settings_are_refused_or_replace(source: Path, table: Path, tmp_path: Path) -> None:
    shutil.copytree(table, tmp_path / "t")
    other: dict[str, Any] = {"machine": sixpulse.Machine(pole_pairs=6), **QUIET}
    with pytest.raises(errors.InvalidCombinationError, match="known"):
        fleet.examine_dataset(source, tmp_path / "t", **other)
    assert fleets.parts(tmp_path / "t") == fleets.parts(table)
    (tmp_path / "t" / "_manifest.json").unlink()
    with pytest.raises(errors.InvalidCombinationError, match="other settings"):
        fleet.examine_dataset(source, tmp_path / "t", **other)
    summary = fleet.examine_dataset(source, tmp_path / "t", existing="replace", **other)
    assert summary.examined == 16
    assert not set(fleets.parts(tmp_path / "t")) & set(fleets.parts(table))


def test_what_is_known_of_all_and_of_each_reaches_the_analysis(tmp_path: Path) -> None:
    columns = fleets.rows(2, engine_rpm=[900.0, None], pole_pairs=[6, None], pulley_ratio=[2.5, None])
    path = fleets.write(tmp_path / "a.parquet", columns | {"electrical_hz": pa.array([None, 200.0], pa.float64())})
    fleet.examine_dataset(path, tmp_path / "t", **QUIET)
    first, second = (json.loads(row["parameters_json"]) for row in fleet.read_table(tmp_path / "t").to_pylist())
    post = sixpulse.Trace(
        columns["charging_post"][0].values.to_numpy(), sample_rate_hz=5e4, coupling="dc", role="charging_post"
    )
    capture = sixpulse.Capture({"post": post}, engine_rpm=900.0)
    informed = sixpulse.examine(capture, machine=sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5))
    assert first == informed.parameters
    assert second == sixpulse.examine(sixpulse.Capture({"post": post}), electrical_hz=200.0).parameters
    assert first != second


# What goes wrong in a source ------------------------------------------------------------------------------------------


def codes(folder: Path) -> dict[str, str | None]:
    rows = fleet.read_table(folder, columns=["capture_id", "error_code"]).to_pylist()
    return {row["capture_id"]: row["error_code"] for row in rows}


def test_a_capture_that_fails_costs_its_own_row(tmp_path: Path) -> None:
    columns = fleets.rows(8)
    posts = columns["charging_post"].to_pylist()
    posts[1][7] = float("nan")
    posts[2][7] = None
    posts[3] = posts[3][:100]
    posts[4] = None
    sensors = columns["speed_sensor"].to_pylist()
    sensors[4] = None
    wrong = {
        "charging_post": pa.array(posts, pa.list_(pa.float32())),
        "speed_sensor": pa.array(sensors, pa.list_(pa.float32())),
        "coupling": ["dc", "dc", "dc", "dc", "dc", "wet", None, "dc"],
    }
    path = fleets.write(tmp_path / "a.parquet", columns | wrong)
    summary = fleet.examine_dataset(path, tmp_path / "t", **QUIET)
    expected = [None, "non_finite", "missing_value", "length_mismatch", "empty_input", "unknown_name", "missing_value"]
    assert list(codes(tmp_path / "t").values()) == [*expected, None]
    assert summary.complete and summary.captures == 8 and summary.failed == 6
    assert summary.failures == {code: expected.count(code) for code in sorted({c for c in expected if c})}
    failed = fleet.read_table(tmp_path / "t").to_pylist()[1]
    assert failed["ripple_rms_v"] is None and failed["rectifier_pattern"] is None
    assert failed["error_text"] and failed["vehicle"] == "tractor-1"


def test_an_error_the_library_did_not_mean_costs_one_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sixpulse.fleet import batch  # noqa: PLC0415

    real, calls = batch._core.examine, iter(range(8))

    class PanicException(BaseException):
        """What a panic of the core is in Python: no Exception."""

    def poisonous(*arguments: Any) -> Any:
        if next(calls) == 2:
            raise PanicException("index out of bounds")
        return real(*arguments)

    monkeypatch.setattr(batch._core, "examine", poisonous)
    path = fleets.write(tmp_path / "a.parquet", fleets.rows(4))
    fleet.examine_dataset(path, tmp_path / "t", **QUIET)
    assert list(codes(tmp_path / "t").values()) == [None, None, "internal_error", None]


def test_a_truncated_file_costs_that_file(tmp_path: Path) -> None:
    source = fleets.dataset(tmp_path / "s")
    path = source / "week-0.parquet"
    path.write_bytes(path.read_bytes()[:-1000])
    summary = fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    assert not summary.complete and summary.captures == 8
    assert [one.code for one in summary.unreadable] == ["damaged_file"]
    assert summary.unreadable[0].place == str(path)
    manifest = fleet.read_manifest(tmp_path / "t")
    assert manifest is not None and manifest["complete"] is False
    # Mended, it is all that is left to do.
    fleets.dataset(tmp_path / "s")
    assert fleet.examine_dataset(source, tmp_path / "t", **QUIET).examined == 8
    path.write_bytes(b"PAR1")
    with pytest.raises(errors.DamagedFileError):
        fleet.examine_dataset(path, tmp_path / "u", **QUIET)


def test_damage_inside_a_row_group_keeps_its_rows(tmp_path: Path) -> None:
    path = fleets.write(tmp_path / "a.parquet", fleets.rows(40), rows_a_group=40)
    chunk = pq.read_metadata(path).row_group(0).column(5)
    assert chunk.path_in_schema.startswith("speed_sensor")
    content = bytearray(path.read_bytes())
    place = chunk.data_page_offset + chunk.total_compressed_size // 2
    content[place : place + 4096] = os.urandom(4096)
    path.write_bytes(bytes(content))
    summary = fleet.examine_dataset(path, tmp_path / "t", **QUIET)
    assert summary.captures == 40 and summary.complete
    assert set(summary.failures) == {"damaged_file"}
    found = codes(tmp_path / "t")
    assert list(found) == [f"orchard-{n:04d}" for n in range(40)]


def test_a_row_group_without_a_readable_row_is_told(tmp_path: Path) -> None:
    source = fleets.dataset(tmp_path / "s")
    path = source / "week-1.parquet"
    metadata = pq.read_metadata(path).row_group(1)
    content = bytearray(path.read_bytes())
    for i in range(metadata.num_columns):
        chunk = metadata.column(i)
        if chunk.path_in_schema == "vehicle":
            start = chunk.dictionary_page_offset
            content[start : start + chunk.total_compressed_size] = b"\xff" * chunk.total_compressed_size
    path.write_bytes(bytes(content))
    summary = fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    assert summary.captures == 12 and not summary.complete
    assert [(one.code, one.rows) for one in summary.unreadable] == [("damaged_file", 4)]
    assert "row group 1" in summary.unreadable[0].place


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"capture_id": None}, "capture_id"),
        ({"capture_id": [1, 2]}, "must be a string"),
        ({"sample_rate_hz": None}, "sample_rate_hz"),
        ({"charging_post": [1.0, 2.0]}, "samples are a list"),
        ({"charging_post": pa.array([["a"], ["b"]])}, "samples are a list"),
        ({"charging_post": None, "speed_sensor": None}, "no column has a role"),
    ],
)
def test_wrong_schema(change: dict[str, Any], word: str, tmp_path: Path) -> None:
    columns = {name: values for name, values in (fleets.rows(2) | change).items() if values is not None}
    path = fleets.write(tmp_path / "s" / "a.parquet", columns)
    with pytest.raises(errors.DatasetSchemaError, match=word):
        fleet.examine_batch(pa.table(columns).to_batches()[0])
    with pytest.raises(errors.DatasetSchemaError, match=word):
        fleet.examine_dataset(path, tmp_path / "t", **QUIET)
    # Beside a file that is as it should be it costs itself alone.
    fleets.write(tmp_path / "s" / "b.parquet", fleets.rows(4, first=10))
    summary = fleet.examine_dataset(tmp_path / "s", tmp_path / "u", **QUIET)
    assert summary.captures == 4
    assert [one.code for one in summary.unreadable] == ["wrong_schema"]


def test_the_common_layout_decides_whose_columns_are_wrong(tmp_path: Path) -> None:
    fleets.write(tmp_path / "s" / "a.parquet", fleets.rows(2, site=pa.array([["x"], ["y"]])))
    fleets.write(tmp_path / "s" / "b.parquet", fleets.rows(2, first=2, site=["north", "south"]))
    fleets.write(tmp_path / "s" / "c.parquet", fleets.rows(2, first=4, site=["north", None]))
    fleets.write(tmp_path / "s" / "d.parquet", fleets.rows(2, first=6))
    summary = fleet.examine_dataset(tmp_path / "s", tmp_path / "t", **QUIET)
    assert [Path(one.place).name for one in summary.unreadable] == ["a.parquet"]
    assert fleet.read_table(tmp_path / "t")["site"].to_pylist() == ["north", "south", "north", None, None, None]


def test_a_column_named_like_one_of_the_table_is_refused(tmp_path: Path) -> None:
    path = fleets.write(tmp_path / "a.parquet", fleets.rows(2, rectifier_pattern=["healthy", "healthy"]))
    with pytest.raises(errors.InvalidCombinationError, match="rectifier_pattern"):
        fleet.examine_dataset(path, tmp_path / "t", **QUIET)


def test_mixed_sample_rates(tmp_path: Path) -> None:
    columns = fleets.rows(3, sample_rate_hz=[50_000.0, 25_000.0, -1.0])
    path = fleets.write(tmp_path / "a.parquet", columns)
    fleet.examine_dataset(path, tmp_path / "t", **QUIET)
    rows = fleet.read_table(tmp_path / "t").to_pylist()
    assert rows[0]["cycle_electrical_hz"] == pytest.approx(200.0, rel=0.01)
    # The same samples at half the rate are half the frequency.
    assert rows[1]["cycle_electrical_hz"] == pytest.approx(100.0, rel=0.01)
    assert rows[2]["error_code"] == "out_of_range"


def test_an_empty_row_group(tmp_path: Path) -> None:
    table = pa.table(fleets.rows(4))
    (tmp_path / "s").mkdir()
    with pq.ParquetWriter(tmp_path / "s" / "a.parquet", table.schema) as writer:
        writer.write_table(table.slice(0, 2))
        writer.write_table(table.slice(0, 0))
        writer.write_table(table.slice(2, 2))
    pq.write_table(table.slice(0, 0), tmp_path / "s" / "b.parquet")
    summary = fleet.examine_dataset(tmp_path / "s", tmp_path / "t", **QUIET)
    assert summary.complete and summary.captures == 4
    assert list(codes(tmp_path / "t")) == [f"orchard-{n:04d}" for n in range(4)]


def test_duplicate_ids(tmp_path: Path) -> None:
    source = tmp_path / "s"
    fleets.write(source / "a.parquet", fleets.rows(4))
    fleets.write(source / "b.parquet", fleets.rows(4, first=3))
    fleets.write(source / "c.parquet", fleets.rows(2, first=20, capture_id=["x", None]))
    with pytest.raises(errors.DuplicateIdsError, match="orchard-0003") as caught:
        fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    assert caught.value.count == 1
    assert not list((tmp_path / "t").glob("part-*")), "no work before that is settled"
    summary = fleet.examine_dataset(source, tmp_path / "t", duplicate_ids="mark", **QUIET)
    assert summary.failures == {"duplicate_capture_id": 2, "missing_value": 1}
    # Once it is unique, its two units are done again, the third is not.
    fleets.write(source / "b.parquet", fleets.rows(4, first=4))
    again = fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    assert again.failures == {"missing_value": 1} and again.units_found == 1


def test_partitions_globs_and_hidden_files(tmp_path: Path) -> None:
    columns = {name: values for name, values in fleets.rows(2).items() if name != "vehicle"}
    for n, vehicle in enumerate(("tractor%201", "tractor 2")):
        ids = [f"{vehicle}-{k}" for k in range(2)]
        fleets.write(tmp_path / f"s/vehicle={vehicle}/{n}.parquet", columns | {"capture_id": ids})
    fleets.plain_file(tmp_path / "s" / "_notes.txt", "not a capture")
    fleets.plain_file(tmp_path / "s" / ".hidden.parquet", "not one either")
    fleet.examine_dataset(tmp_path / "s", tmp_path / "t", **QUIET)
    assert fleet.read_table(tmp_path / "t")["vehicle"].to_pylist() == ["tractor 2"] * 2 + ["tractor 1"] * 2
    one = fleet.examine_dataset(str(tmp_path / "s" / "*" / "1.parquet"), tmp_path / "u", **QUIET)
    assert one.captures == 2
    with pytest.raises(errors.FileMissingError):
        fleet.examine_dataset(tmp_path / "absent", tmp_path / "v", **QUIET)


def test_counts_with_scale_and_other_list_types(tmp_path: Path) -> None:
    columns = fleets.rows(2)
    volts = [np.array(post) for post in columns["charging_post"].to_pylist()]
    counts = pa.array([np.round((v - 12.0) / 0.001).astype(np.int16) for v in volts], pa.large_list(pa.int16()))
    fixed = pa.array(columns["speed_sensor"].to_pylist(), pa.list_(pa.float64(), fleets.COUNT))
    scaled = {"charging_post": counts, "charging_post_scale": [0.001] * 2, "charging_post_offset": [12.0] * 2}
    batch = pa.table(columns | scaled | {"speed_sensor": fixed}).to_batches()[0]
    made, plain = fleet.examine_batch(batch), fleet.examine_batch(pa.table(columns).to_batches()[0])
    assert made["error_code"].to_pylist() == [None, None]
    assert "charging_post_scale" not in made.schema.names
    # Half a count is 0.5 mV, and every figure here is of tenths of a volt.
    for name in ("level_mean_v", "ripple_rms_v"):
        np.testing.assert_allclose(made[name].to_numpy(), plain[name].to_numpy(), atol=5e-4)
    # A batch that is a slice of a larger one gives the rows of the slice.
    assert fleet.examine_batch(batch.slice(1)).equals(made.slice(1))
    # The scale may stand in the schema too; without one counts are refused.
    field = pa.field("charging_post", counts.type, metadata={"sixpulse.scale": "0.001", "sixpulse.offset": "12"})
    bare = {"capture_id": ["a", "b"], "sample_rate_hz": [5e4] * 2, "coupling": ["dc"] * 2, "charging_post": counts}
    stated = pa.schema([*[*pa.table(bare).schema][:3], field])
    assert fleet.examine_batch(pa.table(bare, schema=stated).to_batches()[0])["level_mean_v"].equals(
        made["level_mean_v"]
    )
    refused = fleet.examine_batch(pa.table(bare).to_batches()[0])
    assert refused["error_code"].to_pylist() == ["missing_scale"] * 2


def test_roles_of_other_names(tmp_path: Path) -> None:
    columns = fleets.rows(2)
    columns["wheel"] = columns.pop("speed_sensor")
    batch = pa.table(columns).to_batches()[0]
    assert fleet.examine_batch(batch).schema.names[4] == "wheel", "a list without a role is carried over"
    made = fleet.examine_batch(batch, roles={"wheel": "edge_sensor"})
    assert made["contamination_wheel_verdict"].to_pylist()[0] in {"contaminated", "clean", "undetermined"}
    assert made.schema.equals(fleet.batch_schema(batch.schema, roles={"wheel": "edge_sensor"}))
    with pytest.raises(errors.DatasetSchemaError, match="colour"):
        fleet.examine_batch(batch, roles={"colour": "other"})


# What goes wrong with the destination ---------------------------------------------------------------------------------


def test_unwritable_destination(source: Path, tmp_path: Path) -> None:
    blocked = fleets.plain_file(tmp_path / "file", "in the way") / "t"
    with pytest.raises(errors.UnwritableFileError):
        fleet.examine_dataset(source, blocked, **QUIET)
    if os.geteuid() != 0:
        locked = tmp_path / "locked"
        locked.mkdir(mode=0o500)
        with pytest.raises(errors.UnwritableFileError):
            fleet.examine_dataset(source, locked, **QUIET)


FULL = """
import resource, signal, sys
from sixpulse import errors, fleet
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, resource.RLIM_INFINITY))
try:
    fleet.examine_dataset(sys.argv[1], sys.argv[2], progress=False, executor=sys.argv[3])
except errors.UnwritableFileError as error:
    print(error.code, "part-" in error.path)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files there")
def test_full_destination(source: Path, table: Path, tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk: the write fails half-way in either case."""
    folder = tmp_path / "t"
    run = subprocess.run(
        [sys.executable, "-c", FULL, str(source), str(folder), "threads"], capture_output=True, text=True, check=False
    )
    assert run.stdout.split() == ["unwritable_file", "True"], run.stderr
    assert {path.name for path in folder.iterdir()} <= {"_lock", "_manifest.json"}, "nothing by halves"
    assert fleet.examine_dataset(source, folder, **QUIET).examined == 16
    assert fleets.parts(folder) == fleets.parts(table)


def test_destination_in_the_source_or_in_use_for_other_things(source: Path, tmp_path: Path) -> None:
    for folder in (source, source / "table"):
        with pytest.raises(errors.InvalidCombinationError, match="source"):
            fleet.examine_dataset(source, folder, **QUIET)
    fleets.write(tmp_path / "t" / "captures.parquet", fleets.rows(1))
    with pytest.raises(errors.InvalidCombinationError, match="no part"):
        fleet.examine_dataset(source, tmp_path / "t", **QUIET)


def test_two_runs_into_one_destination(source: Path, table: Path, tmp_path: Path) -> None:
    refused: list[str] = []

    def second(progress: fleet.Progress) -> None:
        if not refused:
            with pytest.raises(errors.DestinationBusyError) as caught:
                fleet.examine_dataset(source, tmp_path / "t", **QUIET)
            refused.append(caught.value.code)
            other = subprocess.run(
                [sys.executable, "-m", "sixpulse", "fleet", str(source), str(tmp_path / "t")],
                capture_output=True,
                text=True,
                check=False,
            )
            refused.append(other.stderr.strip())
            assert other.returncode == 2

    fleet.examine_dataset(source, tmp_path / "t", executor="serial", progress=second)
    assert refused[0] == "destination_busy" and "another run" in refused[1]
    assert fleets.parts(tmp_path / "t") == fleets.parts(table)


# Workers that die, and runs that are killed ---------------------------------------------------------------------------


def test_a_worker_killed_within_a_unit(source: Path, table: Path, tmp_path: Path) -> None:
    (tmp_path / "kills").mkdir()

    def pool() -> Any:
        made = ProcessPoolExecutor(2, mp_context=get_context("spawn"))
        return fleets.KillingPool(made, counter=tmp_path / "kills", times=1)

    summary = fleet.examine_dataset(source, tmp_path / "t", executor=pool, progress=False)
    assert len(list((tmp_path / "kills").iterdir())) == 1, "a worker was killed"
    assert summary.complete and summary.failed == 0
    assert fleets.parts(tmp_path / "t") == fleets.parts(table)


def test_a_capture_that_kills_its_worker_costs_one_row(tmp_path: Path) -> None:
    source = fleets.write(tmp_path / "a.parquet", fleets.rows(6), rows_a_group=3)

    def pool() -> Any:
        made = ProcessPoolExecutor(1, mp_context=get_context("fork" if sys.platform == "linux" else "spawn"))
        return fleets.KillingPool(made, identity="orchard-0004")

    summary = fleet.examine_dataset(source, tmp_path / "t", executor=pool, in_flight=1, progress=False)
    assert summary.complete and summary.failures == {"worker_lost": 1}
    found = codes(tmp_path / "t")
    assert found.pop("orchard-0004") == "worker_lost"
    assert set(found.values()) == {None}


def test_a_broken_pool_from_outside_keeps_what_is_done(source: Path, tmp_path: Path) -> None:
    (tmp_path / "kills").mkdir()
    fleet.examine_dataset(source / "week-0.parquet", tmp_path / "t", **QUIET)
    done = fleets.parts(tmp_path / "t")
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as made:
        pool: Any = fleets.KillingPool(made, counter=tmp_path / "kills", times=99)
        with pytest.raises(errors.WorkersLostError):
            fleet.examine_dataset(source, tmp_path / "t", executor=pool, progress=False)
    assert fleets.parts(tmp_path / "t").items() >= done.items()
    manifest = fleet.read_manifest(tmp_path / "t")
    assert manifest is not None and manifest["complete"] is False
    assert fleet.examine_dataset(source, tmp_path / "t", **QUIET).complete


def started(arguments: list[str], folder: Path, parts: int = 1) -> subprocess.Popen[str]:
    """Start a run and wait until it has finished some parts."""
    run = subprocess.Popen(
        [sys.executable, "-m", "sixpulse", "fleet", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    deadline = time.monotonic() + 60.0
    while len(list(folder.glob("part-*"))) < parts:
        assert run.poll() is None, run.communicate()
        assert time.monotonic() < deadline
        time.sleep(0.01)
    return run


@pytest.fixture(scope="module")
def long_source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """100 captures in 50 units: enough for a run that a signal meets."""
    return fleets.dataset(tmp_path_factory.mktemp("long"), files=1, count=100, rows_a_group=2)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of Unix")
@pytest.mark.parametrize("executor", ["threads", "processes"])
def test_an_interrupt_leaves_a_state_to_resume_from(executor: str, long_source: Path, tmp_path: Path) -> None:
    folder = tmp_path / "t"
    run = started([str(long_source), str(folder), "--executor", executor], folder)
    # A terminal sends Ctrl-C to the whole process group.
    os.killpg(run.pid, signal.SIGINT)
    out, err = run.communicate(timeout=60)
    assert run.returncode == 130, (out, err)
    assert "run it again to go on" in err
    assert "Traceback" not in err
    done = len(fleets.parts(folder))
    assert 0 < done < 50
    assert not [path for path in folder.iterdir() if path.name.startswith((".part", "_running"))]
    manifest = fleet.read_manifest(folder)
    assert manifest is not None and manifest["complete"] is False and len(manifest["units"]) == done
    summary = fleet.examine_dataset(long_source, folder, progress=False)
    assert summary.complete and summary.units_found == done and summary.examined == 100 - 2 * done


@pytest.mark.skipif(sys.platform == "win32", reason="signals of Unix")
def test_a_killed_run_loses_only_units_in_flight(long_source: Path, tmp_path: Path) -> None:
    folder = tmp_path / "t"
    run = started([str(long_source), str(folder)], folder, parts=3)
    run.kill()
    run.communicate(timeout=60)
    done = fleets.parts(folder)
    assert all(pq.read_table(folder / name).num_rows == 2 for name in done), "every part is whole"
    summary = fleet.examine_dataset(long_source, folder, progress=False)
    assert summary.units_found == len(done) >= 3
    assert not [path for path in folder.iterdir() if path.name.startswith((".part", "_running"))]


# Progress, and what is refused ----------------------------------------------------------------------------------------


def test_progress_tells_rate_and_time_left(source: Path, tmp_path: Path) -> None:
    told: list[fleet.Progress] = []
    fleet.examine_dataset(source, tmp_path / "t", executor="serial", progress=told.append)
    assert [one.done for one in told] == [0, 4, 8, 12, 16]
    assert told[0].captures_per_s is None and told[0].left_s is None
    rate = told[2].captures_per_s
    assert rate is not None and rate > 0.0
    assert told[2].left_s == pytest.approx(8.0 / rate)
    assert told[4].left_s == 0.0
    told.clear()
    fleet.examine_dataset(source, tmp_path / "t", executor="serial", progress=told.append)
    assert told[-1].found == 16 and told[-1].captures_per_s is None


def test_quiet_where_nobody_looks(source: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    fleet.examine_dataset(source, tmp_path / "t", executor="serial")
    assert capfd.readouterr() == ("", "")


def test_a_bar_on_a_terminal(source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import io  # noqa: PLC0415

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.delenv("CI", raising=False)
    fleet.examine_dataset(source, tmp_path / "t", executor="serial")
    assert "16/16" in screen.getvalue() and "capture/s" in screen.getvalue()
    screen.truncate(0)
    monkeypatch.setenv("CI", "true")
    fleet.examine_dataset(source, tmp_path / "u", executor="serial")
    assert "16/16" not in screen.getvalue()


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        ({"executor": "rockets"}, errors.UnknownNameError),
        ({"executor": 3}, errors.WrongTypeError),
        ({"workers": 0}, errors.InvalidCombinationError),
        ({"in_flight": 0}, errors.InvalidCombinationError),
        ({"in_flight": "many"}, errors.InvalidCombinationError),
        ({"progress": "loud"}, errors.WrongTypeError),
        ({"electrical_hz": -1.0}, errors.InvalidCombinationError),
        ({"duplicate_ids": "keep"}, errors.UnknownNameError),
        ({"existing": "forget"}, errors.UnknownNameError),
        ({"reading": {"coupling": "dc"}}, errors.InvalidCombinationError),
    ],
)
def test_refused(arguments: dict[str, Any], error: type[Exception], source: Path, tmp_path: Path) -> None:
    with pytest.raises(error) as caught:
        fleet.examine_dataset(source, tmp_path / "t", **{"progress": False, **arguments})
    assert caught.value.parameter == next(iter(arguments))  # type: ignore[attr-defined]
    assert not (tmp_path / "t").exists(), "nothing may be written"


def test_a_worker_of_another_version_is_refused(source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sixpulse.fleet import work  # noqa: PLC0415

    monkeypatch.setattr(work, "VERSION", "0.0.1")
    with pytest.raises(errors.InvalidCombinationError, match=r"0\.0\.1"):
        fleet.examine_dataset(source, tmp_path / "t", **QUIET)


def test_what_stands_in_a_summary(source: Path, tmp_path: Path) -> None:
    summary = fleet.examine_dataset(source, tmp_path / "t", **QUIET)
    assert fleet.FleetSummary.from_json(summary.to_json()) == summary
    assert summary.captures_per_s == pytest.approx(16 / summary.elapsed_s)
    assert "captures=16" in repr(summary)
    assert summary.seconds["examine"] > 0.0
