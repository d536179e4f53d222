"""Everything that decides what a unit's part holds, beside the unit's own bytes."""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from .. import _core
from .dataset import Known
from .table import TABLE_VERSION, table_schema

__all__: list[str] = []


@functools.cache
def build_digest() -> str:
    """SHA-256 of the compiled module."""
    with Path(_core.__file__).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()[:16]


@dataclass(frozen=True)
class Settings:
    """Settings of a run.

    Attributes
    ----------
    known : Known
        What is known of every capture.
    roles : tuple of (str or int, str)
        Roles by column, as the caller gave them.
    reading : tuple of (str, object)
        What :func:`sixpulse.read` is given beside the path; for files alone.
    carried : pyarrow.Schema
        Columns carried over into the table.
    circuits : tuple of str
        Traces that are tested for contamination.
    library_version : str
        Version of this library.
    build : str
        Digest of the compiled module: results of another build are other results.
    """

    known: Known
    roles: tuple[tuple[str | int, str], ...]
    reading: tuple[tuple[str, Any], ...]
    carried: Any
    circuits: tuple[str, ...]
    library_version: str = _core.VERSION
    build: str = dataclasses.field(default_factory=build_digest)

    @property
    def roles_of_columns(self) -> dict[str, str]:
        """Roles by column of a data set."""
        return {str(column): role for column, role in self.roles}

    @property
    def schema(self) -> Any:
        """Schema of the table."""
        return table_schema(self.carried, circuits=self.circuits)

    def carried_of(self, batch: Any) -> list[Any]:
        """Take the carried columns of a batch; one that it lacks is null."""
        return [
            batch.column(field.name).cast(field.type)
            if field.name in batch.schema.names
            else pa.nulls(batch.num_rows, field.type)
            for field in self.carried
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return the settings as plain data, for the manifest."""
        return {
            "table_version": TABLE_VERSION,
            "library_version": self.library_version,
            "build": self.build,
            "known": dataclasses.asdict(self.known),
            "roles": {str(column): role for column, role in self.roles},
            "reading": {name: _plain(value) for name, value in self.reading},
            "circuits": list(self.circuits),
            "carried": {field.name: str(field.type) for field in self.carried},
        }

    @functools.cached_property
    def digest(self) -> str:
        """SHA-256 of the settings."""
        return hashlib.sha256(json.dumps(self.to_dict(), sort_keys=True).encode()).hexdigest()

    def fingerprint(self, content: str, duplicates: frozenset[str]) -> str:
        """Fingerprint of a unit: its bytes, these settings, and which of its identities stand for several captures."""
        text = "\n".join([self.digest, content, *sorted(duplicates)])
        return hashlib.sha256(text.encode()).hexdigest()[:20]


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    return value.to_dict() if hasattr(value, "to_dict") else value
