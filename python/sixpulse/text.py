"""One examination as plain text, as the command line prints it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from . import narrative
from .narrative import Figure
from .results import Examination

__all__ = ["render"]

_MARKS = {"fault": "FAULT: ", "warning": "LOOK: ", "info": ""}


def render(examination: Examination, *, width: int = 80, emphasis: tuple[str, str] = ("", "")) -> str:
    """Write an examination as text.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    width : int
        Columns to fill, at least 40.
    emphasis : tuple of str
        What to put before and after a heading, such as a terminal's codes for bold.

    Returns
    -------
    str
        Lines of at most ``width`` columns, ending in a newline.
    """
    width = max(40, width)
    story = narrative.narrate(examination)
    on, off = emphasis
    lines = [on + part + off for part in textwrap.wrap(story.headline, width)]
    lines += textwrap.wrap(story.certainty, width)
    shows = [_MARKS[finding.severity] + finding.statement for finding in narrative.reported(examination)]
    sections: list[tuple[str, Iterable[str]]] = [
        ("What the capture shows", _bullets(shows, width)),
        ("What it does not show", _bullets(story.silent_on, width)),
        ("Test next", _numbered(story.next_tests, width)),
        ("Do not replace yet", _bullets(story.not_yet, width)),
        ("Before you touch anything", _bullets(story.cautions, width)),
        ("Charging level", _table(narrative.level_figures(examination.level), width)),
        ("Electrical cycle", _table(narrative.cycle_figures(examination.cycle), width)),
        ("Ripple", _table(narrative.ripple_figures(examination.ripple), width)),
        ("Charging post against battery", _table(narrative.points_figures(examination.points), width)),
    ]
    sections += [
        (f'Circuit "{name}"', _table(narrative.contamination_figures(examination, name), width))
        for name in examination.contamination
    ]
    issues = [f"{_place(i.trace)}{i.statement} {i.remedy}".strip() for i in examination.quality.issues]
    sections.append(("Fitness of the capture", _bullets(issues or ["Nothing stands in the way of reading it."], width)))
    for heading, body in sections:
        written = list(body)
        if written:
            lines += ["", on + heading + off, *written]
    lines += ["", *textwrap.wrap(f"sixpulse {examination.library_version}; ± is one standard uncertainty.", width)]
    return "\n".join(lines) + "\n"


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
