"""An examination in plain words: the sentences and figures that the report and the command line both show.

Nothing is judged here. Every sentence restates a field of the :class:`~sixpulse.results.Examination`; what a capture
of this kind cannot show, and what should not be replaced on the strength of it, follows from the verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from .results import Cycle, Examination, Finding, Impedance, Level, Points, Rectifier, Ripple

__all__ = ["PATTERN_NAMES", "Figure", "Narrative", "narrate", "percent", "quantity"]

#: What each pattern is called in a sentence.
PATTERN_NAMES: dict[str, str] = {
    "healthy": "a healthy rectifier",
    "open_diode": "one open diode",
    "shorted_diode": "one shorted diode",
    "open_phase": "an open phase",
    "two_open_diodes": "two open diodes",
    "imbalance": "an imbalance short of a failed diode",
    "not_charging": "no charging",
    "undetermined": "none of these",
}

_HEADLINES: dict[str, str] = {
    "healthy": "The ripple is that of a healthy rectifier.",
    "open_diode": "The ripple is that of a rectifier with one open diode.",
    "shorted_diode": "The ripple is that of a rectifier with one shorted diode.",
    "open_phase": "The ripple is that of an alternator with one phase missing.",
    "two_open_diodes": "The ripple is that of a rectifier with two open diodes.",
    "imbalance": "The pulses are unequal, short of a failed diode.",
    "not_charging": "No rectifier ripple: the alternator does not deliver.",
    "undetermined": "This capture does not tell the rectifier's condition.",
}

_HARD_FAULTS = ("open_diode", "shorted_diode", "open_phase", "two_open_diodes")

_NOT_YET: dict[str, str] = {
    "healthy": "The alternator and its rectifier: nothing in the ripple speaks against them.",
    "open_diode": "The battery and the voltage regulator: a failed diode alone accounts for the pattern.",
    "shorted_diode": "The battery and the voltage regulator: a failed diode alone accounts for the pattern.",
    "open_phase": "The rectifier and the regulator, before the stator leads and their joints have been checked.",
    "two_open_diodes": "The battery and the voltage regulator: the failed diodes alone account for the pattern.",
    "imbalance": "The alternator: a loose or corroded joint at the rectifier makes unequal pulses as well.",
    "not_charging": "The alternator: belt, fusible link, excitation circuit and wiring stop the charging as well.",
    "undetermined": "Anything: first take a capture that can be read.",
}


@dataclass(frozen=True)
class Figure:
    """One named figure, written out with its unit and uncertainty.

    Attributes
    ----------
    name : str
        The name the trade gives it.
    value : str
        The number with its unit, and its standard uncertainty where there is one.
    note : str
        What it means or how it is made; may be empty.
    """

    name: str
    value: str
    note: str = ""


@dataclass(frozen=True)
class Narrative:
    """An examination in plain words.

    Attributes
    ----------
    headline : str
        The verdict in one sentence.
    certainty : str
        How sure it is.
    shows : tuple of str
        What the capture shows beside the headline.
    silent_on : tuple of str
        What the capture does not show.
    next_tests : tuple of str
        What to test next, the most pressing first.
    not_yet : tuple of str
        What not to replace yet, each with its reason.
    cautions : tuple of str
        Cautions for the next tests.
    """

    headline: str
    certainty: str
    shows: tuple[str, ...]
    silent_on: tuple[str, ...]
    next_tests: tuple[str, ...]
    not_yet: tuple[str, ...]
    cautions: tuple[str, ...]


def narrate(examination: Examination) -> Narrative:
    """Put an examination in plain words."""
    ambiguities = [other.next_test for other in examination.rectifier.ambiguous_with]
    tests = [finding.next_test for finding in examination.findings if finding.next_test]
    return Narrative(
        headline=_HEADLINES[examination.rectifier.pattern],
        certainty=_certainty(examination.rectifier),
        shows=tuple(finding.statement for finding in reported(examination)),
        silent_on=tuple(_silent_on(examination)),
        next_tests=_distinct([*tests, *ambiguities]),
        not_yet=tuple(_not_yet(examination)),
        cautions=examination.cautions,
    )


def reported(examination: Examination) -> tuple[Finding, ...]:
    """List the findings proper, without the advice that has a place of its own."""
    return tuple(finding for finding in examination.findings if finding.code != "do_not_replace_yet")


def _certainty(rectifier: Rectifier) -> str:
    if rectifier.pattern == "undetermined":
        return rectifier.reason or "No pattern stands out from the others."
    ranked = sorted(rectifier.probabilities.items(), key=lambda pair: -pair[1])
    others = [f"{PATTERN_NAMES[name]} {percent(p)}" for name, p in ranked if name != rectifier.pattern and p >= 0.005]
    text = f"Probability {percent(rectifier.probabilities[rectifier.pattern])}"
    if not others:
        return f"{text}; no other reading reaches 0.5 %."
    return f"{text}; else {', '.join(others[:3])}."


def _silent_on(examination: Examination) -> Iterable[str]:
    pattern = examination.rectifier.pattern
    if pattern in _HARD_FAULTS:
        yield "Which phase and which rail: from the DC side neither can be told."
    for other in examination.rectifier.ambiguous_with:
        yield f"Whether it is {PATTERN_NAMES[other.pattern]} instead ({percent(other.probability)})."
    if examination.level.mean_v is None:
        yield f"The charging level: {examination.level.reason or 'it was not measured'}."
    if examination.cycle.electrical_hz is None:
        yield f"The electrical frequency: {examination.cycle.reason or 'no cycle was found'}."
    if examination.points is None or examination.points.attenuation is None:
        yield "How much of the ripple the battery lets through: that needs the charging post and the battery together."
    if not examination.contamination:
        yield "Whether another circuit carries the ripple: no such circuit was captured."
    yield from _silent_on_circuits(examination)
    if pattern != "not_charging":
        yield "The alternator's capacity: ripple says nothing of the current it can deliver."


def _silent_on_circuits(examination: Examination) -> Iterable[str]:
    for name, one in examination.contamination.items():
        if one.verdict == "undetermined":
            yield f'Whether "{name}" carries the ripple: {one.reason}'
        if one.verdict == "clean" and one.detectable_gain_v_per_v is not None:
            gain = quantity(one.detectable_gain_v_per_v, "V/V")
            yield f'A coupling into "{name}" weaker than {gain}: it would not stand out from the noise.'


def _not_yet(examination: Examination) -> Iterable[str]:
    yield _NOT_YET[examination.rectifier.pattern]
    for name, one in examination.contamination.items():
        if one.verdict == "contaminated":
            yield f'The sensor on "{name}", its harness and its control module: what disturbs it comes from the supply.'


def _distinct(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))


# ---------------------------------------------------------------------------------------------------------------------
# Figures


def level_figures(level: Level) -> tuple[Figure, ...]:
    """Write out the charging level."""
    if level.mean_v is None:
        return (Figure("Mean voltage", "not known", level.reason or ""),)
    figures = [Figure("Mean voltage", quantity(level.mean_v, "V"), f'on "{level.trace}"')]
    if level.window_low_v is not None and level.window_high_v is not None:
        window = f"{level.window_low_v:.2f} V to {level.window_high_v:.2f} V"
        figures.append(Figure("Usual window", window, f"{level.system_v:g} V system, {level.temperature_c:g} °C"))
    figures.append(Figure("Comparison", _LEVEL_WORDS[level.verdict], level.reason or ""))
    return tuple(figures)


_LEVEL_WORDS = {
    "not_charging": "not charging",
    "low": "below the window",
    "within": "inside the window",
    "high": "above the window",
    "unknown": "not known",
}


def ripple_figures(ripple: Ripple | None) -> tuple[Figure, ...]:
    """Write out the ripple numbers, each under its own name with its formula."""
    if ripple is None:
        return ()
    volts: list[tuple[str, float | None, float | None, str]] = [
        ("Peak-to-peak", ripple.peak_to_peak_v, ripple.peak_to_peak_v_std, "highest - lowest of the record"),
        ("R.m.s.", ripple.rms_v, ripple.rms_v_std, "level removed"),
        (
            "Synchronous r.m.s.",
            ripple.synchronous_rms_v,
            ripple.synchronous_rms_v_std,
            "what repeats with the electrical cycle",
        ),
        ("Residual r.m.s.", ripple.residual_rms_v, ripple.residual_rms_v_std, "the rest"),
        ("Mean cycle, peak-to-peak", ripple.synchronous_peak_to_peak_v, None, "free of noise"),
    ]
    ratios: list[tuple[str, float | None, float | None, str]] = [
        ("R.m.s. ripple factor", ripple.rms_ripple_factor, ripple.rms_ripple_factor_std, "r.m.s. / level"),
        ("Peak-ripple factor", ripple.peak_ripple_factor, ripple.peak_ripple_factor_std, "peak-to-peak / level"),
        ("DC ripple factor", ripple.dc_ripple_factor, None, "half the peak-to-peak / level"),
        ("Crest factor", ripple.crest_factor, ripple.crest_factor_std, "highest excursion / r.m.s."),
    ]
    written = [Figure(name, quantity(v, "V", std=s), note) for name, v, s, note in volts if v is not None]
    return (*written, *(Figure(name, quantity(v, "", std=s), note) for name, v, s, note in ratios if v is not None))


def cycle_figures(cycle: Cycle) -> tuple[Figure, ...]:
    """Write out the electrical cycle."""
    if cycle.electrical_hz is None:
        return (Figure("Electrical frequency", "not found", cycle.reason or ""),)
    figures = [
        Figure("Electrical frequency", quantity(cycle.electrical_hz, "Hz", std=cycle.electrical_hz_std)),
        Figure("Cycles averaged", str(cycle.cycle_count)),
    ]
    if cycle.speed_change is not None:
        figures.append(Figure("Speed change", percent(cycle.speed_change), "(highest - lowest) / mean of the track"))
    return tuple(figures)


def contamination_figures(examination: Examination, name: str) -> tuple[Figure, ...]:
    """Write out what one circuit carries of the ripple."""
    one = examination.contamination[name]
    figures = [Figure("Verdict", one.verdict, one.reason)]
    if one.gain_v_per_v is not None:
        gain = quantity(one.gain_v_per_v, "V/V", std=one.gain_v_per_v_std)
        figures.append(Figure("Gain", gain, "circuit / supply"))
    if one.delay_s is not None:
        delay = quantity(one.delay_s, "s", std=one.delay_s_std)
        figures.append(Figure("Delay", delay, _PATH_NOTES[one.path] if one.path else ""))
    figures.append(Figure("Explained", percent(one.explained_fraction), "of the circuit's AC power, by the ripple"))
    own = "standstill" if one.own_frequency_hz is None else quantity(one.own_frequency_hz, "Hz")
    figures.append(Figure("Own signal", own, f"{quantity(one.own_peak_to_peak_v, 'V')} peak-to-peak, ripple removed"))
    if one.indicated_hz is not None:
        figures.append(Figure("Indicated", quantity(one.indicated_hz, "Hz"), "what a pulse conditioner would count"))
    return tuple(figures)


_PATH_NOTES = {
    "delay": "behind the supply, the same waveform",
    "interpolated_delay": "behind the supply, the same waveform",
    "first_order_lag": "time constant of the low-pass it came through",
    "first_order_high_pass": "time constant of the high-pass it came through: stray capacitance or mutual inductance",
}


def points_figures(points: Points | None) -> tuple[Figure, ...]:
    """Write out the charging post against the battery."""
    if points is None:
        return ()
    figures = []
    if points.post is not None and points.post_rms_v is not None:
        note = f'r.m.s. ripple on "{points.post}"'
        figures.append(Figure("At the charging post", quantity(points.post_rms_v, "V"), note))
    note = f'r.m.s. ripple on "{points.battery}"'
    figures.append(Figure("At the battery", quantity(points.battery_rms_v, "V"), note))
    if points.attenuation is not None:
        note = "battery / charging post" + (" (whole record)" if points.attenuation_basis == "record" else "")
        if points.attenuation_low is not None and points.attenuation_high is not None:
            note += f"; 95 % interval {percent(points.attenuation_low)} to {percent(points.attenuation_high)}"
        figures.append(Figure("Let through", percent(points.attenuation), note))
    if points.impedance_ratio is not None:
        ratio = quantity(points.impedance_ratio, "", std=points.impedance_ratio_std)
        figures.append(Figure("Series impedance", ratio, "cable and return / battery, at the ripple's orders"))
    figures += _impedance_figures("Battery", points.battery_impedance)
    figures += _impedance_figures("Cable and return", points.cable_impedance)
    estimate = points.post_estimate
    if estimate is not None:
        value = f"{quantity(estimate.rms_low_v, 'V')} to {quantity(estimate.rms_high_v, 'V')}"
        figures.append(Figure("The charging post would show", value, f"r.m.s.; {estimate.basis}"))
    return tuple(figures)


def _impedance_figures(what: str, impedance: Impedance | None) -> list[Figure]:
    if impedance is None:
        return []
    frequencies = [order.frequency_hz for order in impedance.orders]
    band = f"{quantity(min(frequencies), 'Hz')} to {quantity(max(frequencies), 'Hz')}"
    ohm = quantity(impedance.resistance_ohm, "Ω", std=impedance.resistance_ohm_std)
    henry = quantity(impedance.inductance_h, "H", std=impedance.inductance_h_std)
    return [
        Figure(f"{what}, resistance", ohm, f'with the current on "{impedance.current}", {band}'),
        Figure(f"{what}, inductance", henry),
    ]


# ---------------------------------------------------------------------------------------------------------------------
# Numbers


def percent(fraction: float) -> str:
    """Write a fraction as a percentage that never claims certainty.

    >>> percent(0.962), percent(0.99999), percent(1e-6)
    ('96.2 %', 'more than 99.9 %', 'less than 0.1 %')
    """
    if 0.999 < fraction <= 1.0:
        return "more than 99.9 %"
    if 0.0 <= fraction < 0.001:
        return "less than 0.1 %"
    return f"{100.0 * fraction:.1f} %".replace(".0 %", " %")


_PREFIXES = {-9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M"}


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
    """
    exponent = 0
    if unit in ("V", "A", "Hz", "s", "Ω", "H") and value != 0.0:
        exponent = min(6, max(-9, 3 * math.floor(math.log10(abs(value)) / 3)))
    suffix = f" {_PREFIXES[exponent]}{unit}".rstrip()
    scaled = value / 10.0**exponent
    if std is None or not std > 0.0:
        return f"{_plain_digits(scaled)}{suffix}"
    scaled_std = std / 10.0**exponent
    places = max(0, 1 - math.floor(math.log10(scaled_std)))
    return f"{scaled:.{places}f}{suffix} ± {scaled_std:.{places}f}{suffix}"


def _plain_digits(value: float) -> str:
    """Write four significant digits without an exponent."""
    if value == 0.0:
        return "0"
    places = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
