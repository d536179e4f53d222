"""Errors that several parts build alike."""

from __future__ import annotations

from .errors import InvalidCombinationError


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
