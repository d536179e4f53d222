"""The documentation's examples print what they say; its generated page is complete; its units are the code's."""

from __future__ import annotations

import doctest
import re
import runpy
from pathlib import Path

import pytest

from sixpulse import errors

PAGES = sorted((Path(__file__).resolve().parent.parent / "docs").glob("*.md"))
WITH_EXAMPLES = [page for page in PAGES if ">>> " in page.read_text(encoding="utf-8")]


@pytest.mark.parametrize("page", WITH_EXAMPLES, ids=lambda page: page.stem)
def test_examples_print_what_they_say(page: Path) -> None:
    blocks = re.findall(r"```(?:pycon|python)\n(.*?)```", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    names: dict[str, object] = {}
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    for block in blocks:
        example = doctest.DocTestParser().get_doctest(block, names, page.name, str(page), 0)
        assert runner.run(example, clear_globs=False).failed == 0, "see the captured output"
        names.update(example.globs)


@pytest.mark.parametrize("stem", ["tutorial", "howto-plan", "explain-battery", "explain-coherence", "explain-dc-side"])
def test_pages_that_teach_have_examples(stem: str) -> None:
    assert stem in [page.stem for page in WITH_EXAMPLES]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_links_lead_somewhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for link in re.findall(r"\]\(([^)#]+)\)", text):
        assert link.startswith("https://") or (page.parent / link).exists(), link
    for name in re.findall(r"\{doc\}`([^`]+)`", text):
        assert name.startswith("_generated/") or (page.parent / f"{name}.md").exists(), name


def test_every_error_code_stands_on_the_generated_page(root: Path) -> None:
    made = runpy.run_path(str(root / "docs" / "error_codes.py"))
    page = made["page"]()
    for code in errors.all_codes():
        assert f"| `{code}` |" in page
    assert "- `clipped`" in page


def test_every_test_named_on_the_validation_page_exists(root: Path) -> None:
    text = (root / "docs" / "validation.md").read_text(encoding="utf-8")
    named = re.findall(r"`((?:tests|crates)/[\w/.-]+?)(?:::(\w+))?`", text)
    assert len(named) > 20
    for file, name in named:
        source = (root / file).read_text(encoding="utf-8")
        assert not name or re.search(rf"^(?:def|fn) {name}\(", source, re.MULTILINE), f"{file}::{name}"
