"""Writes files whole or not at all, and reads text."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import BinaryIO

from .errors import (
    FileMissingError,
    InvalidCombinationError,
    InvalidDocumentError,
    UnreadableFileError,
    UnwritableFileError,
)


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write UTF-8 text to a temporary neighbour and rename it into place.

    Raises
    ------
    UnwritableFileError
        The folder is missing or not writable, or the path is a folder; nothing is left behind.
    """
    write_texts([(path, text)])


def write_texts(outputs: Sequence[tuple[str | os.PathLike[str], str]]) -> None:
    """Write several files, all or none: every text is on the disk before the first takes its place.

    Raises
    ------
    InvalidCombinationError
        Two of them are the same file.
    UnwritableFileError
        As for :func:`write_text`.
    """
    staged: list[tuple[Path, Path]] = []
    targets = [Path(path) for path, _ in outputs]
    _check_distinct(targets)
    try:
        for target, (_, text) in zip(targets, outputs, strict=True):
            _check_target(target)
            temporary = target.with_name(f".{target.name}.{secrets.token_hex(8)}")
            staged.append((temporary, target))
            _stage(temporary, target, _filling(text))
        for temporary, target in staged:
            _rename(temporary, target)
    finally:
        for temporary, _ in staged:
            temporary.unlink(missing_ok=True)


def write_whole(path: str | os.PathLike[str], fill: Callable[[BinaryIO], object]) -> None:
    """Let `fill` write bytes to a temporary neighbour and rename it into place.

    Raises
    ------
    UnwritableFileError
        As for :func:`write_text`.
    """
    target = Path(path)
    _check_target(target)
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(8)}")
    try:
        _stage(temporary, target, fill)
        _rename(temporary, target)
    finally:
        temporary.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """Make a folder, with those above it, where there is none.

    Raises
    ------
    UnwritableFileError
        It cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _unwritable(folder, error.strerror or str(error), parameter="destination") from None


def check_folder(folder: Path) -> None:
    """Refuse a folder that cannot be made or written to, before the work for it is done; makes nothing.

    Raises
    ------
    UnwritableFileError
        What stands there is no folder, or not writable.
    """
    try:
        there = next((place for place in (folder, *folder.parents) if place.exists()), Path())
    except OSError as error:
        raise _unwritable(folder, error.strerror or str(error), parameter="destination") from None
    if not there.is_dir():
        raise _unwritable(folder, os.strerror(errno.ENOTDIR), parameter="destination")
    if not os.access(there, os.W_OK | os.X_OK):
        raise _unwritable(folder, os.strerror(errno.EACCES), parameter="destination")


def read_text(path: Path, *, most: int | None = None) -> str:
    """Read UTF-8 text, with or without a byte-order mark, of at most so many characters.

    Raises
    ------
    FileMissingError, InvalidDocumentError, UnreadableFileError
    """
    try:
        with path.open(encoding="utf-8-sig") as stream:
            text = stream.read(-1 if most is None else most + 1)
    except FileNotFoundError:
        raise FileMissingError(f"{path}: there is no such file", parameter="path", path=str(path)) from None
    except UnicodeDecodeError as error:
        reason = f"{path}: not UTF-8 text ({error.reason})"
        raise InvalidDocumentError(f"path: {reason}", parameter="path", reason=reason) from None
    except (OSError, ValueError) as error:
        # A ValueError: a null character, which no path has.
        message = f"{path}: {getattr(error, 'strerror', None) or error}"
        raise UnreadableFileError(message, parameter="path", path=str(path)) from None
    if most is not None and len(text) > most:
        reason = f"{path}: longer than {most} characters"
        raise InvalidDocumentError(f"path: {reason}", parameter="path", reason=reason)
    return text


def _check_target(target: Path) -> None:
    if "\0" in str(target):
        raise _unwritable(target, "a null character, which no path has")
    if target.is_dir():
        raise _unwritable(target, os.strerror(errno.EISDIR))


def _check_distinct(targets: Sequence[Path]) -> None:
    if len({target.absolute() for target in targets}) < len(targets):
        reason = "two outputs would go to the same file"
        raise InvalidCombinationError(f"path: {reason}", parameter="path", reason=reason)


def _filling(text: str) -> Callable[[BinaryIO], object]:
    return lambda stream: stream.write(text.encode("utf-8"))


def _stage(temporary: Path, target: Path, fill: Callable[[BinaryIO], object]) -> None:
    try:
        with temporary.open("xb") as stream:
            fill(stream)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        raise _unwritable(target, error.strerror or str(error)) from None


def _rename(temporary: Path, target: Path) -> None:
    try:
        temporary.replace(target)
    except OSError as error:
        raise _unwritable(target, error.strerror or str(error)) from None


def _unwritable(target: Path, reason: str, *, parameter: str = "path") -> UnwritableFileError:
    return UnwritableFileError(f"{target}: {reason}", parameter=parameter, path=str(target), reason=reason)
