"""Where the parts come from: licences of the crates, provenance of the data, stored results against today's schemas."""

import fnmatch
import json
import re
import shutil
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import sixpulse
from sixpulse.results import Examination

ROOT = Path(__file__).parents[1]
DATA = (".csv", ".npz", ".npy", ".wav", ".json", ".cir", ".parquet", ".txt")
#: Text for tools and people, no data.
NO_DATA = ("requirements/", "tools/", "docs/")


def tracked() -> list[str]:
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a clone")
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return done.stdout.splitlines()


def test_every_data_file_has_its_provenance() -> None:
    patterns = re.findall(
        r"`([^`\s]+/[^`\s]+)`",
        "\n".join(
            line.split("|")[1] for line in (ROOT / "PROVENANCE.md").read_text().splitlines() if line.startswith("| `")
        ),
    )
    assert len(patterns) >= 8
    files = [f for f in tracked() if f.endswith(DATA) and not f.startswith(NO_DATA)]
    assert len(files) > 20
    unnamed = [f for f in files if not any(fnmatch.fnmatch(f, pattern) for pattern in patterns)]
    assert not unnamed, f"not in PROVENANCE.md: {unnamed}"
    idle = [p for p in patterns if not any(fnmatch.fnmatch(f, p) for f in tracked())]
    assert not idle, f"in PROVENANCE.md, but not there: {idle}"


def allowed(expression: str, licences: set[str]) -> bool:
    """Whether an SPDX expression can be met: one side of an OR, both of an AND."""
    expression = expression.replace("/", " OR ")
    either = re.split(r"\s+OR\s+(?![^(]*\))", expression)
    if len(either) > 1:
        return any(allowed(part, licences) for part in either)
    both = re.split(r"\s+AND\s+(?![^(]*\))", expression)
    if len(both) > 1:
        return all(allowed(part, licences) for part in both)
    inner = expression.strip()
    if inner.startswith("(") and inner.endswith(")"):
        return allowed(inner[1:-1], licences)
    return inner in licences


def test_an_expression_is_read_as_it_is_meant() -> None:
    licences = {"MIT", "Unicode-3.0"}
    assert allowed("MIT OR Apache-2.0", licences) and allowed("GPL-3.0/MIT", licences)
    assert allowed("(Apache-2.0 OR MIT) AND Unicode-3.0", licences)
    assert not allowed("(Apache-2.0 OR MIT) AND BSD-3-Clause", licences) and not allowed("GPL-3.0", licences)


def metadata() -> dict[str, Any]:
    if shutil.which("cargo") is None:
        pytest.skip("no cargo")
    command = ["cargo", "metadata", "--format-version", "1", "--locked", "--all-features"]
    found: dict[str, Any] = json.loads(
        subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    )
    return found


def test_licences_and_sources_of_all_crates() -> None:
    licences = set(tomllib.loads((ROOT / "deny.toml").read_text())["licenses"]["allow"])
    packages = metadata()["packages"]
    assert len(packages) > 50
    refused = [(p["name"], p["license"]) for p in packages if not allowed(p["license"] or "none", licences)]
    assert not refused
    # A path of the workspace, or a registry: nothing from a repository or an archive.
    assert all(p["source"] is None or p["source"].startswith("registry+") for p in packages)


def test_only_a_tool_of_the_tests_is_under_a_reciprocal_licence() -> None:
    reciprocal = [p["name"] for p in metadata()["packages"] if p["license"] == "MPL-2.0"]
    assert reciprocal == ["cbindgen"]  # generates the C header, linked into nothing


STORED = sorted((ROOT / "tests/data/results").glob("*.json"))


@pytest.mark.parametrize("path", STORED, ids=lambda p: p.stem)
def test_stored_results_are_read_by_today_s_schema(path: Path) -> None:
    """A layout's number stays while old documents stay valid; a change that breaks them raises it."""
    document = path.stem
    assert document in sixpulse.schema.DOCUMENTS, (
        "a published layout has gone: keep its schema, or say so in CHANGELOG.md"
    )
    stored = json.loads(path.read_text())
    jsonschema.Draft202012Validator(sixpulse.schema.json_schema(document)).validate(stored)


def keys(value: object, path: str = "") -> set[str]:
    if isinstance(value, dict):
        return {f"{path}/{k}" for k in value} | {k for key, v in value.items() for k in keys(v, f"{path}/{key}")}
    return {k for v in value for k in keys(v, f"{path}/*")} if isinstance(value, list) else set()


def watched(capture: sixpulse.Capture) -> sixpulse.monitor.MonitorReading:
    """Stream a capture in chunks of 256 samples, judging whenever a judgement is due."""
    channels = {n: sixpulse.monitor.Channel(role=t.role, coupling=t.coupling) for n, t in capture.items()}
    monitor = sixpulse.Monitor(channels, sample_rate_hz=capture.sample_rate_hz, window_s=0.1)
    values = {n: t.values() for n, t in capture.items()}
    for start in range(0, capture.sample_count, 256):
        if monitor.push({n: x[start : start + 256] for n, x in values.items()}).judgement_due:
            monitor.judge()
    return monitor.reading()


def test_what_old_readers_look_for_is_still_there() -> None:
    roles = {"post": "charging_post", "speed": "speed_sensor"}
    before, after = (sixpulse.read(sixpulse.demo.path(name), roles=roles) for name in ("parked", "repaired"))
    today = {
        "examination-1": sixpulse.examine(before),
        "interventions-1": sixpulse.compare_interventions(before, after),
        "meter_reading-1": sixpulse.meter.reading(before["post"], meter=sixpulse.meter.TRUE_RMS_HANDHELD),
        "monitor_reading-1": watched(before),
    }
    for document, result in today.items():
        stored = json.loads((ROOT / "tests/data/results" / f"{document}.json").read_text())
        # Lists of findings and the like may be shorter today: only names outside lists are held.
        gone = {k for k in keys(stored) - keys(json.loads(result.to_json())) if "*" not in k}
        assert not gone, f"{document}: {sorted(gone)}"


def test_an_old_examination_is_read_by_today_s_class() -> None:
    stored = json.loads((ROOT / "tests/data/results/examination-1.json").read_text())
    found = Examination.from_dict(stored)
    assert found.contamination["speed"].second_time_constant_s is None, "the field came later"
    # What it did not have yet is all that today's document has besides.
    assert {k.rpartition("/")[2] for k in keys(found.to_dict()) - keys(stored)} == {"second_time_constant_s"}
    del stored["contamination"]["speed"]["gain_v_per_v"]
    with pytest.raises(sixpulse.errors.InvalidDocumentError, match="missing keys: gain_v_per_v"):
        Examination.from_dict(stored)


def test_an_old_reading_is_read_by_today_s_class() -> None:
    stored = (ROOT / "tests/data/results/monitor_reading-1.json").read_text()
    reading = sixpulse.monitor.MonitorReading.from_json(stored)
    assert reading.to_dict() == json.loads(stored)
    assert (reading.rectifier.pattern, reading.contamination["speed"].verdict) == ("open_diode", "contaminated")


def test_fuzzing_is_built_with_the_crates_that_are_tested() -> None:
    """`fuzz/Cargo.lock` is a lock of its own: where both name a crate, it is the same version."""

    def versions(path: str) -> dict[str, set[str]]:
        found: dict[str, set[str]] = {}
        for package in tomllib.loads((ROOT / path).read_text())["package"]:
            found.setdefault(package["name"], set()).add(package["version"])
        return found

    tested, fuzzed = versions("Cargo.lock"), versions("fuzz/Cargo.lock")
    both = tested.keys() & fuzzed.keys()
    assert {"sixpulse", "sixpulse-io", "sixpulse-ffi", "rustfft"} <= both
    other = {name: fuzzed[name] for name in both if not fuzzed[name] <= tested[name]}
    assert not other, f"bring fuzz/Cargo.lock to the versions of Cargo.lock: {other}"


def test_the_page_for_embedders_lists_what_the_core_depends_on() -> None:
    manifest = tomllib.loads((ROOT / "crates/sixpulse/Cargo.toml").read_text())
    page = (ROOT / "docs/embedding.md").read_text()
    table = page.partition("| crate | why |")[2].partition("\n\n")[0]
    assert set(re.findall(r"^\| `([\w-]+)` \|", table, re.MULTILINE)) == set(manifest["dependencies"])
    readers = tomllib.loads((ROOT / "crates/sixpulse-io/Cargo.toml").read_text())
    for crate in readers["dependencies"].keys() - {"sixpulse", "serde"}:
        assert f"`{crate}`" in page
    for example in re.findall(r"--example (\w+)", page):
        assert (ROOT / f"crates/sixpulse-io/examples/{example}.rs").exists()
    for file in re.findall(r"`(crates/[\w/.-]+)`", page):
        assert (ROOT / file).exists()
