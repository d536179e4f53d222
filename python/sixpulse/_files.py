"""Writes a file whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
from pathlib import Path

from .errors import UnwritableFileError


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write UTF-8 text to a temporary neighbour and rename it into place.

    Raises
    ------
    UnwritableFileError
        The folder is missing or not writable, or the path is a folder; nothing is left behind.
    """
    target = Path(path)
    if target.is_dir():
        raise _unwritable(target, os.strerror(errno.EISDIR))
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(8)}")
    try:
        with temporary.open("x", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(target)
    except OSError as error:
        raise _unwritable(target, error.strerror or str(error)) from None
    finally:
        temporary.unlink(missing_ok=True)


def _unwritable(target: Path, reason: str) -> UnwritableFileError:
    return UnwritableFileError(f"{target}: {reason}", parameter="path", path=str(target), reason=reason)
