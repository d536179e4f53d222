"""What a run says at its end, and while it lasts."""

from __future__ import annotations

from dataclasses import dataclass

from .._result import Result, short

__all__ = ["FleetSummary", "Progress", "Unreadable"]


@dataclass(frozen=True, eq=False, repr=False)
class Unreadable(Result):
    """A part of the source that could not be read.

    Attributes
    ----------
    place : str
        The file, and the row group where it is one of it.
    rows : int or None
        Captures in it, where that is known.
    code : str
        Stable code of the error.
    text : str
        The error in one line.
    """

    place: str
    rows: int | None
    code: str
    text: str


@dataclass(frozen=True, eq=False, repr=False)
class FleetSummary(Result):
    """What a run did.

    Attributes
    ----------
    destination : str
        Folder of the table.
    complete : bool
        True when every capture of the source has its row.
    captures : int
        Rows of the table.
    examined : int
        Those that this run examined; the others were there.
    failed : int
        Rows with an error code.
    failures : dict of str to int
        Failed rows by code.
    units : int
        Units of work in the source.
    units_found : int
        Those whose part was there.
    unreadable : tuple of Unreadable
        What could not be read; its captures have no rows.
    elapsed_s : float
        Wall time of the run, seconds.
    seconds : dict of str to float
        Wall time of the workers by activity ("hash", "read", "examine", "write"), summed over the workers.
    """

    destination: str
    complete: bool
    captures: int
    examined: int
    failed: int
    failures: dict[str, int]
    units: int
    units_found: int
    unreadable: tuple[Unreadable, ...]
    elapsed_s: float
    seconds: dict[str, float]

    @property
    def captures_per_s(self) -> float | None:
        """Captures examined each second; None when none was."""
        return self.examined / self.elapsed_s if self.examined and self.elapsed_s > 0.0 else None

    def _facts(self) -> list[tuple[str, str]]:
        return [
            ("destination", repr(self.destination)),
            ("complete", str(self.complete)),
            ("captures", str(self.captures)),
            ("examined", str(self.examined)),
            ("failed", str(self.failed)),
            ("unreadable", str(len(self.unreadable))),
            ("captures_per_s", short(self.captures_per_s)),
        ]


@dataclass(frozen=True)
class Progress:
    """How far a run is.

    Attributes
    ----------
    captures : int
        Captures in the source.
    done : int
        Those that have their row.
    found : int
        Those of them that had it before this run.
    failed : int
        Rows with an error code.
    elapsed_s : float
        Seconds since the run began.
    """

    captures: int
    done: int
    found: int
    failed: int
    elapsed_s: float

    @property
    def captures_per_s(self) -> float | None:
        """Rate of this run; None before the first unit."""
        fresh = self.done - self.found
        return fresh / self.elapsed_s if fresh and self.elapsed_s > 0.0 else None

    @property
    def left_s(self) -> float | None:
        """Seconds left at that rate; None before the first unit."""
        rate = self.captures_per_s
        return None if rate is None else (self.captures - self.done) / rate
