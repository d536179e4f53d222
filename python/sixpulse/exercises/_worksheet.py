"""The worksheet as one HTML page that prints: it loads nothing from outside and says nothing of the truth."""

from __future__ import annotations

import base64
import importlib.resources
from collections.abc import Mapping
from typing import Any

from .._extras import require

#: How each form of answer is written.
FORMS = {
    "number": "A number with its unit, or: cannot.",
    "choice": "One letter.",
    "order": "All letters, the first step first.",
    "set": "One or more letters.",
}


def render(questions: Mapping[str, Any], pictures: Mapping[str, bytes]) -> str:
    """Make the worksheet of a question set with one PNG for each item."""
    text = _environment().from_string(_template("worksheet.html.j2"))
    by_item: dict[str | None, list[Any]] = {}
    for question in questions["questions"]:
        by_item.setdefault(question["item"], []).append(question)
    page: str = text.render(
        set=questions,
        by_item=by_item,
        forms=FORMS,
        pictures={name: base64.b64encode(content).decode() for name, content in pictures.items()},
    )
    return page


def render_report(context: Mapping[str, Any]) -> str:
    """Make the report of a graded class."""
    page: str = _environment().from_string(_template("class_report.html.j2")).render(**context)
    return page


def _environment() -> Any:
    jinja2 = require("jinja2", extra="report")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["figure"] = lambda value, digits=2: "–" if value is None else f"{value:.{digits}f}"
    return environment


def _template(name: str) -> str:
    return importlib.resources.files("sixpulse").joinpath(f"templates/{name}").read_text(encoding="utf-8")
