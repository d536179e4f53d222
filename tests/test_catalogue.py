"""The catalogues: the same keys and values in every language, and every sentence of the core in them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sixpulse
from captures import ELECTRICAL_HZ, SAMPLE_RATE_HZ, bridge_v, sprayer
from sixpulse import catalogue as module
from sixpulse import errors, narrative, text
from sixpulse.catalogue import PLACE, catalogue, languages

ENGLISH, GERMAN = catalogue("en"), catalogue("de")
CORE = Path(__file__).resolve().parents[1] / "crates/sixpulse/src"


def names_in(words: str) -> list[str]:
    return sorted(place[1] for place in PLACE.finditer(words))


@pytest.mark.parametrize("language", languages())
def test_every_language_has_the_same_keys_and_values(language: str) -> None:
    words = catalogue(language)
    assert words.texts.keys() == ENGLISH.texts.keys()
    for key, said in words.texts.items():
        assert said.strip() or key == "language.list", key
        assert names_in(said) == names_in(ENGLISH.texts[key]), key
        assert "{" not in PLACE.sub("", said), key


def test_a_second_language_is_another_language() -> None:
    """A text of values and signs alone may be the same in both; a word only where German has the same one."""
    same = {key for key, said in GERMAN.texts.items() if said == ENGLISH.texts[key]}
    worded = {key for key in same if re.search(r"[A-Za-z]{3}", PLACE.sub("", ENGLISH.texts[key]))}
    assert worded == {"report.column_phase"}


@pytest.mark.parametrize("part", ["core", "plot"])
def test_texts_that_are_recognised(part: str) -> None:
    texts = {key: said for key, said in ENGLISH.texts.items() if key.startswith(part + ".")}
    assert len(set(texts.values())) == len(texts), "a text under two keys is translated by chance"
    for key, said in texts.items():
        kinds = [place[2] for place in PLACE.finditer(said)]
        assert all(kind in module.KINDS for kind in kinds), key
        assert not any("{" in f for f in PLACE.sub("", said)), key


# ---------------------------------------------------------------------------------------------------------------------
# What the core says, from its source

#: Files whose texts reach an examination.
SAYING = (
    "compare/impedance.rs",
    "compare/intervention.rs",
    "compare/points.rs",
    "compare/verdict.rs",
    "contamination/judgement.rs",
    "contamination/looks.rs",
    "examine.rs",
    "findings.rs",
    "level.rs",
    "meter.rs",
    "quality.rs",
    "rectifier/classify.rs",
    "rectifier/deciding.rs",
    "rectifier/evidence.rs",
    "severity.rs",
)
#: Texts of theirs that are no part of an examination: errors' fields, reasons of lints, and readings of other meters.
ELSEWHERE = re.compile(
    r"a finite number of 0 or more|rates of one capture come from|records are far shorter|a quotient of positive rates"
    r"|more than 40 samples per second"
    r"|0 to 0\.001 s|a corner below the bandwidth|there is no voltage trace from the battery's post"
    r"|no supply voltage was captured at the same point|there is no trace "
    r"|common practice(: a |, recalled)|snake_case"
)
_TEXT = re.compile(r"""'(?:\\.|[^\\'])'|"((?:\\.|[^"\\])*)\"""", re.DOTALL)


def rust_texts(file: str) -> Iterator[str]:
    """Yield the string literals of a Rust file that hold more than one word, apart from comments and tests."""
    source = (CORE / file).read_text(encoding="utf-8").split("#[cfg(test)]")[0]
    source = re.sub(r"^\s*//.*$", "", source, flags=re.MULTILINE)
    for literal in _TEXT.finditer(source):
        if literal[1] and " " in literal[1].strip():
            yield re.sub(r"\\\n\s*", "", literal[1]).replace('\\"', '"')


def fixed_parts(words: str) -> list[str]:
    return [part for part in re.split(r"\{[^}]*\}", words) if re.search(r"[A-Za-z]{2}", part)]


@pytest.mark.skipif(not CORE.is_dir(), reason="the core's source is not here")
@pytest.mark.parametrize("file", SAYING)
def test_every_sentence_of_the_core_is_in_the_catalogue(file: str) -> None:
    """A sentence changed in the core alone would come out in English in every report."""
    known = "\n".join(said for key, said in ENGLISH.texts.items() if key.startswith("core."))
    known = PLACE.sub("{}", known)
    found = [one for one in rust_texts(file) if not ELSEWHERE.search(one)]
    assert found, f"no text found in {file}: is it still where the core speaks?"
    missing = [part for one in found for part in fixed_parts(one) if part not in known]
    assert missing == []


# ---------------------------------------------------------------------------------------------------------------------
# What the core says, as it says it


def trace(values: Any, role: str, coupling: str = "dc", **more: Any) -> sixpulse.Trace:
    more.setdefault("sample_rate_hz", SAMPLE_RATE_HZ)
    return sixpulse.Trace(values, coupling=coupling, role=role, **more)


def captures() -> dict[str, sixpulse.Capture]:
    rng = np.random.default_rng(8)
    noise = rng.normal(0.0, 0.01, 20_000)
    faulty, sound = bridge_v(fault=True), bridge_v(fault=False)
    hidden = faulty - faulty.mean()
    return {
        "faulty": sprayer(),
        "sound": sprayer(fault=False),
        "ac": sprayer(coupling="ac"),
        "battery alone": sixpulse.Capture({"battery": trace(faulty + noise, "battery_post")}),
        "noise": sixpulse.Capture({"post": trace(noise, "charging_post", "ac"), "s": trace(noise, "speed_sensor")}),
        "rest": sixpulse.Capture({"post": trace(12.4 + noise, "charging_post")}),
        "battery at rest": sixpulse.Capture({"battery": trace(12.4 + noise, "battery_post")}),
        "high": sixpulse.Capture({"post": trace(sound + 1.5 + noise, "charging_post")}),
        "low": sixpulse.Capture({"post": trace(sound - 1.0 + noise, "charging_post")}),
        "24 V": sixpulse.Capture({"post": trace(2.0 * sound + noise, "charging_post")}),
        "no system": sixpulse.Capture({"post": trace(sound - 9.0, "charging_post")}),
        "cold": sixpulse.Capture({"post": trace(sound + noise, "charging_post")}, battery_temperature_c=-50.0),
        "clipped": sixpulse.Capture({"post": trace(np.clip(faulty, 13.8, 14.3), "charging_post")}),
        "flat": sixpulse.Capture({"post": trace(np.full(5_000, 14.0), "charging_post")}),
        "coarse": sixpulse.Capture({"post": trace(np.round(sound / 0.2) * 0.2, "charging_post")}),
        "slow": sixpulse.Capture({"post": trace((faulty + noise)[::40], "charging_post", sample_rate_hz=1250.0)}),
        "short": sixpulse.Capture({"post": trace((faulty + noise)[:900], "charging_post")}),
        "tiny": sixpulse.Capture({"post": trace((faulty + noise)[:60], "charging_post")}),
        "sensor alone": sixpulse.Capture({"s": trace(noise, "speed_sensor")}),
        "dropout": sixpulse.Capture({"post": trace(stopped(faulty + noise), "charging_post")}),
        "clean": sixpulse.Capture({"post": trace(faulty + noise, "charging_post"), "s": trace(noise[::-1], "other")}),
        "droop": sixpulse.Capture(
            {"post": trace(hidden, "charging_post", "ac", coupling_corner_hz=60.0), "b": trace(faulty, "battery_post")}
        ),
        "current": sixpulse.Capture(
            {
                "post": trace(faulty + noise, "charging_post"),
                "battery": trace(0.6 * hidden + 14.0 + noise[::-1], "battery_post"),
                "clamp": trace(60.0 * hidden + 30.0 + 10.0 * noise, "battery_current", unit="A"),
            }
        ),
        "cable current": sixpulse.Capture(
            {
                "post": trace(faulty + noise, "charging_post"),
                "battery": trace(0.6 * hidden + 14.0 + noise[::-1], "battery_post"),
                "clamp": trace(-60.0 * hidden + 30.0 + 10.0 * noise, "charging_current", unit="A"),
            }
        ),
    }


def stopped(values: Any) -> Any:
    values = values.copy()
    for start in (4_000, 9_000):
        values[start : start + 300] = values[start]
    return values


@pytest.fixture(scope="module")
def examinations() -> dict[str, sixpulse.results.Examination]:
    known = ("faulty", "tiny")
    return {
        name: sixpulse.examine(one, electrical_hz=ELECTRICAL_HZ if name in known else None)
        for name, one in captures().items()
    }


def sentences(value: Any) -> Iterator[str]:
    """Yield every text of a result that is more than a word."""
    match value:
        case dict():
            for item in value.values():
                yield from sentences(item)
        case list():
            for item in value:
                yield from sentences(item)
        case str() if " " in value:
            yield value


def test_every_sentence_is_said_in_every_language(examinations: dict[str, sixpulse.results.Examination]) -> None:
    said = {one for examination in examinations.values() for one in sentences(examination.to_dict())}
    assert len(said) > 150
    assert [one for one in said if ENGLISH.translate(one) != one] == [], "English must be the core's own sentence"
    assert [one for one in said if GERMAN.translate(one) is None] == []
    for one in said:
        numbers = sorted(re.findall(r"\d+(?:\.\d+)?", one))
        translated = sorted(re.findall(r"\d+(?:,\d+)?", GERMAN.sentence(one)))
        lost = {number for number in numbers if number.replace(".", ",") not in translated}
        # 100 kS/s is written as 100 000 samples a second; 4.4 is a clause of a standard.
        assert lost <= {"100", "4.4"}, (one, GERMAN.sentence(one))


def test_the_captures_reach_most_of_what_the_core_can_say(
    examinations: dict[str, sixpulse.results.Examination],
) -> None:
    """The scan of the source covers the rest; this one shows that the patterns fit what is really said."""
    said = {one for examination in examinations.values() for one in sentences(examination.to_dict())}
    reached = {key for one in said for key, pattern, _ in module._templates("core") if pattern.fullmatch(one)}
    # What is said of interventions is no part of an examination: tests/test_compare_interventions.py reads it.
    everything = {key for key, _, _ in module._templates("core") if not key.startswith("core.intervention.")}
    assert len(reached) >= 0.6 * len(everything), sorted(everything - reached)


@pytest.mark.parametrize("language", languages())
def test_narrative_and_text(language: str, examinations: dict[str, sixpulse.results.Examination]) -> None:
    for examination in examinations.values():
        story = narrative.narrate(examination, language=language)
        assert story.headline and story.certainty and story.not_yet
        written = text.render(examination, language=language, width=72)
        assert all(len(line) <= 72 for line in written.splitlines())
        assert "{" not in written
        assert not re.search(r"\.\.(\s|$)", written), "a full stop too many"


def test_german_text_holds_no_english(examinations: dict[str, sixpulse.results.Examination]) -> None:
    for examination in examinations.values():
        written = " ".join(text.render(examination, language="de", width=10_000).split())
        assert [one for one in english_phrases() if one in written] == []


def english_phrases() -> list[str]:
    """Return the parts of English texts, of two words or more, that no German text holds."""
    german = "\n".join(GERMAN.texts.values())
    parts = {part.strip() for said in ENGLISH.texts.values() for part in PLACE.split(said) if part}
    return [part for part in parts if " " in part and re.search(r"[a-z]{3}", part) and part not in german]


# ---------------------------------------------------------------------------------------------------------------------


def test_names_from_a_capture_are_taken_as_they_are() -> None:
    name = "x\" carries the supply's ripple. {name:text} 1.5 V"
    sentence = f'The circuit "{name}" carries the supply\'s ripple.'
    assert ENGLISH.translate(sentence) == sentence
    assert GERMAN.translate(sentence) == f"Der Stromkreis „{name}“ trägt die Welligkeit der Versorgung."


def test_an_unknown_sentence_stays_as_it_is() -> None:
    assert GERMAN.translate("nobody ever said this") is None
    assert GERMAN.sentence("nobody ever said this") == "nobody ever said this"


def test_numbers() -> None:
    assert GERMAN.quantity(0.41234, "V", std=0.0021) == "412,3 mV ± 2,1 mV"
    assert GERMAN.percent(0.962) == "96,2 %" and ENGLISH.percent(1.0) == "more than 99.9 %"
    assert GERMAN.digits("-1.25") == "-1,25" and GERMAN.digits("2e-06") == "2e-06" and ENGLISH.digits("1.5") == "1.5"
    assert GERMAN.count(12_500) == "12\u202f500" and GERMAN.count(-20_000) == "-20\u202f000"


def test_an_uncertainty_of_next_to_nothing_is_none() -> None:
    """Divided by the prefix it vanished, and had no logarithm."""
    for std in (5e-324, 1e-320, 0.0):
        assert ENGLISH.quantity(2e6, "V", std=std) == "2 MV"
    assert ENGLISH.quantity(2.0, "V", std=5e-324).startswith("2.000")


def test_unknown_language() -> None:
    for language in ("fr", "../en", "", "EN"):
        with pytest.raises(errors.UnknownNameError) as caught:
            catalogue(language)
        assert caught.value.parameter == "language"
