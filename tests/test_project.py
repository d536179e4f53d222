"""Facts about the project live once: versions, licence and pins agree wherever they must be repeated."""

import importlib.metadata
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

import sixpulse
from sixpulse import _core


@pytest.fixture(scope="module")
def cargo(root: Path) -> dict[str, Any]:
    return tomllib.loads((root / "Cargo.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def pyproject(root: Path) -> dict[str, Any]:
    return tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))


def test_one_version(root: Path, cargo: dict[str, Any], pyproject: dict[str, Any]) -> None:
    version = cargo["workspace"]["package"]["version"]
    assert "version" in pyproject["project"]["dynamic"]
    assert "version" not in pyproject["project"]
    assert sixpulse.__version__ == _core.VERSION == importlib.metadata.version("sixpulse") == version
    for manifest in sorted(root.glob("crates/*/Cargo.toml")):
        assert tomllib.loads(manifest.read_text(encoding="utf-8"))["package"]["version"] == {"workspace": True}, (
            manifest
        )
    for name, spec in cargo["workspace"]["dependencies"].items():
        if name.startswith("sixpulse"):
            assert spec["version"] == version, name
    locked = tomllib.loads((root / "Cargo.lock").read_text(encoding="utf-8"))["package"]
    ours = {package["name"]: package["version"] for package in locked if package["name"].startswith("sixpulse")}
    assert len(ours) == len(list(root.glob("crates/*/Cargo.toml")))
    assert set(ours.values()) == {version}


def test_changelog_has_the_version_or_an_unreleased_section(root: Path, cargo: dict[str, Any]) -> None:
    headings = re.findall(r"^## \[([^\]]+)\]", (root / "CHANGELOG.md").read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert headings, "no release headings"
    assert {"Unreleased", cargo["workspace"]["package"]["version"]} & set(headings)


def test_one_licence(root: Path, cargo: dict[str, Any], pyproject: dict[str, Any]) -> None:
    assert cargo["workspace"]["package"]["license"] == pyproject["project"]["license"] == "MIT OR Apache-2.0"
    assert "Permission is hereby granted" in (root / "LICENSE-MIT").read_text(encoding="utf-8")
    assert "Apache License" in (root / "LICENSE-APACHE").read_text(encoding="utf-8")


def pins(path: Path) -> dict[str, set[Version]]:
    found: dict[str, set[Version]] = {}
    for name, version in re.findall(r"^([a-z0-9][a-z0-9._-]*)==(\S+)", path.read_text(encoding="utf-8"), re.MULTILINE):
        found.setdefault(name, set()).add(Version(version))
    return found


def wanted(pyproject: dict[str, Any]) -> list[Requirement]:
    project, groups = pyproject["project"], pyproject["dependency-groups"]
    lines = [*project["dependencies"]]
    lines += [line for extra in project.get("optional-dependencies", {}).values() for line in extra]
    lines += [line for group in groups.values() for line in group if isinstance(line, str)]
    return [requirement for requirement in map(Requirement, lines) if requirement.name != "sixpulse"]


def test_the_lock_pins_everything_the_project_asks_for(root: Path, pyproject: dict[str, Any]) -> None:
    dev = pins(root / "requirements" / "dev.txt")
    for requirement in wanted(pyproject):
        versions = dev.get(requirement.name.lower().replace("_", "-"))
        assert versions, f"{requirement.name} is not pinned; run `make lock`"
        assert all(requirement.specifier.contains(version) for version in versions), requirement
    runtime = pins(root / "requirements" / "runtime.txt")
    assert set(runtime) == {"numpy"}, "import sixpulse needs NumPy alone"


def test_no_file_names_a_registry_host(root: Path) -> None:
    for path in [*root.glob("requirements/*.txt"), root / "pyproject.toml", root / "Makefile", *root.glob("tools/*")]:
        if path.is_file():
            text = path.read_text(encoding="utf-8")
            assert not re.search(r"--(index-url|extra-index-url|find-links|trusted-host)", text), path
            assert not re.search(r"https?://", text), path


def test_results_and_codes_can_grow(root: Path) -> None:
    """A struct that a document is read into may gain a field without breaking embedders; so may a list of codes."""
    inputs = {"Recording"}
    complete, found = [], 0
    pattern = re.compile(r"((?:^#\[[^\n]*\]\n)*)^pub (struct|enum) (\w+) \{\n(.*?)^\}", re.M | re.S)
    for path in sorted((root / "crates/sixpulse/src").rglob("*.rs")):
        for attributes, kind, name, body in pattern.findall(path.read_text(encoding="utf-8")):
            fields = re.findall(r"^    (pub )?\w+:", body, re.M)
            grows = name.endswith("Code") if kind == "enum" else "Deserialize" in attributes and all(fields)
            if grows and name not in inputs:
                found += 1
                complete += [] if "#[non_exhaustive]" in attributes else [name]
    assert not complete
    assert found > 50
