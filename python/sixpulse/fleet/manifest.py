"""The manifest of a destination: what was run, how, and what became of every unit."""

from __future__ import annotations

import json
import os
import platform
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from .._core import VERSION
from .._files import write_text
from ..errors import FileMissingError, InvalidCombinationError, UnknownColumnError
from .settings import Settings
from .table import TABLE_VERSION
from .units import Unit

__all__ = ["MANIFEST", "read_manifest", "read_table"]

#: Name of the manifest; readers of Parquet folders pass over names that begin with an underscore.
MANIFEST = "_manifest.json"
MANIFEST_VERSION = 1


def read_manifest(destination: str | os.PathLike[str]) -> dict[str, Any] | None:
    """Read the manifest of a destination.

    Parameters
    ----------
    destination : path-like
        Folder that a run wrote to.

    Returns
    -------
    dict or None
        The manifest; None where there is none that this version can read.
    """
    try:
        document = json.loads(Path(destination, MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(document, dict) or document.get("manifest_version") != MANIFEST_VERSION:
        return None
    return document


def read_table(destination: str | os.PathLike[str], *, columns: Sequence[str] | None = None) -> Any:
    """Read the table that a run wrote, in the order of its source.

    Parameters
    ----------
    destination : path-like
        Folder that a run wrote to.
    columns : sequence of str, optional
        Columns to read; all when not given.

    Returns
    -------
    pyarrow.Table
        ``to_pandas()`` and ``polars.from_arrow`` take it from there.

    Raises
    ------
    FileMissingError
        There is no table.
    UnknownColumnError
        It has no such column.
    """
    folder = Path(destination)
    manifest = read_manifest(folder)
    parts = [folder / unit["part"] for unit in (manifest or {}).get("units", [])]
    if not parts:
        raise FileMissingError(f"{folder}: no table there", parameter="destination", path=str(folder))
    schema = pq.read_schema(parts[0]).remove_metadata()
    absent = next((name for name in columns or () if name not in schema.names), None)
    if absent is not None:
        message = f'{folder}: the table has no column "{absent}"'
        raise UnknownColumnError(message, parameter="columns", path=str(folder))
    wanted = None if columns is None else list(columns)
    plain: Any = None  # no partitions; pyarrow's own annotation allows words alone
    tables = [pq.read_table(part, columns=wanted, partitioning=plain).replace_schema_metadata() for part in parts]
    return pa.concat_tables(tables)


def write_manifest(destination: Path, *, settings: Settings, source: str, progress: dict[str, Any]) -> None:
    """Write the manifest whole."""
    document = {
        "manifest_version": MANIFEST_VERSION,
        "table_version": TABLE_VERSION,
        "written_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "versions": {
            "sixpulse": VERSION,
            "python": platform.python_version(),
            "numpy": np.__version__,
            "pyarrow": pa.__version__,
        },
        "source": source,
        "settings": settings.to_dict(),
        "settings_digest": settings.digest,
        **progress,
    }
    text = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
    # Of a file's name that is no Unicode text the escapes are JSON's own, which give it back.
    write_text(destination / MANIFEST, text.encode("utf-8", "backslashreplace").decode())


def check_settings(manifest: dict[str, Any] | None, settings: Settings) -> None:
    """Refuse to mix tables made with other settings."""
    if manifest is None or manifest.get("settings_digest") == settings.digest:
        return
    before, now = manifest.get("settings", {}), settings.to_dict()
    changed = sorted(key for key in {*before, *now} if before.get(key) != now.get(key))
    reason = (
        f"it holds a table made with other settings ({', '.join(changed)}); "
        'give another destination, or existing="replace" to make this one anew'
    )
    raise InvalidCombinationError(f"destination: {reason}", parameter="destination", reason=reason)


def known_contents(
    manifest: dict[str, Any] | None, units: Iterable[Unit], stamps: dict[str, tuple[int, int]]
) -> dict[str, str]:
    """Return the hashes of units whose files have the size and time that the manifest knows."""
    if manifest is None:
        return {}
    before = {path: tuple(value) for path, value in manifest.get("stamps", {}).items()}
    known = {entry["key"]: entry for entry in manifest.get("units", [])}
    return {
        unit.key: known[unit.key]["content"]
        for unit in units
        if unit.key in known
        and known[unit.key]["identity"] == unit.identity
        and all(path in stamps and before.get(path) == stamps[path] for path in unit.paths)
    }
