"""Fixtures and markers shared by all Python tests."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

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


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real headless Chromium, driven by Playwright; the test is skipped where either is absent."""
    playwright = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if path is None:
        pytest.skip("Chromium is not installed")
    # Nothing that Chromium does by itself may look like the page's doing; Playwright gives it a profile of its own.
    quiet = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"]
    quiet += ["--disable-background-networking", "--disable-component-update"]
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=path, args=quiet)
        yield opened
        opened.close()
