"""Errors that several parts build alike."""

from __future__ import annotations

from .errors import InvalidCombinationError, WrongTypeError


def refuse(parameter: str, reason: str) -> InvalidCombinationError:
    """Build the error for arguments that do not go together, or cannot be met.

    Parameters
    ----------
    parameter : str
        The argument at fault.
    reason : str
        Why.

    Returns
    -------
    InvalidCombinationError
    """
    return InvalidCombinationError(f"{parameter}: {reason}", parameter=parameter, reason=reason)


def wrong_type(parameter: str, expected: str, value: object) -> WrongTypeError:
    """Build the error for a value of another kind than what is expected, in words."""
    return _mismatch(parameter, expected, type(value).__name__)


def _mismatch(parameter: str, expected: str, actual: str) -> WrongTypeError:
    message = f"{parameter}: expected {expected}, got {actual}"
    return WrongTypeError(message, parameter=parameter, expected=expected, actual=actual)


def need_text(parameter: str, value: str) -> str:
    """Refuse half a surrogate pair, such as Python makes of a command's bytes that are not UTF-8.

    Parameters
    ----------
    parameter : str
        The argument at fault.
    value : str
        What was given for it.

    Returns
    -------
    str
        The same.

    Raises
    ------
    WrongTypeError
    """
    try:
        value.encode()
    except UnicodeEncodeError:
        raise _mismatch(parameter, "a string", "one that is no Unicode text") from None
    return value


def need(parameter: str, value: object, kind: type | tuple[type, ...], expected: str) -> None:
    """Refuse a value of another kind, before something inside is asked for what it has not.

    Parameters
    ----------
    parameter : str
        The argument at fault.
    value : object
        What was given for it.
    kind : type or tuple of type
        What it has to be.
    expected : str
        The same in words.

    Raises
    ------
    WrongTypeError
    """
    if not isinstance(value, kind):
        raise wrong_type(parameter, expected, value)
