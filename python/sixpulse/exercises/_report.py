"""The report of a graded class as one HTML page with plots."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from .._extras import require
from . import _worksheet
from ._grading import Grading
from .statistics import ClassStatistics

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_INK, _ACCENT, _PALE = "#22303c", "#a8480c", "#c9d2d9"


def render(grading: Grading, found: ClassStatistics, key: Mapping[str, Any]) -> str:
    """Make the report."""
    explanations = {entry["question"]["id"]: entry["explanation"] for entry in key["questions"]}
    return _worksheet.render_report(
        {
            "title": key["author"]["title"],
            "version": key["library_version"],
            "grading": grading,
            "statistics": found,
            "explanations": explanations,
            "pictures": [(_uri(figure), words) for figure, words in _figures(grading, found)],
        }
    )


def _figures(grading: Grading, found: ClassStatistics) -> list[tuple[Figure, str]]:
    figures = []
    if found.items:
        words = "Each question: mean share of points (bars) and discrimination (points)."
        figures.append((difficulty_figure(found), words))
    if any(row.confidence is not None for row in grading.rows):
        words = "Confidence stated against share right; on the line, confidence is what it says."
        figures.append((calibration_figure(grading), words))
    return figures


def difficulty_figure(found: ClassStatistics) -> Figure:
    """Draw mean share of points and discrimination of every question."""
    figure = _figure(9.0, 0.8 + 0.2 * len(found.items))
    axes = figure.subplots()
    places = np.arange(len(found.items))
    axes.barh(places, [item.mean_share for item in found.items], color=_PALE, edgecolor=_INK, linewidth=0.5)
    known = [(place, item.discrimination) for place, item in enumerate(found.items) if item.discrimination is not None]
    if known:
        axes.plot([value for _, value in known], [place for place, _ in known], "o", color=_ACCENT, markersize=4)
    axes.set_yticks(places, [item.question for item in found.items], fontsize="x-small")
    axes.invert_yaxis()
    axes.axvline(0.0, color=_INK, linewidth=0.8)
    axes.set(xlim=(min([0.0, *(value for _, value in known)]) - 0.05, 1.05), xlabel="mean share (bar), discrimination")
    return figure


def calibration_figure(grading: Grading) -> Figure:
    """Draw share right against confidence in steps of 20 %, with the number of answers."""
    stated = [(row.confidence, row.right) for row in grading.rows if row.confidence is not None]
    confidence = np.array([value for value, _ in stated])
    right = np.array([hit for _, hit in stated], dtype=float)
    bins = np.minimum((confidence * 5).astype(int), 4)
    figure = _figure(5.0, 4.2)
    axes = figure.subplots()
    axes.plot([0, 1], [0, 1], color=_PALE)
    for place in range(5):
        here = bins == place
        if here.any():
            axes.plot(confidence[here].mean(), right[here].mean(), "s", color=_INK)
            axes.annotate(str(int(here.sum())), (confidence[here].mean(), right[here].mean()), xytext=(6, 4),
                          textcoords="offset points", fontsize="small")  # fmt: skip
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.04, 1.04), xlabel="confidence", ylabel="share right")
    return figure


def _figure(width: float, height: float) -> Figure:
    made: Figure = require("matplotlib.figure", extra="plot").Figure(figsize=(width, height), layout="constrained")
    return made


def _uri(figure: Figure) -> str:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=100, metadata={"Software": None})
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode()
