"""One examination as plain text, as the command line prints it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from . import narrative
from ._refusals import need, refuse
from .catalogue import Catalogue, catalogue
from .narrative import Figure
from .results import Examination

__all__ = ["render"]


def render(
    examination: Examination, *, width: int = 80, emphasis: tuple[str, str] = ("", ""), language: str = "en"
) -> str:
    """Write an examination as text.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    width : int
        Columns to fill, at least 40.
    emphasis : tuple of str
        What to put before and after a heading, such as a terminal's codes for bold.
    language : str
        One of :func:`sixpulse.catalogue.languages`.

    Returns
    -------
    str
        Lines of at most ``width`` columns, ending in a newline.

    Raises
    ------
    UnknownNameError
        There is no catalogue for the language.
    """
    width = max(40, width)
    words = catalogue(language)
    story = narrative.narrate(examination, language=language)
    need("emphasis", emphasis, tuple, "a pair of texts")
    for part in emphasis:
        need("emphasis", part, str, "a pair of texts")
    if len(emphasis) != 2:
        raise refuse("emphasis", f"a pair of texts is needed, {len(emphasis)} came")
    on, off = emphasis
    lines = [on + part + off for part in textwrap.wrap(story.headline, width)]
    lines += textwrap.wrap(story.certainty, width)
    for heading, body in _sections(examination, width, words):
        written = list(body)
        if written:
            lines += ["", on + heading + off, *written]
    closing = f"sixpulse {examination.library_version}; {words.text('report.plus_minus')}"
    lines += ["", *textwrap.wrap(closing, width)]
    return "\n".join(lines) + "\n"


def _sections(examination: Examination, width: int, words: Catalogue) -> Iterable[tuple[str, Iterable[str]]]:
    """List the headings, each with its lines."""
    say, language = words.text, words.language
    story = narrative.narrate(examination, language=language)
    marks = [words.texts.get(f"text.{finding.severity}", "") for finding in narrative.reported(examination)]
    shows = [mark + statement for mark, statement in zip(marks, story.shows, strict=True)]
    yield say("report.shows"), _bullets(shows, width)
    yield say("report.silent"), _bullets(story.silent_on, width)
    yield say("report.next"), _numbered(story.next_tests, width)
    yield say("report.not_yet"), _bullets(story.not_yet, width)
    yield say("report.cautions"), _bullets(story.cautions, width)
    yield say("report.level_table"), _table(narrative.level_figures(examination.level, language=language), width)
    yield say("report.cycle_table"), _table(narrative.cycle_figures(examination.cycle, language=language), width)
    yield say("text.ripple"), _table(narrative.ripple_figures(examination.ripple, language=language), width)
    yield say("report.points_table"), _table(narrative.points_figures(examination.points, language=language), width)
    for name in examination.contamination:
        figures = narrative.contamination_figures(examination, name, language=language)
        yield say("text.circuit", name=name), _table(figures, width)
    issues = [
        f"{_place(i.trace)}{words.sentence(i.statement)} {words.sentence(i.remedy)}".strip()
        for i in examination.quality.issues
    ]
    yield say("report.fitness"), _bullets(issues or [say("report.fit")], width)


def _place(trace: str) -> str:
    return f"{trace}: " if trace else ""


def _bullets(texts: Iterable[str], width: int) -> Iterable[str]:
    for text in texts:
        yield from textwrap.wrap(text, width, initial_indent="- ", subsequent_indent="  ")


def _numbered(texts: Sequence[str], width: int) -> Iterable[str]:
    for number, text in enumerate(texts, 1):
        yield from textwrap.wrap(text, width, initial_indent=f"{number}. ", subsequent_indent="   ")


def _table(figures: Sequence[Figure], width: int) -> Iterable[str]:
    """Align names and values; the note follows where it fits, else on a line of its own."""
    if not figures:
        return
    name_width = max(len(figure.name) for figure in figures) + 2
    value_width = max(len(figure.value) for figure in figures) + 2
    for figure in figures:
        line = f"  {figure.name:<{name_width}}{figure.value}"
        aligned = f"  {figure.name:<{name_width}}{figure.value:<{value_width}}{figure.note}"
        if not figure.note or len(aligned) <= width:
            yield from _folded(aligned.rstrip(), width)
        else:
            yield from _folded(line, width)
            yield from textwrap.wrap(figure.note, width, initial_indent=" " * 6, subsequent_indent=" " * 6)


def _folded(line: str, width: int) -> list[str]:
    """Keep a line that fits as it is, with its columns; fold a longer one."""
    return (
        [line]
        if len(line) <= width
        else textwrap.wrap(line.strip(), width, initial_indent="  ", subsequent_indent="      ")
    )
