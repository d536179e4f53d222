"""The page of error codes, made from the exception classes and the quality codes of the schema."""

import inspect
import json
from importlib.resources import files

from sixpulse import errors


def page() -> str:
    """Return the page as Markdown: every stable code with its class, its meaning and the figures it carries."""
    lines = [
        "# Error codes",
        "",
        "Made from the code. Every exception carries `code` and `parameter`; each class is a builtin as well.",
        "",
        "| code | class | also a | what | figures |",
        "|---|---|---|---|---|",
    ]
    for code in errors.all_codes():
        kind = errors.class_for(code)
        builtin = next((b.__name__ for b in kind.__mro__ if b.__module__ == "builtins" and b is not Exception), "")
        first = " ".join(inspect.getdoc(kind).split("\n\n")[0].split()).replace("|", "\\|")
        figures = ", ".join(f"`{name}`" for name in kind.fields)
        lines.append(f"| `{code}` | `{kind.__name__}` | `{builtin}` | {first} | {figures} |")
    lines += ["", "## Codes of quality issues", "", "`Examination.quality.issues[i].code` is one of:", ""]
    lines += [f"- `{code}`" for code in quality_codes()]
    return "\n".join(lines) + "\n"


def quality_codes() -> list[str]:
    """Return the codes of quality issues, from the published schema."""
    schema = json.loads((files("sixpulse") / "schema" / "examination-1.json").read_text(encoding="utf-8"))
    return sorted(_find(schema, "QualityIssue")["properties"]["code"]["enum"])


def _find(node: dict, name: str) -> dict:
    return node["$defs"][name]
