"""Shares with their intervals, as the validation tables print them."""

from __future__ import annotations

from scipy.stats import binomtest


def wilson(hits: int, count: int) -> tuple[float, float, float]:
    """Return a share and the ends of its 95 % Wilson interval, each from 0 to 1; ``count`` is above 0.

    The interval is that of E. B. Wilson, J. Am. Stat. Assoc. 22, 1927.
    """
    interval = binomtest(hits, count).proportion_ci(method="wilson")
    return hits / count, float(interval.low), float(interval.high)


def of(hits: int, count: int) -> str:
    """Write a share as ``41 of 60 (68.3 %; 55.8 to 78.7 %)``."""
    if count == 0:
        return "none"
    share, low, high = wilson(hits, count)
    return f"{hits} of {count} ({100 * share:.1f} %; {100 * low:.1f} to {100 * high:.1f} %)"


def in_percent(hits: int, count: int) -> str:
    """Write a share in per cent as ``68.3 (55.8-78.7)``."""
    if count == 0:
        return "-"
    share, low, high = wilson(hits, count)
    return f"{100 * share:.1f} ({100 * low:.1f}-{100 * high:.1f})"
