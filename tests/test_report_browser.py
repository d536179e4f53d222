"""The report in a real browser: it opens quietly, reads well by ear and keyboard, fits a phone and prints."""

from __future__ import annotations

import functools
import itertools
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sixpulse
from captures import ELECTRICAL_HZ, SAMPLE_RATE_HZ, bridge_v, sprayer
from sixpulse import demo
from sixpulse.catalogue import catalogue

pytest.importorskip("jinja2")
pytest.importorskip("matplotlib")

from sixpulse import report

pytestmark = pytest.mark.browser

ROLES = {"post": "charging_post", "speed": "speed_sensor"}
#: What is looked at: a name, and the language of its report.
PAGES = (("parked", "en"), ("undetermined", "de"), ("many circuits", "de"))
#: Width of an A4 page between margins of 16 mm, CSS pixels (96 to the inch).
PAPER_PX = round((210 - 2 * 16) / 25.4 * 96)


def capture(name: str) -> sixpulse.Capture:
    if name == "parked":
        return sixpulse.read(demo.path(name), roles=ROLES)
    common: dict[str, Any] = {"sample_rate_hz": SAMPLE_RATE_HZ, "coupling": "dc"}
    if name == "undetermined":
        clipped = np.clip(bridge_v(fault=True), 13.8, 14.3)
        return sixpulse.Capture({"post": sixpulse.Trace(clipped, role="charging_post", **common)})
    taken = sprayer()
    noise = np.random.default_rng(3).normal(0.0, 0.01, taken.sample_count)
    long = "a_sensor_with_a_name_that_no_table_has_room_for_" + "x" * 80
    return sixpulse.Capture(
        {
            **dict(taken.items()),
            long: sixpulse.Trace(noise, role="speed_sensor", **common),
            "<b>wheel & co</b>": sixpulse.Trace(0.1 * noise + 5.0, role="edge_sensor", **common),
        }
    )


@functools.cache
def document(name: str, language: str) -> str:
    taken = capture(name)
    known = ELECTRICAL_HZ if name == "many circuits" else None
    return report.render(taken, sixpulse.examine(taken, electrical_hz=known), source=f"{name}.csv", language=language)


@pytest.fixture
def opened(browser: Any, tmp_path: Path, request: pytest.FixtureRequest) -> Any:
    """Open the page of the parameter; afterwards, see that it asked for nothing and complained of nothing."""
    file = tmp_path / "report.html"
    file.write_text(document(*request.param), encoding="utf-8")
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    heard: list[str] = []
    page.on("console", lambda message: heard.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: heard.append(f"error: {error}"))
    page.on("request", lambda asked: heard.append(f"asked for {asked.url}") if not inside(asked.url, file) else None)
    page.goto(file.as_uri())
    yield page
    page.close()
    assert heard == []


def inside(url: str, file: Path) -> bool:
    return url.startswith("data:") or url.partition("#")[0] == file.as_uri()


every_page = pytest.mark.parametrize("opened", PAGES, indirect=True, ids=" ".join)

FACTS = """() => {
  const all = (s) => [...document.querySelectorAll(s)];
  const named = (e) => (e.getAttribute('aria-label') || '').trim()
    || (document.getElementById(e.getAttribute('aria-labelledby') || '') || {textContent: ''}).textContent.trim();
  return {
    lang: document.documentElement.lang, title: document.title,
    headings: all('h1,h2,h3,h4,h5,h6').map(h => [Number(h.tagName[1]), h.textContent.trim()]),
    images: all('img').map(i => ({alt: i.alt.trim(), whole: i.complete && i.naturalWidth > 0})),
    landmarks: ['header', 'nav', 'main', 'footer'].map(n => all('body > ' + n).length),
    unnamed: all('nav,section,[role=region],table')
      .filter(e => !named(e) && !e.querySelector(':scope > caption')).length,
    silent: all('a,summary').filter(e => !e.textContent.trim()).length,
    outside: [...document.body.childNodes].filter(n => n.nodeType === 3 && n.data.trim()).length,
    cells: all('table').every(t => [...t.querySelectorAll('th')].every(c => c.scope)),
    lists: all('ul,ol').every(l => [...l.children].every(c => c.tagName === 'LI')),
    ids: all('[id]').map(e => e.id),
  };
}"""


@every_page
def test_structure(opened: Any) -> None:
    """By the Web Content Accessibility Guidelines 2.2 (W3C): 1.1.1, 1.3.1, 2.4.1, 2.4.2, 2.4.4, 2.4.6, 3.1.1."""
    facts = opened.evaluate(FACTS)
    assert facts["lang"] in ("en", "de") and facts["title"]
    levels = [level for level, _ in facts["headings"]]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels)), levels
    assert all(words for _, words in facts["headings"])
    assert facts["images"] and all(image["whole"] and len(image["alt"]) > 20 for image in facts["images"])
    assert facts["landmarks"] == [1, 1, 1, 1]
    assert facts["unnamed"] == facts["silent"] == facts["outside"] == 0
    assert facts["cells"] and facts["lists"]
    assert len(set(facts["ids"])) == len(facts["ids"])


CONTRAST = """() => {
  const parts = (c) => c.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const c = parts(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] === 1) return c;
      if (c[3] !== 0) return null;
    }
    return [255, 255, 255];
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const poor = []; let count = 0;
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement, text = walker.currentNode.data.trim();
    if (!text || !e.checkVisibility()) continue;
    count += 1;
    const back = ground(e), front = parts(getComputedStyle(e).color);
    if (!back || (front.length > 3 && front[3] < 1)) { poor.push([text, 'half transparent']); continue; }
    const [a, b] = [light(front), light(back)].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < 4.5) poor.push([text.slice(0, 40), ratio]);
  }
  return {poor, count};
}"""


@every_page
def test_contrast(opened: Any) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for all text, as computed by the browser, on screen and on paper."""
    opened.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for media in ("screen", "print"):
        opened.emulate_media(media=media)
        found = opened.evaluate(CONTRAST)
        assert found["count"] > 100
        assert found["poor"] == []


@every_page
def test_keyboard(opened: Any) -> None:
    """WCAG 2.2, 2.1.1, 2.4.3 and 2.4.7: Tab reaches all that can be used, in reading order, and shows where it is."""
    wanted = opened.evaluate("document.querySelectorAll('a[href], summary, [tabindex=\"0\"]').length")
    assert wanted >= 15
    order = "[...document.querySelectorAll('*')].indexOf(document.activeElement)"
    outlined = "getComputedStyle(document.activeElement).outlineStyle"
    seen: list[int] = []
    for _ in range(wanted):
        opened.keyboard.press("Tab")
        seen.append(opened.evaluate(order))
        assert opened.evaluate(outlined) != "none"
    assert len(set(seen)) == wanted and seen == sorted(seen)
    opened.locator("summary").first.focus()
    opened.keyboard.press("Enter")
    assert opened.evaluate("document.querySelector('details').open")


WIDE = """(left_out) => [...document.querySelectorAll('body *')]
  .filter(e => !e.closest(left_out) && e.getBoundingClientRect().right > innerWidth + 0.5)
  .map(e => e.outerHTML.slice(0, 80))"""


@every_page
def test_nothing_sticks_out(opened: Any) -> None:
    """WCAG 2.2, 1.4.10: no scrolling sideways at 320 px, but for tables in a frame of their own."""
    opened.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for width in (320, 360, 768, 1200):
        opened.set_viewport_size({"width": width, "height": 800})
        assert opened.evaluate(WIDE, ".wide, .skip") == []
        assert opened.evaluate("document.documentElement.scrollWidth") <= width


@every_page
def test_it_fits_the_paper(opened: Any) -> None:
    opened.emulate_media(media="print")
    opened.set_viewport_size({"width": PAPER_PX, "height": 1000})
    # The appendix stands in two columns, whose places on the screen say nothing of the paper.
    assert opened.evaluate(WIDE, "#appendix") == []


def text_of(pdf: Path) -> list[str]:
    """Return the text of every page, by poppler."""
    tool = shutil.which("pdftotext")
    if tool is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    run = subprocess.run([tool, "-layout", str(pdf), "-"], capture_output=True, text=True, check=True)
    return run.stdout.split("\f")[:-1]


@pytest.mark.parametrize(("opened", "which"), [(p, p) for p in PAGES], indirect=["opened"], ids=[p[0] for p in PAGES])
def test_print(opened: Any, which: tuple[str, str], tmp_path: Path) -> None:
    pdf = tmp_path / "report.pdf"
    opened.pdf(path=pdf, prefer_css_page_size=True, print_background=False)
    pages = text_of(pdf)
    say = catalogue(which[1]).text
    first = next(i for i, page in enumerate(pages) if say("report.appendix") in page)
    # One page says what was found, a few show it, and all the numbers follow; sizes as looked at on paper. The numbers
    # of five traces and three circuits take ten pages.
    assert 3 <= first <= 9
    assert len(pages) - first <= (10 if which[0] == "many circuits" else 9)
    words = [len(page.split()) for page in pages]
    assert min(words[:-1]) >= 40, "no page stands (nearly) empty"
    assert say("report.shows") in pages[0] and say("report.next") in pages[0]
    assert say("report.provenance") in pages[-1]
    squeezed = "".join("".join(pages).split())
    assert "rectifier.model_version" in squeezed, "closed parts of the appendix must be printed"
    assert "schema_version" in squeezed


@pytest.mark.parametrize("opened", [("parked", "en")], indirect=True)
def test_the_json_can_be_saved(opened: Any, tmp_path: Path) -> None:
    with opened.expect_download() as download:
        opened.get_by_role("link", name=catalogue("en").text("report.json")).click()
    target = tmp_path / "saved.json"
    download.value.save_as(target)
    assert download.value.suggested_filename == "parked.json"
    saved = sixpulse.results.Examination.from_json(target.read_text(encoding="utf-8"))
    assert saved.rectifier.pattern == "open_diode"
