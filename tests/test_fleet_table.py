"""The table of a fleet is published with a version: what it promised it keeps, and what it promises exists."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import typing
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

import sixpulse
from captures import ELECTRICAL_HZ, sprayer
from sixpulse import _core, errors, fleet
from sixpulse.fleet import table
from sixpulse.results import Examination

PUBLISHED = Path(table.__file__).with_name(f"table-{table.TABLE_VERSION}.json")


def shape(layout: dict[str, Any]) -> dict[str, str]:
    return {one["name"]: one["type"] for one in layout["columns"] + layout["columns_of_each_circuit"]}


def test_the_published_layout_is_the_one_in_use() -> None:
    """Published anew with `python -m sixpulse.fleet FILE`. Descriptions may lag behind those of the result classes."""
    published = json.loads(PUBLISHED.read_text(encoding="utf-8"))
    assert shape(published) == shape(table.json_layout())
    assert published["version"] == table.TABLE_VERSION
    assert all(one["description"] for one in published["columns"] + published["columns_of_each_circuit"])


def test_what_a_version_promised_it_keeps(root: Path) -> None:
    """The columns at the time of publication; columns may be added, these stay as long as the version does."""
    promised = json.loads((root / "tests" / "data" / "fleet_table_1.json").read_text(encoding="utf-8"))
    now = shape(table.json_layout())
    assert table.TABLE_VERSION == 1
    assert {name: now.get(name) for name in promised} == promised


def test_a_column_is_the_attribute_of_its_name() -> None:
    """Names joined by underscores, types those of the result classes."""
    capture = sprayer(count=10_000)
    document = _core.examine(capture, sixpulse.Machine(), ELECTRICAL_HZ)
    row = table.flatten(document, ["ground_speed"])
    found = Examination.from_dict(document)
    assert row["quality_usable"] is found.quality.usable
    assert row["level_mean_v"] == found.level.mean_v
    assert row["severity_amount"] == found.severity.amount  # type: ignore[union-attr]
    assert row["points_attenuation"] == found.points.attenuation  # type: ignore[union-attr]
    assert row["contamination_ground_speed_delay_s"] == found.contamination["ground_speed"].delay_s
    assert row["finding_severity"] == "fault"
    columns = [*table.columns(), *table.circuit_columns("ground_speed")]
    names = {column.name for column in columns}
    assert set(row) <= names
    assert names - set(row) == {"error_code", "error_parameter", "error_text"}
    kinds: dict[str, Any] = {"double": float, "int64": int, "bool": bool, "string": str, "list<item: string>": list}
    for column in columns:
        value = row.get(column.name)
        assert value is None or type(value) is kinds[str(column.type)], column.name


def test_probabilities_sum_to_one() -> None:
    row = table.flatten(_core.examine(sprayer(count=10_000), sixpulse.Machine(), None), [])
    total = sum(row[f"rectifier_probabilities_{pattern}"] for pattern in table.PATTERNS)
    assert total == pytest.approx(1.0, abs=1e-9)
    assert set(table.PATTERNS) == set(typing.get_args(sixpulse.results.Pattern))


def test_a_number_that_is_none_does_not_pass() -> None:
    document = _core.examine(sprayer(count=10_000), sixpulse.Machine(), None)
    document["ripple"]["rms_v"] = math.nan
    with pytest.raises(ValueError, match="ripple_rms_v is nan"):
        table.flatten(document, [])


def test_the_arrow_schema() -> None:
    carried = pa.schema([("capture_id", pa.string()), ("site", pa.dictionary(pa.int8(), pa.string()))])
    schema = fleet.table_schema(carried, circuits=["wheel"])
    assert schema.names[:3] == ["capture_id", "site", "error_code"]
    assert schema.field("contamination_wheel_gain_v_per_v").type == pa.float64()
    assert len(set(schema.names)) == len(schema.names)
    with pytest.raises(errors.InvalidCombinationError, match="error_code"):
        fleet.table_schema(pa.schema([("error_code", pa.string())]), circuits=[])


def test_the_layout_is_written_by_a_command(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-m", "sixpulse.fleet", str(tmp_path / "x.json")], check=True)
    assert shape(json.loads((tmp_path / "x.json").read_text(encoding="utf-8"))) == shape(table.json_layout())


def test_without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    program = "import sys; sys.modules['filelock'] = None\nimport sixpulse\nsixpulse.fleet"
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert run.returncode == 1
    assert "MissingDependencyError" in run.stderr and "sixpulse[fleet]" in run.stderr
    program = "import sys, sixpulse\nassert 'pyarrow' not in sys.modules and 'sixpulse.fleet' not in sys.modules"
    subprocess.run([sys.executable, "-c", program], check=True)
