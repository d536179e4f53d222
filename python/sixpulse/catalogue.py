"""Every text a person reads, by language: the files ``locale/en.toml``, ``locale/de.toml``.

English is the language of reference. The core says its findings in English, with the numbers in them; here such a
sentence is recognised by its English text in the catalogue, its values are read, and the text of another language is
filled with them. A sentence that no text matches stays as it is, and :meth:`Catalogue.translate` says so.
"""

from __future__ import annotations

import functools
import importlib.resources
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from . import numerals
from .errors import UnknownNameError

__all__ = ["KINDS", "PLACE", "Catalogue", "catalogue", "languages"]

#: A value in a text, with its kind where the text is matched against a sentence.
PLACE = re.compile(r"\{(\w+)(?::(\w+))?\}")

_NUMBER = r"[-+]?\d+(?:\.\d+)?|[-+]?inf|NaN"
#: What each kind of value may be in a sentence.
KINDS: Mapping[str, str] = MappingProxyType(
    {
        "n": _NUMBER,
        "numbers": rf"(?:{_NUMBER})(?:, (?:{_NUMBER}))*",
        "text": r".+?",
        "core": r".+?",
        "plot": r".+?",
        "list": r".+?",
    }
)

#: Thin space that does not break, between groups of three digits (ISO 80000-1, 7.3.1).
_GROUP = "\u202f"


@dataclass(frozen=True, repr=False)
class Catalogue:
    """The texts of one language and the way it writes numbers.

    Attributes
    ----------
    language : str
        Its tag (BCP 47), such as "de".
    texts : mapping of str to str
        Every text by its key, such as "report.title".

    Examples
    --------
    >>> german = catalogue("de")
    >>> german.text("sure.other", pattern=german.text("pattern.open_diode"), percent=german.percent(0.962))
    'eine offene Diode 96,2 %'
    >>> german.sentence("the electrical frequency is 204.1 Hz")
    'die elektrische Frequenz ist 204,1 Hz'
    """

    language: str
    texts: Mapping[str, str]

    def __repr__(self) -> str:
        return f"Catalogue(language={self.language!r}, texts={len(self.texts)} items)"

    def text(self, key: str, **values: object) -> str:
        """Return a text with its values filled in, as they are.

        Parameters
        ----------
        key : str
            Key of the text, such as "report.title".
        **values : object
            One for each ``{name}`` in the text; written with :class:`str`.
        """
        return PLACE.sub(lambda place: str(values[place[1]]), self.texts[key])

    def sentence(self, sentence: str) -> str:
        """Say a sentence of the core in this language; one that is not in the catalogue is returned as it is."""
        return self.translate(sentence) or sentence

    def translate(self, sentence: str, *, part: str = "core") -> str | None:
        """Say a sentence in this language.

        Parameters
        ----------
        sentence : str
            In English, with its values.
        part : str
            Part of the catalogue to look in: "core", or "plot" for the words in plots.

        Returns
        -------
        str or None
            None where no text of the catalogue matches.
        """
        for key, pattern, kinds in _templates(part):
            match = pattern.fullmatch(sentence)
            if match is not None:
                values = {name: self._value(kind, match[name]) for name, kind in kinds.items()}
                if None not in values.values():
                    return self.text(key, **values)
        return None

    def _value(self, kind: str, value: str) -> str | None:
        match kind:
            case "n":
                return self.digits(value)
            case "numbers":
                return self.texts["language.list"].join(self.digits(one) for one in value.split(", "))
            case "list":
                items = [self.translate(one) for one in value.split(", ")]
                return None if None in items else ", ".join(filter(None, items))
            case "text":
                return value
            case _:
                return self.translate(value, part=kind)

    def digits(self, number: str) -> str:
        """Write a number that has a decimal point with this language's decimal sign."""
        return re.sub(r"(?<=\d)\.(?=\d)", self.texts["language.decimal"], number)

    def quantity(self, value: float, unit: str, *, std: float | None = None) -> str:
        """Write a value as :func:`sixpulse.numerals.quantity` does, with this language's decimal sign."""
        return self.digits(numerals.quantity(value, unit, std=std))

    def number(self, value: float, *, digits: int = 4) -> str:
        """Write that many significant digits, with this language's decimal sign."""
        return self.digits(numerals.significant(value, digits=digits))

    def count(self, value: int) -> str:
        r"""Write a whole number in groups of three digits from 10 000 on.

        >>> catalogue("en").count(9999), catalogue("en").count(20000)
        ('9999', '20\u202f000')
        """
        return f"{value:,}".replace(",", _GROUP) if abs(value) >= 10_000 else str(value)

    def percent(self, fraction: float) -> str:
        """Write a fraction as a percentage that never claims certainty.

        >>> catalogue("en").percent(0.962), catalogue("en").percent(0.99999), catalogue("de").percent(1e-6)
        ('96.2 %', 'more than 99.9 %', 'weniger als 0,1 %')
        """
        if 0.999 < fraction <= 1.0:
            return self.texts["number.almost_all"]
        if 0.0 <= fraction < 0.001:
            return self.texts["number.almost_none"]
        return self.digits(f"{100.0 * fraction:.1f} %".replace(".0 %", " %"))


def languages() -> tuple[str, ...]:
    """Return the tags of the languages there is a catalogue for, English first.

    >>> languages()
    ('en', 'de')
    """
    found = (file.name.removesuffix(".toml") for file in _folder().iterdir() if file.name.endswith(".toml"))
    return tuple(sorted(found, key=lambda tag: (tag != "en", tag)))


@functools.cache
def catalogue(language: str) -> Catalogue:
    """Return the catalogue of a language.

    Parameters
    ----------
    language : str
        One of :func:`languages`.

    Raises
    ------
    UnknownNameError
        There is no catalogue for it.
    """
    known = languages()
    if language not in known:
        expected = ", ".join(known)
        message = f'language: expected one of {expected}, got "{language}"'
        raise UnknownNameError(message, parameter="language", expected=expected, actual=str(language))
    document = tomllib.loads(_folder().joinpath(f"{language}.toml").read_text(encoding="utf-8"))
    return Catalogue(language, MappingProxyType(dict(_flat(document))))


def _folder() -> Any:
    return importlib.resources.files("sixpulse").joinpath("locale")


def _flat(document: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for key, value in document.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value


@functools.cache
def _templates(part: str) -> tuple[tuple[str, re.Pattern[str], dict[str, str]], ...]:
    """Return the English texts of a part as patterns, the most specific first."""
    texts = [(key, text) for key, text in catalogue("en").texts.items() if key.startswith(part + ".")]
    texts.sort(key=lambda pair: -len(PLACE.sub("", pair[1])))
    return tuple((key, _pattern(text), dict(PLACE.findall(text))) for key, text in texts)


def _pattern(text: str) -> re.Pattern[str]:
    parts, end = [], 0
    for place in PLACE.finditer(text):
        parts.append(re.escape(text[end : place.start()]) + f"(?P<{place[1]}>{KINDS[place[2]]})")
        end = place.end()
    return re.compile("".join(parts) + re.escape(text[end:]), re.DOTALL)
