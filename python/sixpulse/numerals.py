"""Numbers as a person reads them: SI prefixes, digits by uncertainty. The point is a point; a catalogue turns it."""

from __future__ import annotations

import math

__all__ = ["quantity", "significant"]

_PREFIXES = {-9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M"}
_PREFIXED = ("V", "A", "Hz", "s", "Ω", "H")


def quantity(value: float, unit: str, *, std: float | None = None) -> str:
    """Write a value with its SI prefix, rounded to two digits of its standard uncertainty.

    Parameters
    ----------
    value : float
        In the unit.
    unit : str
        "V", "Hz", "s", "Ω", "H"; "V/V" or "" for ratios, which take no prefix.
    std : float, optional
        Standard uncertainty in the same unit; four digits are shown without it.

    >>> quantity(0.41234, "V", std=0.0021), quantity(312.345, "Hz"), quantity(12e-6, "s"), quantity(0.21, "V/V")
    ('412.3 mV ± 2.1 mV', '312.3 Hz', '12 µs', '0.21 V/V')
    >>> quantity(0.0, "V", std=40e-6)
    '0 µV ± 40 µV'
    """
    exponent = 0
    # A value lost in its uncertainty is written in the unit of that.
    size = max(abs(value), std or 0.0)
    if unit in _PREFIXED and size > 0.0:
        exponent = min(6, max(-9, 3 * math.floor(math.log10(size) / 3)))
    suffix = f" {_PREFIXES[exponent]}{unit}".rstrip()
    scaled = value / 10.0**exponent
    # Next to nothing may vanish beside the prefix.
    scaled_std = 0.0 if std is None else std / 10.0**exponent
    if not scaled_std > 0.0:
        return f"{significant(scaled)}{suffix}"
    places = max(0, 1 - math.floor(math.log10(scaled_std)))
    return f"{scaled:.{places}f}{suffix} ± {scaled_std:.{places}f}{suffix}"


def significant(value: float, *, digits: int = 4) -> str:
    """Write that many significant digits without an exponent.

    Parameters
    ----------
    value : float
        A finite number.
    digits : int
        Significant digits, at least 1; zeros at the end are left out.

    >>> significant(0.000123456), significant(20000.0), significant(0.0)
    ('0.0001235', '20000', '0')
    """
    if value == 0.0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
