"""The README's Python example runs and prints what it says; its links and commands exist."""

import doctest
import re
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def readme(root: Path) -> str:
    return (root / "README.md").read_text(encoding="utf-8")


def test_python_examples(readme: str) -> None:
    blocks = re.findall(r"```pycon\n(.*?)```", readme, flags=re.DOTALL)
    assert blocks
    runner = doctest.DocTestRunner()
    for block in blocks:
        example = doctest.DocTestParser().get_doctest(block, {}, "README.md", "README.md", 0)
        assert len(example.examples) >= 5
        assert runner.run(example).failed == 0, "the README's example printed something else; see the captured output"


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "python/sixpulse/demo/README.md"])
def test_links_lead_somewhere(root: Path, document: str) -> None:
    path = root / document
    links = re.findall(r"\]\(([^)#]+)\)", path.read_text(encoding="utf-8"))
    for link in links:
        assert link.startswith("https://") or (path.parent / link).exists(), link


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", ".ci/run"])
def test_commands_are_targets_of_the_makefile(root: Path, document: str) -> None:
    targets = set(re.findall(r"^([a-z-]+):", (root / "Makefile").read_text(encoding="utf-8"), flags=re.MULTILINE))
    named = set(re.findall(r"(?:^|`|\s)make ([a-z-]+)(?=[\s`]|$)", (root / document).read_text(encoding="utf-8")))
    assert named, document
    assert named <= targets, named - targets


def test_first_paragraph_states_the_job(readme: str) -> None:
    first = readme.split("\n\n")[1]
    for word in ("captures", "charging", "ripple", "rectifier", "sensor", "test next"):
        assert word in first
