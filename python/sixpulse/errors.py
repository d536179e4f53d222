"""Exceptions: one root, one class for every stable code.

Every exception carries ``code`` (stable, for programs), ``parameter`` (what was at fault) and the figures of its kind
as attributes; the message is for people and may change. Each class is also the builtin a caller would expect
(``ValueError``, ``TypeError``, ``OSError`` ...), and every one can be pickled: it crosses process pools unharmed.

>>> import sixpulse
>>> try:
...     sixpulse.Machine(pole_pairs=99)
... except sixpulse.errors.OutOfRangeError as error:
...     print(error.code, error.parameter, error.actual)
out_of_range pole_pairs 99.0
"""

from __future__ import annotations

import copyreg
from collections.abc import Mapping
from typing import Any, ClassVar

__all__ = [
    "AboveNyquistError",
    "AmbiguousColumnError",
    "AmbiguousDialectError",
    "BadRowError",
    "CouplingUnknownError",
    "DamagedFileError",
    "DatasetSchemaError",
    "DestinationBusyError",
    "DialectMismatchError",
    "DivergedError",
    "DuplicateIdsError",
    "EmptyFileError",
    "EmptyInputError",
    "EnergyImbalanceError",
    "EventStormError",
    "FileMissingError",
    "FileReadError",
    "FolderNotFileError",
    "InvalidCombinationError",
    "InvalidDocumentError",
    "LengthMismatchError",
    "LimitExceededError",
    "MissingDependencyError",
    "MissingScaleError",
    "MissingValueError",
    "NoConvergenceError",
    "NoNumbersError",
    "NonFiniteError",
    "NonUniformTimeError",
    "NotReachableError",
    "NotRecoverableError",
    "NotTextError",
    "OutOfRangeError",
    "OverRangeError",
    "RateConflictError",
    "RateMismatchError",
    "RateUnknownError",
    "RolesUnknownError",
    "ScaleUnknownError",
    "ShapeError",
    "SixpulseError",
    "TimeColumnError",
    "TooShortError",
    "UndeterminedFitError",
    "UnitConflictError",
    "UnknownColumnError",
    "UnknownNameError",
    "UnknownTraceError",
    "UnreadableFileError",
    "UnsupportedFormatError",
    "UnwritableFileError",
    "WorkersLostError",
    "WrongTypeError",
    "all_codes",
    "class_for",
    "from_core",
]

_CLASSES: dict[str, type[SixpulseError]] = {}


class SixpulseError(Exception):
    """Root of everything this library raises on purpose.

    Parameters
    ----------
    message : str
        One line for a person: parameter, what was expected, what came.
    parameter : str
        Name of the offending parameter; may be empty.
    **fields
        The figures of this kind of error; they become attributes, and ``fields`` lists their names.
    """

    code: ClassVar[str] = "sixpulse_error"
    #: Names of the attributes this kind of error carries beside ``code`` and ``parameter``.
    fields: ClassVar[tuple[str, ...]] = ()
    parameter: str

    def __init_subclass__(cls, **kwargs: Any) -> None:
        """Register the class under its code."""
        super().__init_subclass__(**kwargs)
        if "code" in cls.__dict__:
            _CLASSES[cls.code] = cls

    def __init__(self, message: str, *, parameter: str = "", **fields: object) -> None:
        """Keep the message and the figures."""
        super().__init__(message)
        self.message = message
        self.parameter = parameter
        for name, value in fields.items():
            setattr(self, name, value)

    def __str__(self) -> str:
        """Return the message."""
        # KeyError and OSError have renderings of their own; ours is the plain message everywhere.
        return self.message

    def to_dict(self) -> dict[str, object]:
        """Return the error as a plain dict: ``code``, ``parameter``, ``message`` and the figures of its kind."""
        figures = {name: getattr(self, name) for name in self.fields if hasattr(self, name)}
        return {"code": self.code, "parameter": self.parameter, "message": self.message, **figures}

    def __reduce__(self) -> tuple[Any, ...]:
        return copyreg.__newobj__, (type(self), self.message), self.__dict__.copy()  # type: ignore[attr-defined]


class EmptyInputError(SixpulseError, ValueError):
    """Nothing where at least one is needed: no sample, no trace, no rate, no capture."""

    code = "empty_input"


class NonFiniteError(SixpulseError, ValueError):
    """A NaN or an infinity among the samples; ``index`` is the first."""

    code = "non_finite"
    fields = ("index",)
    index: int


class OutOfRangeError(SixpulseError, ValueError):
    """A number outside its domain (``expected``, in words with its unit)."""

    code = "out_of_range"
    fields = ("expected", "actual")
    expected: str
    actual: float


class TooShortError(SixpulseError, ValueError):
    """Fewer samples than the method needs."""

    code = "too_short"
    fields = ("minimum", "actual")
    minimum: int
    actual: int


class LengthMismatchError(SixpulseError, ValueError):
    """Two records that must be equally long are not."""

    code = "length_mismatch"
    fields = ("expected", "actual")
    expected: int
    actual: int


class RateMismatchError(SixpulseError, ValueError):
    """Two traces of one capture have different sample rates."""

    code = "rate_mismatch"
    fields = ("expected_hz", "actual_hz")
    expected_hz: float
    actual_hz: float


class AboveNyquistError(SixpulseError, ValueError):
    """A frequency at or above half the sample rate."""

    code = "above_nyquist"
    fields = ("nyquist_hz", "frequency_hz")
    nyquist_hz: float
    frequency_hz: float


class UnknownNameError(SixpulseError, ValueError):
    """A word that is not one of the known ones (``expected`` lists them)."""

    code = "unknown_name"
    fields = ("expected", "actual")
    expected: str
    actual: str


class InvalidCombinationError(SixpulseError, ValueError):
    """Something required was not given, or was given where it has no meaning."""

    code = "invalid_combination"
    fields = ("reason",)
    reason: str


class UndeterminedFitError(SixpulseError, ValueError):
    """A fit whose unknowns the data do not determine."""

    code = "undetermined_fit"
    fields = ("reason",)
    reason: str


class NoConvergenceError(SixpulseError, ArithmeticError):
    """An iteration that did not settle."""

    code = "no_convergence"
    fields = ("iterations",)
    iterations: int


class NotReachableError(SixpulseError, ValueError):
    """A set point that the machine cannot deliver: ``reached_v`` volts at the greatest field current, ``limit_a``."""

    code = "not_reachable"
    fields = ("limit_a", "wanted_v", "reached_v")
    limit_a: float
    wanted_v: float
    reached_v: float


class DivergedError(SixpulseError, ArithmeticError):
    """A simulation whose state left every physical range at ``time_s``."""

    code = "diverged"
    fields = ("time_s", "value")
    time_s: float
    value: float


class EventStormError(SixpulseError, ArithmeticError):
    """A simulation with more switching events in one step than a circuit can have."""

    code = "event_storm"
    fields = ("time_s", "limit")
    time_s: float
    limit: int


class EnergyImbalanceError(SixpulseError, ArithmeticError):
    """A simulation whose energies do not add up to within ``limit`` of the turnover."""

    code = "energy_imbalance"
    fields = ("residual_j", "turnover_j", "limit")
    residual_j: float
    turnover_j: float
    limit: float


class ShapeError(SixpulseError, ValueError):
    """An array with the wrong number of dimensions (``expected`` in words, ``actual`` the shape that came)."""

    code = "wrong_shape"
    fields = ("expected", "actual")
    expected: str
    actual: tuple[int, ...]


class MissingScaleError(SixpulseError, ValueError):
    """Integer samples are converter counts, and the scale (units per count) was not given."""

    code = "missing_scale"
    fields = ("dtype",)
    dtype: str


class WrongTypeError(SixpulseError, TypeError):
    """A value of the wrong type (``expected`` in words, ``actual`` the type that came)."""

    code = "wrong_type"
    fields = ("expected", "actual")
    expected: str
    actual: str


class UnknownTraceError(SixpulseError, KeyError):
    """A capture has no trace of that name; ``known`` lists those it has."""

    code = "unknown_trace"
    fields = ("actual", "known")
    actual: str
    known: tuple[str, ...]


class MissingDependencyError(SixpulseError, ImportError):
    """An optional package is not installed; ``extra`` names the extra that brings it."""

    code = "missing_dependency"
    fields = ("package", "extra")
    package: str
    extra: str


class InvalidDocumentError(SixpulseError, ValueError):
    """A dict or JSON text that is not the result it claims to be."""

    code = "invalid_document"
    fields = ("reason",)
    reason: str


class NotRecoverableError(SixpulseError, ValueError):
    """None of ``limit`` draws of an exercise could be used; ``reason`` is the commonest one, with an example."""

    code = "not_recoverable"
    fields = ("limit", "reason")
    limit: int
    reason: str


class UnwritableFileError(SixpulseError, OSError):
    """An output that could not be written; nothing is left half-written."""

    code = "unwritable_file"
    fields = ("path", "reason")
    path: str
    reason: str


class DestinationBusyError(SixpulseError, OSError):
    """Another run is writing to this destination."""

    code = "destination_busy"
    fields = ("path",)
    path: str


class DuplicateIdsError(SixpulseError, ValueError):
    """Several captures of a data set have the same identity; ``count`` identities, ``example`` is one."""

    code = "duplicate_capture_id"
    fields = ("count", "example")
    count: int
    example: str


class WorkersLostError(SixpulseError, ChildProcessError):
    """The workers of a pool are gone, and the pool cannot be replaced; what they finished is kept."""

    code = "worker_lost"


class FileReadError(SixpulseError):
    """Root of what reading a file can raise: ``path``, and ``row`` (from 1) and ``column`` where they are known."""

    fields: ClassVar[tuple[str, ...]] = ("path",)
    path: str
    row: int | None = None
    column: str | None = None

    def to_dict(self) -> dict[str, object]:
        """The error as a plain dict, with the place in the file."""
        return {**super().to_dict(), "row": self.row, "column": self.column}


class FileMissingError(FileReadError, FileNotFoundError):
    """There is no such file."""

    code = "file_not_found"


class FolderNotFileError(FileReadError, IsADirectoryError):
    """The path is a folder."""

    code = "is_directory"


class UnreadableFileError(FileReadError, OSError):
    """The operating system refused to read, or a file that belongs to this one is missing."""

    code = "file_unreadable"


class EmptyFileError(FileReadError, ValueError):
    """A file of 0 bytes, or an array without elements."""

    code = "empty_file"


class NotTextError(FileReadError, ValueError):
    """Bytes that are not text, in a file read as text."""

    code = "not_text"


class NoNumbersError(FileReadError, ValueError):
    """Text without a table of numbers in it."""

    code = "no_numbers"


class BadRowError(FileReadError, ValueError):
    """A row that does not fit the table, or a cell that is no number (``row``, ``column``)."""

    code = "bad_row"


class OverRangeError(FileReadError, ValueError):
    """A mark for a value beyond the input's range instead of a number (``cell``)."""

    code = "over_range"
    fields = ("path", "cell")
    cell: str


class MissingValueError(FileReadError, ValueError):
    """A blank cell, or a mark for no value (``cell``)."""

    code = "missing_value"
    fields = ("path", "cell")
    cell: str


class LimitExceededError(FileReadError, ValueError):
    """A row, header or array beyond the reader's limits."""

    code = "limit_exceeded"


class UnknownColumnError(FileReadError, KeyError):
    """No column of that name or position."""

    code = "unknown_column"


class AmbiguousColumnError(FileReadError, ValueError):
    """Several columns of that name."""

    code = "ambiguous_column"


class TimeColumnError(FileReadError, ValueError):
    """The time column was asked for as a trace."""

    code = "time_column"


class RolesUnknownError(FileReadError, ValueError):
    """No column was given a role, and the file states none."""

    code = "roles_unknown"


class AmbiguousDialectError(FileReadError, ValueError):
    """Text that can be read in two ways."""

    code = "ambiguous_dialect"


class DialectMismatchError(FileReadError, ValueError):
    """A file that does not have the layout its dialect describes."""

    code = "dialect_mismatch"


class UnsupportedFormatError(FileReadError, ValueError):
    """A kind of file, or of data in it, that is not read."""

    code = "unsupported_format"


class DamagedFileError(FileReadError, ValueError):
    """A file that breaks the rules of its own format, or ends too early."""

    code = "damaged_file"


class DatasetSchemaError(FileReadError, ValueError):
    """A Parquet file, or a batch, whose columns are not those of the data set form."""

    code = "wrong_schema"
    fields = ("path", "reason")
    reason: str


class RateUnknownError(FileReadError, ValueError):
    """Neither the file nor the caller states the sample rate."""

    code = "rate_unknown"


class RateConflictError(FileReadError, ValueError):
    """Two statements of the sample rate differ by more than 0.1 % (``first_hz``, ``second_hz``)."""

    code = "rate_conflict"
    fields = ("path", "first_hz", "second_hz")
    first_hz: float
    second_hz: float


class NonUniformTimeError(FileReadError, ValueError):
    """A time column whose steps are not equal (``time_s``, ``deviation_s``, ``step_s``)."""

    code = "non_uniform_time"
    fields = ("path", "time_s", "deviation_s", "step_s")
    time_s: float
    deviation_s: float
    step_s: float


class CouplingUnknownError(FileReadError, ValueError):
    """Neither the file nor the caller states the coupling."""

    code = "coupling_unknown"


class ScaleUnknownError(FileReadError, ValueError):
    """Counts or fractions of full scale, and no factor that makes volts of them."""

    code = "scale_unknown"


class UnitConflictError(FileReadError, ValueError):
    """The unit of a column does not suit its role, or a given unit has a prefix."""

    code = "unit_conflict"


def all_codes() -> tuple[str, ...]:
    """Every stable error code, sorted.

    >>> "non_finite" in all_codes()
    True
    """
    return tuple(sorted(_CLASSES))


def class_for(code: str) -> type[SixpulseError]:
    """Return the exception class of a code; the root class for a code this version does not know.

    >>> class_for("wrong_shape").__name__
    'ShapeError'
    """
    return _CLASSES.get(code, SixpulseError)


def from_core(code: str, parameter: str, message: str, fields: Mapping[str, object] | None = None) -> SixpulseError:
    """Build the exception for an error of the compiled core.

    Parameters
    ----------
    code, parameter, message : str
        As the core states them.
    fields : mapping, optional
        The figures of the error, by name.
    """
    error = class_for(code)(message, parameter=parameter, **dict(fields or {}))
    if error.code != code:
        error.__dict__["code"] = code
    return error
