"""The HTML report: whole, self-contained, accessible, escaped, and saying what the examination says."""

from __future__ import annotations

import base64
import html.parser
import json
import re
import xml.etree.ElementTree
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sixpulse
from captures import ELECTRICAL_HZ, SAMPLE_RATE_HZ, bridge_v, sprayer
from sixpulse import cli, demo, errors, narrative, schema
from sixpulse.catalogue import PLACE, catalogue
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
        self.plain: list[str] = []
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
        if not {"style", "code"} & set(self.open):
            self.plain.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    @property
    def prose(self) -> str:
        """Everything a reader reads or hears, but for names and codes, which are the same in every language."""
        spoken = [a[name] for _, a in self.elements for name in ("alt", "aria-label", "title") if name in a]
        return " ".join(" ".join([*self.plain, *spoken]).split())

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
        words = catalogue("en")
        assert f"{words.text(f'pattern.{name}')} {words.percent(probability)}" in page.text


def test_nothing_comes_from_outside(source: str, page: Page) -> None:
    assert not page.all("script") and not page.all("link") and not page.all("iframe")
    for attributes in (attributes for _, attributes in page.elements):
        for name in ("src", "href", "srcset", "data", "action"):
            assert attributes.get(name, "data:").startswith(("data:", "#"))
    style = source[source.index("<style>") : source.index("</style>")]
    assert "url(" not in style and "@import" not in style
    # XML namespaces inside the images are names, not addresses to load; the images themselves are base64.
    assert not re.search(r"https?://", source)


def test_links_lead_somewhere(page: Page) -> None:
    places = {attributes["id"] for _, attributes in page.elements if "id" in attributes}
    inside = [attributes["href"] for attributes in page.all("a") if attributes["href"].startswith("#")]
    assert len(inside) >= 7
    assert all(link[1:] in places for link in inside)
    labels = [attributes["aria-labelledby"] for attributes in page.all("section")]
    assert len(labels) >= 6 and all(label in places for label in labels)


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


HOSTILE = (
    '<img src=x onerror="alert(1)">&',
    "s</title></style><b>",
    "a$\\frac{b$",
    "\x00\x1b[31m\x08\u202eabc --><svg>",
    "'; long " + "x" * 300,
)


def test_text_from_the_capture_is_escaped() -> None:
    """Names that HTML, a formula, XML or an eye would trip over: shown as they are, and the pictures stay whole."""
    traces = [CAPTURE["post"], CAPTURE["ground_speed"], CAPTURE["battery"]]
    for names in (HOSTILE[:3], HOSTILE[3:]):
        capture = sixpulse.Capture(dict(zip(names, traces[: len(names)], strict=True)))
        made = sixpulse.examine(capture, electrical_hz=ELECTRICAL_HZ)
        source = report.render(capture, made, source="<script>.csv", language="de")
        page = Page(source)
        assert not page.all("script") and not page.all("b") and not page.all("svg") and len(page.all("style")) == 1
        assert all(not name.startswith("on") for _, attributes in page.elements for name in attributes)
        assert not re.search(r"[\x00-\x09\x0b-\x1f\u202e]", source)
        for name in names:
            assert re.sub(r"[\x00-\x1f\u202e]", "\ufffd", name) in page.text
        for image in page.all("img"):
            xml.etree.ElementTree.fromstring(base64.b64decode(image["src"].partition(",")[2]))


@pytest.fixture(scope="module")
def small() -> tuple[sixpulse.Capture, Examination]:
    """A capture whose report has one picture."""
    capture = sixpulse.Capture({"ground_speed": CAPTURE["ground_speed"]})
    return capture, sixpulse.examine(capture)


def test_capture_without_a_supply(small: tuple[sixpulse.Capture, Examination]) -> None:
    page = Page(report.render(*small))
    assert "No supply trace was captured" in page.text
    assert len(page.all("img")) == 1


def test_a_capture_that_is_not_fit_has_no_probabilities() -> None:
    clipped = np.clip(bridge_v(fault=True), 13.8, 14.3)
    post = sixpulse.Trace(clipped, sample_rate_hz=SAMPLE_RATE_HZ, coupling="dc", role="charging_post")
    capture = sixpulse.Capture({"post": post})
    made = sixpulse.examine(capture)
    assert not made.quality.usable
    page = Page(report.render(capture, made))
    assert "No probabilities are given" in page.text and "not fit to be read: clipped" in page.text
    assert "Probability of each pattern" not in page.text and "more than 99" not in page.text
    assert "probability of this pattern" not in page.text.lower()


def test_capture_of_the_battery_alone() -> None:
    capture = sixpulse.Capture({"battery": CAPTURE["battery"]})
    page = Page(report.render(capture, sixpulse.examine(capture)))
    assert "The ripple was read at the battery, which cushions it" in page.text


def test_ac_coupled_capture_says_that_the_level_is_hidden() -> None:
    capture = sprayer(coupling="ac")
    page = Page(report.render(capture, sixpulse.examine(capture)))
    assert "The charging level" in page.text
    assert "not known" in page.text


# ---------------------------------------------------------------------------------------------------------------------
# Every number


def leaves(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return [leaf for item in value.values() for leaf in leaves(item)]
    if isinstance(value, list):
        return [leaf for item in value for leaf in leaves(item)]
    return [value]


def test_the_appendix_holds_every_leaf(examination: Examination, page: Page) -> None:
    document = examination.to_dict()
    groups = report.appendix(examination)
    told = {name: part for name, part in document.items() if name not in ("findings", "cautions")}
    assert sum(group.count for group in groups) == len(leaves(told))
    written = {field: value for group in groups for field, value in group.rows}
    assert written["cycle.electrical_hz"] == f"{document['cycle']['electrical_hz']:.6g}"
    gains = [f"{order['gain']:.6g}" for order in document["contamination"]["ground_speed"]["orders"]]
    assert written["contamination.ground_speed.orders[].gain"] == "; ".join(gains)
    assert written["quality.usable"] == "yes"
    assert written["contamination.ground_speed.own_frequency_hz"] == "none"
    for group in groups:
        for field, value in group.rows:
            assert field in page.text and " ".join(value.split()) in page.text
    for finding in examination.findings:
        assert finding.code in page.text


def test_the_json_within_is_the_result_and_fits_the_schema(examination: Examination, page: Page) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    (link,) = [attributes for attributes in page.all("a") if "download" in attributes]
    assert link["download"] == "parked-sprayer.json"
    document = json.loads(base64.b64decode(link["href"].partition("base64,")[2]))
    assert document == examination.to_dict()
    jsonschema.Draft202012Validator(schema.json_schema("examination-1")).validate(document)


# ---------------------------------------------------------------------------------------------------------------------
# Languages


@pytest.fixture(scope="module")
def german(examination: Examination) -> Page:
    source = report.render(CAPTURE, examination, source="geparkt.csv", language="de")
    (root,) = Page(source).all("html")
    assert root["lang"] == "de"
    assert 'lang="en"' not in source, "nothing is left untranslated"
    return Page(source)


def phrases(language: str, *, but: str) -> list[str]:
    """Return the parts of a language's texts, of two words or more, that no text of the other language holds."""
    other = "\n".join(catalogue(but).texts.values())
    parts = {part.strip() for said in catalogue(language).texts.values() for part in PLACE.split(said) if part}
    return [part for part in parts if re.search(r"[a-z]{2}.* .*[a-z]{2}", part) and part not in other]


def plotted(page: Page) -> str:
    """Return the words in the pictures, which Matplotlib repeats as comments of the SVG."""
    images = [base64.b64decode(image["src"].partition(",")[2]).decode() for image in page.all("img")]
    return "\n".join(comment for image in images for comment in re.findall(r"<!--(.*?)-->", image, re.DOTALL))


def test_no_english_in_the_german_report(german: Page) -> None:
    everything = german.prose + "\n" + plotted(german)
    assert "elektrische Grad" in plotted(german)
    assert [part for part in phrases("en", but="de") if part in everything] == []
    assert not re.search(r"\b(the|and|of|with|is|not|from|alternator|ripple|diode is)\b", everything)


def test_no_german_in_the_english_report(page: Page) -> None:
    everything = page.prose + "\n" + plotted(page)
    assert "electrical degrees" in plotted(page)
    assert [part for part in phrases("de", but="en") if part in everything] == []


def test_transfer_and_points_are_shown(page: Page, examination: Examination) -> None:
    circuits = [one for one in examination.contamination.values() if one.orders and one.verdict != "clean"]
    alts = [image["alt"] for image in page.all("img")]
    assert sum(alt.startswith("Gain and delay from the supply to ") for alt in alts) == len(circuits) > 0
    assert examination.points is not None and examination.points.orders
    assert sum("the part of each that reaches the battery" in alt for alt in alts) == 1
    assert "common: one gain, one delay" in plotted(page) and "battery / post" in plotted(page)
    first = examination.points.orders[0]
    assert catalogue("en").quantity(first.gain, "", std=first.gain_std) in page.text


def test_every_word_of_the_plots_is_in_the_catalogue(page: Page) -> None:
    """A word changed in `sixpulse.plot` alone would come out in English in every report."""
    words = {comment.strip() for comment in plotted(page).splitlines()}
    worded = {one for one in words if re.search(r"[A-Za-z]{3}", one)} - set(CAPTURE.names)  # names stay as they are
    assert len(worded) > 10
    assert [one for one in worded if catalogue("de").translate(one, part="plot") is None] == []


def test_numbers_are_written_as_the_language_does(german: Page, examination: Examination) -> None:
    assert re.search(r"200,\d+ Hz", german.text)
    # Versions, clauses of standards and file names keep their points; a measured value has none.
    assert not re.search(r"\d\.\d+ ?(V|mV|Hz|s|ms|µs|%|rad)(?!\w)", german.text)
    assert not re.search(r"\d\.\d", plotted(german))


def test_a_sentence_without_translation_is_marked(small: tuple[sixpulse.Capture, Examination]) -> None:
    document = small[1].to_dict()
    document["findings"][0]["statement"] = "Nobody translated <this>."
    source = report.render(small[0], Examination.from_dict(document), language="de")
    assert '<span lang="en">Nobody translated &lt;this&gt;.</span>' in source


def test_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page, result = tmp_path / "x.html", tmp_path / "x.json"
    roles = ["--role", "post=charging_post", "--role", "speed=speed_sensor"]
    outputs = ["--report", str(page), "--json", str(result), "--language", "de"]
    assert cli.main(["examine", str(demo.path("parked")), *roles, *outputs]) == 0
    (root,) = Page(page.read_text(encoding="utf-8")).all("html")
    assert root["lang"] == "de"
    assert catalogue("de").text("headline.open_diode") in capsys.readouterr().out
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft202012Validator(schema.json_schema("examination-1")).validate(
        json.loads(result.read_text(encoding="utf-8"))
    )


def test_unknown_language(examination: Examination, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(errors.UnknownNameError):
        report.render(CAPTURE, examination, language="tlh")
    with pytest.raises(SystemExit) as stop:
        cli.main(["examine", "x.csv", "--language", "tlh"])
    assert stop.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_write(tmp_path: Path, small: tuple[sixpulse.Capture, Examination]) -> None:
    target = tmp_path / "report.html"
    report.write(target, *small, language="de")
    Page(target.read_text(encoding="utf-8"))
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(errors.UnwritableFileError):
        report.write(tmp_path / "absent" / "report.html", *small)


@pytest.mark.parametrize(
    ("language", "said", "unsaid"),
    [
        ("en", ("makes twelve equal ones, 30 degrees apart", "multiples of twelve (hatched)"), ("six equal pulses",)),
        (
            "de",
            ("macht zwölf gleiche Pulse im Abstand von 30 Grad", "Vielfache von zwölf (schraffiert)"),
            ("sechs gleiche",),
        ),
    ],
)
def test_the_captions_of_twelve_pulses(
    examination: Examination, language: str, said: tuple[str, ...], unsaid: tuple[str, ...]
) -> None:
    document = examination.to_dict()
    document["parameters"]["pulse_number"] = 12.0
    source = report.render(CAPTURE, Examination.from_dict(document), language=language)
    assert all(words in source for words in said)
    assert not any(words in source for words in unsaid)


def test_a_report_of_many_circuits_draws_some_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two thousand it drew each, which took minutes; it still tells of all of them."""
    monkeypatch.setattr("sixpulse._pictures.PICTURED", 2)
    capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    names = [f"circuit {number}" for number in range(5)]
    noise = np.random.default_rng(5).normal(0.0, 0.01, (5, capture.sample_count))
    still = {
        name: sixpulse.Trace(quiet, sample_rate_hz=capture.sample_rate_hz, coupling="dc", role="speed_sensor")
        for name, quiet in zip(names, noise, strict=True)
    }
    many = sixpulse.Capture(still | dict(capture.items()))
    page = report.render(many, sixpulse.examine(many))
    assert all(name in page for name in names)
    pictures = [picture["alt"] for picture in Page(page).all("img")]
    assert pictures[0].startswith("Line plots of the traces circuit 0, circuit 1 over")
    # The sensor that carries ripple before the first of those that do not.
    against = [re.match(r"Line plot of (.*) and of the supply", alt) for alt in pictures]
    assert [found[1] for found in against if found] == ["circuit 0", "speed"]
