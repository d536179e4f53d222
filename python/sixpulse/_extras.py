"""Loads optional packages when they are first used, and says which extra brings one that is absent."""

from __future__ import annotations

import importlib
from types import ModuleType

from .errors import MissingDependencyError


def require(package: str, *, extra: str) -> ModuleType:
    """Import the module of that name.

    Raises
    ------
    MissingDependencyError
        The package is not installed.
    """
    try:
        return importlib.import_module(package)
    except ModuleNotFoundError as error:
        if error.name is not None and not package.startswith(error.name):
            raise
        raise MissingDependencyError(
            f"{package}: not installed; pip install 'sixpulse[{extra}]' brings it",
            parameter=package,
            package=package,
            extra=extra,
        ) from None
