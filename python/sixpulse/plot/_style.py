"""What the plots share: palette, sizes, panels, legends. Matplotlib's own settings are never touched.

A plot's text and lines follow the width that it is drawn in, so that the same call serves a notebook, a slide and a
printed column.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypeVar

import numpy as np

from .._extras import require
from .._refusals import refuse, wrong_type
from ..errors import OutOfRangeError, UnknownNameError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_Kind = TypeVar("_Kind")

#: Colours that people with any common colour vision tell apart: M. Okabe and K. Ito, "Color Universal Design: how to
#: make figures and presentations that are friendly to colorblind people" (2002, revised 2008). Here none carries
#: meaning alone: line style, marker, hatching or a label says the same, for print in grey.
PALETTE: dict[str, str] = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky_blue": "#56B4E9",
    "bluish_green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish_purple": "#CC79A7",
}
INK, ACCENT, SECOND, FILL = (PALETTE[name] for name in ("black", "vermillion", "blue", "sky_blue"))
SERIES = tuple(PALETTE[name] for name in ("black", "blue", "vermillion", "bluish_green", "reddish_purple"))
#: Neutral greys: a band, a guide line.
BAND, GUIDE = "#d9d9d9", "#8c8c8c"
#: Line styles in the order of use: they tell lines apart where colour does not.
DASHES: tuple[Any, ...] = ("-", "--", (0, (1, 1.2)), "-.", (0, (6, 1.5, 1, 1.5, 1, 1.5)))

Size: TypeAlias = Literal["notebook", "slide", "column"] | tuple[float, float]
#: Width and height in inches: of a notebook's cell, of a slide of 16 to 9, of a column of a printed page.
SIZES: dict[str, tuple[float, float]] = {"notebook": (6.4, 4.0), "slide": (13.3, 7.5), "column": (3.3, 3.0)}

#: Text in points for a width in inches, straight lines between: 8 in a printed column, 18 on a slide.
_WIDTHS_IN, _TEXT_PT = (3.3, 6.4, 13.3), (8.0, 10.0, 18.0)
#: Matplotlib's own margins leave this share of a figure's width to its only axes.
_ONLY_AXES = 0.775
#: Height of a line in a legend over the size of its text.
_LINE = 1.42
#: Lines of text that a panel in a stack is high at least, with its labels.
_PANEL_LINES = 9.5


@dataclass(frozen=True)
class Panel:
    """Axes with what their size asks for."""

    axes: Axes
    text_pt: float
    width_in: float

    @property
    def small_pt(self) -> float:
        """Size of ticks and legends."""
        return max(7.0, 0.88 * self.text_pt)

    def pt(self, width: float) -> float:
        """Scale a width in points, given for a notebook, to this panel."""
        return width * self.text_pt / 10.0

    @property
    def room_pt(self) -> float:
        """Width that title, legend and label have; what stands beside the axes takes up to seven letters' height."""
        width_pt = 72.0 * self.width_in
        return max(_ONLY_AXES * width_pt, width_pt - 7.0 * self.text_pt)

    def finish(
        self,
        *,
        title: str,
        x: str,
        y: str,
        tight: bool = False,
        legend: str | None = "",
        grid: Literal["x", "y"] = "y",
    ) -> Axes:
        """Label the axes, put title and legend above them, and set every text's size.

        ``tight`` leaves no margin beside the data; ``legend`` is the legend's heading, None for no legend.
        """
        axes = self.axes
        axes.set_xlabel(_wrapped(x, self.text_pt, self.room_pt), fontsize=self.text_pt, parse_math=False)
        axes.set_ylabel(y, fontsize=self.text_pt, parse_math=False)
        axes.tick_params(labelsize=self.small_pt)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.grid(visible=True, axis=grid, color=BAND, linewidth=self.pt(0.5))
        axes.set_axisbelow(True)
        if tight:
            axes.margins(x=0.0)
        lines = 0 if legend is None else self._legend(legend)
        words = _wrapped(title, self.text_pt, self.room_pt)
        axes.set_title(
            words,
            loc="left",
            fontsize=self.text_pt,
            parse_math=False,
            pad=0.5 * self.text_pt + _LINE * self.small_pt * lines,
        )
        return axes

    def _legend(self, heading: str) -> int:
        """Put the legend into a strip between the axes and the title; return the strip's height in lines."""
        handles, labels = self.axes.get_legend_handles_labels()
        if not handles:
            return 0
        key = _KEY_EM * self.small_pt
        columns = _columns([key + _width_pt(label, self.small_pt) for label in labels], self.room_pt)
        labels = [_wrapped(label, self.small_pt, self.room_pt - key) for label in labels]
        heading = _wrapped(heading, self.small_pt, self.room_pt)
        legend = self.axes.legend(
            handles,
            labels,
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncols=columns,
            title=heading or None,
            fontsize=self.small_pt,
            title_fontsize=self.small_pt,
            alignment="left",
            frameon=False,
            borderpad=0.0,
            borderaxespad=0.3,
            labelspacing=0.25,
            handlelength=2.4,
            columnspacing=1.4,
        )
        legend.set_zorder(5)
        for text in legend.get_texts():
            text.set_parse_math(False)
        rows = math.ceil(len(labels) / columns)
        heights: list[int] = [max(label.count("\n") + 1 for label in labels[row::rows]) for row in range(rows)]
        return sum(heights) + (heading.count("\n") + 1 if heading else 0)


#: A legend's key with the gaps to its text and to the next column, over the size of the text.
_KEY_EM = 2.4 + 0.8 + 1.4


def _columns(widths: Sequence[float], room: float) -> int:
    """Count the columns in which entries of these widths fit beside each other; they are filled column by column."""
    for columns in range(len(widths), 1, -1):
        rows = math.ceil(len(widths) / columns)
        needed = [max(widths[i : i + rows]) for i in range(0, len(widths), rows)]
        if sum(needed) <= room:
            return len(needed)
    return 1


def _width_pt(text: str, size_pt: float) -> float:
    """Measure a line of text in points."""
    to_path = require("matplotlib.textpath", extra="plot").text_to_path
    font = require("matplotlib.font_manager", extra="plot").FontProperties(size=size_pt)
    # A name from a file may hold what the font lacks; a wide letter stands for it here.
    known = "".join(letter if letter.isprintable() and ord(letter) < 0x250 else "M" for letter in text)
    width, _, _ = to_path.get_text_width_height_descent(known, font, ismath=False)
    return float(width)


def _wrapped(text: str, size_pt: float, room: float) -> str:
    """Break a text into lines that fit."""
    width = _width_pt(text, size_pt)
    if width <= room:
        return text
    return textwrap.fill(text, width=max(8, int(0.94 * len(text) * room / width)))


def panel(ax: Axes | None, size: Size | None) -> Panel:
    """Return the axes given, or those of a new figure of that size."""
    return panels(None if ax is None else [ax], size, count=1)[0]


def panels(
    ax: Sequence[Axes] | None,
    size: Size | None,
    *,
    count: int,
    arrange: Literal["stack", "beside"] = "stack",
    share_x: bool = False,
    lines: float = _PANEL_LINES,
) -> list[Panel]:
    """Return the axes given, or those of a new figure of that size: below each other, or beside each other.

    A stack in a named size grows in height until each panel is ``lines`` of text high.
    """
    if ax is not None:
        return _given(ax, size, count)
    width, height = _inches("notebook" if size is None else size)
    if arrange == "stack" and not isinstance(size, tuple):
        height = max(height, count * lines * _text_pt(width) / 72.0)
    rows, columns = (count, 1) if arrange == "stack" else (1, count)
    pyplot = require("matplotlib.pyplot", extra="plot")
    _, grid = pyplot.subplots(
        rows,
        columns,
        figsize=(width, height),
        layout="constrained",
        squeeze=False,
        sharex="col" if share_x else False,
        sharey="row" if arrange == "beside" else False,
    )
    return [Panel(axes, _text_pt(width), width / columns) for axes in grid.flat]


def named(name: str, rest: str = "") -> str:
    """Return a label that begins with a name: Matplotlib leaves labels out that begin with an underscore."""
    return f"\N{ZERO WIDTH SPACE}{name}{rest}" if name.startswith("_") else f"{name}{rest}"


def order_ticks(axes: Axes, orders: Iterable[int]) -> None:
    """Mark the orders 1 to 5 and the multiples of six."""
    axes.set_xticks([n for n in range(1, max(orders) + 1) if n % 6 == 0 or n < 6])


def width_in(ax: Sequence[Axes] | None, size: Size | None) -> float:
    """Return the width that a plot will have, in inches."""
    if ax is None:
        return _inches("notebook" if size is None else size)[0]
    return sum(_width_in(axes) for axes in ax)


def _given(ax: Sequence[Axes], size: Size | None, count: int) -> list[Panel]:
    if size is not None:
        raise refuse("size", "the axes given have a size already; give one of ax and size")
    axes_class = require("matplotlib.axes", extra="plot").Axes
    given = list(ax)
    for one in given:
        checked("ax", one, axes_class)
    if len(given) != count:
        raise refuse("ax", f"expected {count} axes, got {len(given)}")
    return [Panel(one, _text_pt(_width_in(one)), _width_in(one)) for one in given]


def _width_in(axes: Axes) -> float:
    """Return the width of the figure in which these axes would stand alone."""
    figure: Any = axes.get_figure(root=True)
    return float(figure.get_figwidth() * axes.get_position().width / _ONLY_AXES)


def _text_pt(width: float) -> float:
    return float(np.interp(width, _WIDTHS_IN, _TEXT_PT))


def _inches(size: Size) -> tuple[float, float]:
    if isinstance(size, str):
        return SIZES[one_of("size", size, SIZES)]
    try:
        width, height = (float(length) for length in size)
    except (TypeError, ValueError):
        raise wrong_type("size", f"one of {', '.join(SIZES)}, or width and height in inches", size) from None
    for length in (width, height):
        if not (math.isfinite(length) and length > 0.0):
            expected = "lengths above 0 (inches)"
            message = f"size: expected {expected}, got {length}"
            raise OutOfRangeError(message, parameter="size", expected=expected, actual=length)
    return width, height


# What the plots refuse -----------------------------------------------------------------------------------------------


def checked(parameter: str, value: object, kind: type[_Kind]) -> _Kind:
    """Return the value, of the type it must have."""
    if not isinstance(value, kind):
        raise wrong_type(parameter, f"{'an' if kind.__name__[0] in 'AEIOU' else 'a'} {kind.__name__}", value)
    return value


def one_of(parameter: str, value: object, words: Sequence[str] | dict[str, Any]) -> str:
    """Return the word, one of those known."""
    if isinstance(value, str) and value in words:
        return value
    expected = ", ".join(words)
    message = f"{parameter}: expected one of {expected}, got {value!r}"
    raise UnknownNameError(message, parameter=parameter, expected=expected, actual=str(value))


def at_least_one(parameter: str, value: int) -> int:
    """Return the whole number, 1 or more."""
    if isinstance(value, bool) or not isinstance(value, int | np.integer):
        raise wrong_type(parameter, "a whole number", value)
    if value < 1:
        message = f"{parameter}: expected 1 or more, got {value}"
        raise OutOfRangeError(message, parameter=parameter, expected="1 or more", actual=float(value))
    return int(value)
