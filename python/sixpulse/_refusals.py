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
        expected, actual = "a string", "one that is no Unicode text"
        message = f"{parameter}: expected {expected}, got {actual}"
        raise WrongTypeError(message, parameter=parameter, expected=expected, actual=actual) from None
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
        actual = type(value).__name__
        message = f"{parameter}: expected {expected}, got {actual}"
        raise WrongTypeError(message, parameter=parameter, expected=expected, actual=actual)
