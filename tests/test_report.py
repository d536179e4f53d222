"""The HTML report: whole, self-contained, accessible, escaped, and saying what the examination says."""

from __future__ import annotations

import html.parser
import re
from pathlib import Path

import pytest

import sixpulse
from captures import ELECTRICAL_HZ, sprayer
from sixpulse import errors, narrative
from sixpulse.results import Examination

pytest.importorskip("jinja2")
pytest.importorskip("matplotlib")

from sixpulse import report

CAPTURE = sprayer()
VOID = {"meta", "img", "link", "br", "hr", "input"}


class Page(html.parser.HTMLParser):
    """Collects elements and text, and checks that every element is closed in order."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(source)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def examination() -> Examination:
    return sixpulse.examine(CAPTURE, electrical_hz=ELECTRICAL_HZ)


@pytest.fixture(scope="module")
def source(examination: Examination) -> str:
    return report.render(CAPTURE, examination, source="/somewhere/else/parked-sprayer.csv")


@pytest.fixture(scope="module")
def page(source: str) -> Page:
    return Page(source)


def test_it_says_what_the_examination_says(page: Page, examination: Examination) -> None:
    story = narrative.narrate(examination)
    sentences = [story.headline, story.certainty, *story.silent_on, *story.next_tests, *story.not_yet, *story.cautions]
    sentences += [finding.statement for finding in examination.findings]
    sentences += [text for finding in examination.findings for text in finding.evidence]
    sentences += [one.statement for one in examination.rectifier.evidence]
    sentences += [one.reason for one in examination.contamination.values()]
    for sentence in sentences:
        assert " ".join(sentence[1:].split()) in page.text
    for figures in (narrative.ripple_figures(examination.ripple), narrative.level_figures(examination.level)):
        assert figures
        for figure in figures:
            assert figure.name in page.text and figure.value in page.text
    assert f"sixpulse {examination.library_version}" in page.text
    assert "parked-sprayer.csv" in page.text
    assert "/somewhere" not in page.text, "no folder of the user's machine"


def test_every_pattern_has_its_probability(page: Page, examination: Examination) -> None:
    for name, probability in examination.rectifier.probabilities.items():
        assert f"{narrative.PATTERN_NAMES[name]} {narrative.percent(probability)}" in page.text


def test_nothing_comes_from_outside(source: str, page: Page) -> None:
    assert not page.all("script") and not page.all("link") and not page.all("iframe")
    for attributes in (attributes for _, attributes in page.elements):
        for name in ("src", "href", "srcset", "data", "action"):
            assert attributes.get(name, "data:").startswith("data:")
    style = source[source.index("<style>") : source.index("</style>")]
    assert "url(" not in style and "@import" not in style
    # XML namespaces inside the images are names, not addresses to load; the images themselves are base64.
    assert not re.search(r"https?://", source)


def test_accessibility(page: Page) -> None:
    (root,) = page.all("html")
    assert root["lang"] == "en"
    assert len(page.all("h1")) == 1
    images = page.all("img")
    assert len(images) >= 5
    assert all(len(image["alt"]) > 20 for image in images)
    assert len({image["alt"] for image in images}) == len(images)
    assert any("width=device-width" in meta.get("content", "") for meta in page.all("meta"))
    assert all(cell.get("scope") in ("row", "col") for cell in page.all("th"))


def luminance(colour: str) -> float:
    """Return the relative luminance of WCAG 2.2 (W3C), "relative luminance"."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", ["ink", "soft", "accent"])
@pytest.mark.parametrize("ground", ["#ffffff", "wash"])
def test_contrast(source: str, name: str, ground: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text."""
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", source))
    back = ground if ground.startswith("#") else colours[ground]
    assert (luminance(back) + 0.05) / (luminance(colours[name]) + 0.05) >= 4.5


def test_the_same_input_gives_the_same_page(source: str, examination: Examination) -> None:
    again = report.render(CAPTURE, examination, source="parked-sprayer.csv")
    assert again == source


def test_text_from_the_capture_is_escaped() -> None:
    hostile = '<img src=x onerror="alert(1)">&'
    capture = sixpulse.Capture({hostile: CAPTURE["post"], "s<b>": CAPTURE["ground_speed"]})
    made = sixpulse.examine(capture, electrical_hz=ELECTRICAL_HZ)
    source = report.render(capture, made, source="<script>.csv")
    page = Page(source)
    assert "<script>" not in source
    assert not page.all("b")
    assert all("onerror" not in attributes for attributes in page.all("img"))
    assert hostile in page.text


@pytest.mark.parametrize("names", [["ground_speed"], ["battery"], ["post"], ["battery", "ground_speed"]])
def test_captures_with_parts_missing(names: list[str]) -> None:
    capture = sixpulse.Capture({name: CAPTURE[name] for name in names})
    Page(report.render(capture, sixpulse.examine(capture)))


def test_ac_coupled_capture_says_that_the_level_is_hidden() -> None:
    capture = sprayer(coupling="ac")
    page = Page(report.render(capture, sixpulse.examine(capture)))
    assert "The charging level" in page.text
    assert "not known" in page.text


def test_write(tmp_path: Path, examination: Examination) -> None:
    target = tmp_path / "report.html"
    report.write(target, CAPTURE, examination)
    Page(target.read_text(encoding="utf-8"))
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(errors.UnwritableFileError):
        report.write(tmp_path / "absent" / "report.html", CAPTURE, examination)
