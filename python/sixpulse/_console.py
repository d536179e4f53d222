"""How commands hand over a result, as JSON, as text for a person, or both, and how they complain."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterable

from ._files import write_texts

EXIT_BAD_INPUT = 2


def put(document: str, lines: Iterable[str], *, json_target: str | None) -> int:
    """Write a result's JSON where it was asked for, and its text unless the JSON took standard output.

    Parameters
    ----------
    document : str
        The JSON, ending in a newline.
    lines : iterable of str
        The text, not yet wrapped; what continues a line is indented by two more.
    json_target : str or None
        A file, ``-`` for standard output, None for nowhere.

    Returns
    -------
    int
        The exit status.
    """
    if json_target == "-":
        sys.stdout.write(document)
        return 0
    if json_target is not None:
        write_texts([(json_target, document)])
    width = max(40, min(100, shutil.get_terminal_size().columns))
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        print(textwrap.fill(line, width, subsequent_indent=indent) if line else "")
    return 0


def complain(message: str) -> int:
    """Say on standard error, in one line, why a command did not do what it was asked; return its exit status."""
    # What a file holds, or is called, must not steer the terminal.
    line = "".join(mark if mark.isprintable() else repr(mark)[1:-1] for mark in " ".join(message.split()))
    print(f"sixpulse: {line}", file=sys.stderr)
    return EXIT_BAD_INPUT
