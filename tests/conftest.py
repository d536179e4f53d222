"""Fixtures and markers shared by all Python tests."""

import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def root() -> Path:
    """Top of the source tree."""
    return ROOT


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder `../shared` with the labelled captures; the test is skipped where it is absent."""
    path = ROOT.parent / "shared"
    if not (path / "captures" / "labels.json").is_file():
        pytest.skip("the labelled captures of ../shared are not on this machine")
    return path


@pytest.fixture(scope="session")
def ngspice() -> str:
    """Path of the circuit simulator; the test is skipped where it is absent."""
    path = shutil.which("ngspice")
    if path is None:
        pytest.skip("ngspice is not installed")
    return path
