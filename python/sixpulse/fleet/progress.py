"""Shows how far a run is, where somebody looks."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Any

from .._extras import require
from ..errors import WrongTypeError
from .summary import Progress

__all__: list[str] = []


class Display:
    """Tells of a run's progress: to a callable, as a bar, or to nobody.

    Parameters
    ----------
    wanted : bool or callable
        True for a bar on standard error where that is a terminal or a notebook; it stays quiet in a log.
    """

    def __init__(self, wanted: bool | Callable[[Progress], object]) -> None:
        self._call = wanted if callable(wanted) else None
        if not callable(wanted) and not isinstance(wanted, bool):
            actual = type(wanted).__name__
            message = f"progress: expected True, False or a callable, got {actual}"
            raise WrongTypeError(message, parameter="progress", expected="True, False or a callable", actual=actual)
        self._wants_bar = wanted is True and is_watched()
        self._bar: Any = None

    def show(self, progress: Progress) -> None:
        """Tell how far it is."""
        if self._call is not None:
            self._call(progress)
        if not self._wants_bar:
            return
        if self._bar is None:
            make = require("tqdm", extra="fleet").tqdm
            self._bar = make(total=progress.captures, initial=progress.found, unit="capture", dynamic_ncols=True)
        self._bar.update(progress.done - self._bar.n)
        if progress.failed:
            self._bar.set_postfix(failed=progress.failed)

    def close(self) -> None:
        """Leave the bar as it is."""
        if self._bar is not None:
            self._bar.close()


def is_watched() -> bool:
    """Tell whether standard error is looked at: a terminal, or a notebook's cell; never under CI."""
    if os.environ.get("CI"):
        return False
    return sys.stderr.isatty() or "ipykernel" in sys.modules
