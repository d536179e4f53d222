"""Order features for a researcher's own models: a scikit-learn transformer; needs the extra ``sklearn``.

A capture becomes one row: level, ripple numbers, electrical frequency, amplitudes of the orders, and the sub-six ratio
S, each as :func:`sixpulse.examine` measures it. Nothing is learnt from the data, so nothing can leak from a test set.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Literal, Self, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

from . import _core
from ._examine import examine
from ._extras import require
from ._refusals import refuse
from ._result import FloatArray
from .errors import OutOfRangeError, SixpulseError, UnknownNameError
from .results import Examination

require("sklearn", extra="sklearn")

from sklearn.base import BaseEstimator, TransformerMixin  # noqa: E402
from sklearn.utils.parallel import Parallel, delayed  # noqa: E402
from sklearn.utils.validation import validate_data  # noqa: E402

__all__ = ["OrderFeatures"]

_MOST_ORDERS = 24
_Scale: TypeAlias = Literal["volts", "relative"]
_Unreadable: TypeAlias = Literal["raise", "missing"]

_FIGURES: dict[str, Callable[[Examination], float | None]] = {
    "level_mean_v": lambda found: found.level.mean_v,
    "ripple_rms_v": lambda found: None if found.ripple is None else found.ripple.rms_v,
    "ripple_peak_to_peak_v": lambda found: None if found.ripple is None else found.ripple.peak_to_peak_v,
    "ripple_residual_rms_v": lambda found: None if found.ripple is None else found.ripple.residual_rms_v,
    "ripple_crest_factor": lambda found: None if found.ripple is None else found.ripple.crest_factor,
    "electrical_hz": lambda found: found.cycle.electrical_hz,
    "sub_six_ratio": lambda found: found.rectifier.sub_six_ratio,
}


class OrderFeatures(TransformerMixin, BaseEstimator):  # type: ignore[misc]  # scikit-learn has no types
    """Turns captures into a table of features.

    Parameters
    ----------
    sample_rate_hz : float, optional
        Sample rate of the rows when they are given as an array, hertz; needed then.
    orders : int
        Orders 1 to this one, 1 to 24.
    scale : {"volts", "relative"}
        "volts": peak amplitudes; "relative": over the r.m.s. value of the ripple, so that the amount of it does not
        tell one machine from another.
    electrical_hz : float, optional
        The electrical frequency of all captures in hertz, where it is known.
    unreadable : {"raise", "missing"}
        What becomes of a capture that cannot be examined: its error, or a row of NaN (scikit-learn's mark of a missing
        value). A figure that a capture does not have (no cycle, order above half the sample rate) is NaN either way.
    n_jobs : int, optional
        Threads, as scikit-learn counts them.

    Attributes
    ----------
    n_features_in_ : int
        Samples in a row; only after fitting on an array.

    Notes
    -----
    The input of ``fit`` and ``transform`` is a sequence of :class:`sixpulse.Capture`, or an array of shape (captures,
    samples) in volts: DC-coupled records at the charging post.

    Examples
    --------
    >>> import sixpulse
    >>> from sixpulse.sklearn import OrderFeatures
    >>> family = sixpulse.simulate_family(seed=2, count=3, pattern="open_diode", cycles=15)
    >>> table = OrderFeatures(orders=6, scale="relative").fit_transform([made.capture for made in family])
    >>> table.shape
    (3, 13)
    >>> OrderFeatures(orders=2).get_feature_names_out()[-3:]
    array(['order_1_v', 'order_2_v', 'sub_six_ratio'], dtype=object)
    """

    def __init__(
        self,
        *,
        sample_rate_hz: float | None = None,
        orders: int = 12,
        scale: _Scale = "volts",
        electrical_hz: float | None = None,
        unreadable: _Unreadable = "raise",
        n_jobs: int | None = None,
    ) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.orders = orders
        self.scale = scale
        self.electrical_hz = electrical_hz
        self.unreadable = unreadable
        self.n_jobs = n_jobs

    def fit(self, X: Any, y: Any = None) -> Self:  # noqa: ARG002, N803 - scikit-learn's names
        """Check the input; nothing is learnt.

        Parameters
        ----------
        X : sequence of Capture, or array of shape (captures, samples)
            The captures.
        y : None
            Not used.

        Raises
        ------
        OutOfRangeError, UnknownNameError, InvalidCombinationError
            A parameter outside its domain, or an array without a sample rate.
        """
        self._check()
        if _captures(X) is None:
            self._volts(X, reset=True)
        return self

    def transform(self, X: Any) -> FloatArray:  # noqa: N803
        """Examine the captures.

        Parameters
        ----------
        X : sequence of Capture, or array of shape (captures, samples)
            The captures.

        Returns
        -------
        array of shape (captures, features)
            Columns as :meth:`get_feature_names_out` names them.

        Raises
        ------
        SixpulseError
            A capture cannot be examined and ``unreadable`` is "raise".
        """
        self._check()
        captures = _captures(X)
        rows = self._volts(X, reset=False) if captures is None else captures
        table = Parallel(n_jobs=self.n_jobs, prefer="threads")(delayed(self._row)(row) for row in rows)
        return np.array(table, dtype=np.float64).reshape(len(rows), len(self.get_feature_names_out()))

    def get_feature_names_out(self, input_features: Any = None) -> NDArray[np.object_]:  # noqa: ARG002
        """Name the columns.

        Parameters
        ----------
        input_features : None
            Not used: the names do not depend on the input's.

        Returns
        -------
        array of str
        """
        *figures, last = _FIGURES
        unit = "v" if self.scale == "volts" else "over_rms"
        return np.array([*figures, *(f"order_{n}_{unit}" for n in range(1, self.orders + 1)), last], dtype=object)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.requires_fit = False
        return tags

    def _check(self) -> None:
        if isinstance(self.orders, bool) or not isinstance(self.orders, int) or not 1 <= self.orders <= _MOST_ORDERS:
            expected = f"a whole number from 1 to {_MOST_ORDERS}"
            message = f"orders: expected {expected}, got {self.orders!r}"
            raise OutOfRangeError(message, parameter="orders", expected=expected, actual=self.orders)
        for name, hint in (("scale", _Scale), ("unreadable", _Unreadable)):
            actual, expected = str(getattr(self, name)), ", ".join(get_args(hint))
            if actual not in get_args(hint):
                message = f'{name}: expected one of {expected}, got "{actual}"'
                raise UnknownNameError(message, parameter=name, expected=expected, actual=actual)

    def _volts(self, rows: Any, *, reset: bool) -> FloatArray:
        checked: Any = validate_data(self, rows, reset=reset, dtype=np.float64)
        if self.sample_rate_hz is None:
            raise refuse("sample_rate_hz", "an array of samples needs its sample rate")
        return np.asarray(checked, dtype=np.float64)

    def _row(self, row: Any) -> FloatArray:
        try:
            capture = row
            if not isinstance(row, _core.Capture):
                rate_hz: Any = self.sample_rate_hz
                post = _core.Trace(row, sample_rate_hz=rate_hz, coupling="dc", role="charging_post")
                capture = _core.Capture({"post": post})
            return self._features(examine(capture, electrical_hz=self.electrical_hz))
        except SixpulseError:
            if self.unreadable == "raise":
                raise
            return np.full(len(self.get_feature_names_out()), np.nan)

    def _features(self, found: Examination) -> FloatArray:
        figures = [read(found) for read in _FIGURES.values()]
        amplitudes = np.full(self.orders, np.nan)
        there = found.cycle.order_amplitudes_v[: self.orders]
        amplitudes[: there.size] = there
        if self.scale == "relative" and found.ripple is not None:
            amplitudes /= found.ripple.rms_v if found.ripple.rms_v > 0.0 else np.nan
        numbers = [np.nan if figure is None else float(figure) for figure in figures]
        return np.array([*numbers[:-1], *amplitudes, numbers[-1]])


def _captures(given: Any) -> Sequence[_core.Capture] | None:
    """Take a sequence of captures for what it is; None for anything else."""
    if isinstance(given, list | tuple) or (isinstance(given, np.ndarray) and given.dtype == object and given.ndim == 1):
        found = list(given)
        if found and all(isinstance(one, _core.Capture) for one in found):
            return found
    return None
