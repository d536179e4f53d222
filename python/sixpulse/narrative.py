"""An examination in plain words: the sentences and figures that the report and the command line both show.

Nothing is judged here. Every sentence restates a field of the :class:`~sixpulse.results.Examination`; what a capture
of this kind cannot show, and what should not be replaced on the strength of it, follows from the verdicts. The words
stand in the catalogue of the language (:mod:`sixpulse.catalogue`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ._refusals import need
from .catalogue import Catalogue, catalogue
from .numerals import quantity
from .results import Contamination, Cycle, Examination, Finding, Impedance, Level, Points, Rectifier, Ripple

__all__ = ["Figure", "Narrative", "narrate", "percent", "quantity"]

_HARD_FAULTS = ("open_diode", "shorted_diode", "open_phase", "two_open_diodes")
#: Other readings less probable than this are not worth a word.
_WORTH_A_WORD = 0.005


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


def narrate(examination: Examination, *, language: str = "en") -> Narrative:
    """Put an examination in plain words.

    Parameters
    ----------
    examination : Examination
        What :func:`sixpulse.examine` said.
    language : str
        One of :func:`sixpulse.catalogue.languages`.

    Returns
    -------
    Narrative

    Raises
    ------
    UnknownNameError
        There is no catalogue for the language.
    """
    need("examination", examination, Examination, "an Examination")
    words = catalogue(language)
    ambiguities = [other.next_test for other in examination.rectifier.ambiguous_with]
    tests = [finding.next_test for finding in examination.findings if finding.next_test]
    return Narrative(
        headline=words.text(f"headline.{examination.rectifier.pattern}"),
        certainty=_certainty(examination.rectifier, words),
        shows=tuple(words.sentence(finding.statement) for finding in reported(examination)),
        silent_on=tuple(_silent_on(examination, words)),
        next_tests=tuple(words.sentence(test) for test in _distinct([*tests, *ambiguities])),
        not_yet=tuple(_not_yet(examination, words)),
        cautions=tuple(words.sentence(caution) for caution in examination.cautions),
    )


def reported(examination: Examination) -> tuple[Finding, ...]:
    """List the findings proper, without the advice that has a place of its own."""
    return tuple(finding for finding in examination.findings if finding.code != "do_not_replace_yet")


def upper_first(text: str) -> str:
    """Begin a sentence with a capital letter."""
    return text[:1].upper() + text[1:]


def _certainty(rectifier: Rectifier, words: Catalogue) -> str:
    if rectifier.pattern == "undetermined":
        if rectifier.reason is None:
            return words.text("sure.none_stands_out")
        return upper_first(words.sentence(rectifier.reason)).removesuffix(".") + "."
    ranked = sorted(rectifier.probabilities.items(), key=lambda pair: -pair[1])
    others = [
        words.text("sure.other", pattern=words.text(f"pattern.{name}"), percent=words.percent(p))
        for name, p in ranked
        if name != rectifier.pattern and p >= _WORTH_A_WORD
    ]
    percent = words.percent(rectifier.probabilities[rectifier.pattern])
    if not others:
        return words.text("sure.alone", percent=percent)
    return words.text("sure.others", percent=percent, others=", ".join(others[:3]))


def _silent_on(examination: Examination, words: Catalogue) -> Iterable[str]:
    pattern, level, cycle = examination.rectifier.pattern, examination.level, examination.cycle
    if pattern in _HARD_FAULTS:
        yield words.text("silent.rail")
    for other in examination.rectifier.ambiguous_with:
        name = words.text(f"pattern.{other.pattern}")
        yield words.text("silent.instead", pattern=name, percent=words.percent(other.probability))
    if level.mean_v is None:
        reason = words.sentence(level.reason) if level.reason else words.text("silent.level_unmeasured")
        yield words.text("silent.level", reason=reason)
    if cycle.electrical_hz is None:
        reason = words.sentence(cycle.reason) if cycle.reason else words.text("silent.frequency_not_found")
        yield words.text("silent.frequency", reason=reason)
    if examination.points is None or examination.points.attenuation is None:
        yield words.text("silent.battery")
    if not examination.contamination:
        yield words.text("silent.no_circuit")
    yield from _silent_on_circuits(examination, words)
    if pattern != "not_charging":
        yield words.text("silent.capacity")


def _silent_on_circuits(examination: Examination, words: Catalogue) -> Iterable[str]:
    for name, one in examination.contamination.items():
        if one.verdict == "undetermined":
            yield words.text("silent.circuit", name=name, reason=words.sentence(one.reason))
        if one.verdict == "clean" and one.detectable_gain_v_per_v is not None:
            gain = words.quantity(one.detectable_gain_v_per_v, "V/V")
            yield words.text("silent.weak", name=name, gain=gain)


def _not_yet(examination: Examination, words: Catalogue) -> Iterable[str]:
    yield words.text(f"not_yet.{examination.rectifier.pattern}")
    for name, one in examination.contamination.items():
        if one.verdict == "contaminated":
            yield words.text("not_yet.circuit", name=name)


def _distinct(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))


# ---------------------------------------------------------------------------------------------------------------------
# Figures


def level_figures(level: Level, *, language: str = "en") -> tuple[Figure, ...]:
    """Write out the charging level."""
    words = catalogue(language)
    reason = words.sentence(level.reason) if level.reason else ""
    name = words.text("figure.mean_voltage")
    if level.mean_v is None:
        return (Figure(name, words.text("word.not_known"), reason),)
    figures = [Figure(name, words.quantity(level.mean_v, "V"), words.text("figure.on_trace", name=level.trace))]
    if level.window_low_v is not None and level.window_high_v is not None:
        low, high = (words.digits(f"{v:.2f} V") for v in (level.window_low_v, level.window_high_v))
        value = words.text("number.range", low=low, high=high)
        system, temperature = (words.digits(f"{v:g}") for v in (level.system_v, level.temperature_c))
        note = words.text("figure.window_note", system=system, temperature=temperature)
        figures.append(Figure(words.text("figure.window"), value, note))
    figures.append(Figure(words.text("figure.comparison"), words.text(f"verdict.{level.verdict}"), reason))
    return tuple(figures)


def ripple_figures(ripple: Ripple | None, *, language: str = "en") -> tuple[Figure, ...]:
    """Write out the ripple numbers, each under its own name with its formula."""
    if ripple is None:
        return ()
    words = catalogue(language)
    listed: list[tuple[str, float | None, str, float | None]] = [
        ("peak_to_peak", ripple.peak_to_peak_v, "V", ripple.peak_to_peak_v_std),
        ("rms", ripple.rms_v, "V", ripple.rms_v_std),
        ("synchronous_rms", ripple.synchronous_rms_v, "V", ripple.synchronous_rms_v_std),
        ("residual_rms", ripple.residual_rms_v, "V", ripple.residual_rms_v_std),
        ("mean_cycle", ripple.synchronous_peak_to_peak_v, "V", None),
        ("rms_factor", ripple.rms_ripple_factor, "", ripple.rms_ripple_factor_std),
        ("peak_factor", ripple.peak_ripple_factor, "", ripple.peak_ripple_factor_std),
        ("dc_factor", ripple.dc_ripple_factor, "", None),
        ("crest_factor", ripple.crest_factor, "", ripple.crest_factor_std),
    ]
    return tuple(
        Figure(words.text(f"figure.{key}"), words.quantity(v, unit, std=std), words.text(f"figure.{key}_note"))
        for key, v, unit, std in listed
        if v is not None
    )


def cycle_figures(cycle: Cycle, *, language: str = "en") -> tuple[Figure, ...]:
    """Write out the electrical cycle."""
    words = catalogue(language)
    name = words.text("figure.frequency")
    if cycle.electrical_hz is None:
        return (Figure(name, words.text("word.not_found"), words.sentence(cycle.reason) if cycle.reason else ""),)
    figures = [
        Figure(name, words.quantity(cycle.electrical_hz, "Hz", std=cycle.electrical_hz_std)),
        Figure(words.text("figure.cycles"), words.count(cycle.cycle_count)),
    ]
    if cycle.speed_change is not None:
        change, note = words.percent(cycle.speed_change), words.text("figure.speed_change_note")
        figures.append(Figure(words.text("figure.speed_change"), change, note))
    return tuple(figures)


def contamination_figures(examination: Examination, name: str, *, language: str = "en") -> tuple[Figure, ...]:
    """Write out what one circuit carries of the ripple."""
    words = catalogue(language)
    one = examination.contamination[name]
    say = words.text
    figures = [Figure(say("figure.verdict"), say(f"verdict.{one.verdict}"), words.sentence(one.reason))]
    if one.gain_v_per_v is not None:
        gain = words.quantity(one.gain_v_per_v, "V/V", std=one.gain_v_per_v_std)
        figures.append(Figure(say("figure.gain"), gain, say("figure.gain_note")))
    if one.delay_s is not None:
        delay = words.quantity(one.delay_s, "s", std=one.delay_s_std)
        figures.append(Figure(say("figure.delay"), delay, _path_note(one, words)))
    explained = words.percent(one.explained_fraction)
    figures.append(Figure(say("figure.explained"), explained, say("figure.explained_note")))
    nothing = "word.none_apart" if one.verdict == "undetermined" else "word.standstill"
    own = say(nothing) if one.own_frequency_hz is None else words.quantity(one.own_frequency_hz, "Hz")
    left = words.quantity(one.own_peak_to_peak_v, "V")
    figures.append(Figure(say("figure.own"), own, say("figure.own_note", volts=left)))
    if one.indicated_hz is not None:
        indicated = words.quantity(one.indicated_hz, "Hz")
        figures.append(Figure(say("figure.indicated"), indicated, say("figure.indicated_note")))
    return tuple(figures)


def _path_note(one: Contamination, words: Catalogue) -> str:
    if one.path is None:
        return ""
    if one.second_time_constant_s is None:
        return words.text(_PATH_NOTES[one.path])
    return words.text(_PATH_NOTES[one.path], second=words.quantity(one.second_time_constant_s, "s"))


_PATH_NOTES = {
    "delay": "figure.delay_same",
    "interpolated_delay": "figure.delay_same",
    "first_order_lag": "figure.delay_low_pass",
    "first_order_high_pass": "figure.delay_high_pass",
    "second_order_lag": "figure.delay_two_low_passes",
    "band_pass": "figure.delay_band_pass",
}


def points_figures(points: Points | None, *, language: str = "en") -> tuple[Figure, ...]:
    """Write out the charging post against the battery."""
    if points is None:
        return ()
    words = catalogue(language)
    say = words.text
    figures = []
    if points.post is not None and points.post_rms_v is not None:
        note = say("figure.rms_on", name=points.post)
        figures.append(Figure(say("figure.at_post"), words.quantity(points.post_rms_v, "V"), note))
    note = say("figure.rms_on", name=points.battery)
    figures.append(Figure(say("figure.at_battery"), words.quantity(points.battery_rms_v, "V"), note))
    if points.attenuation is not None:
        let_through = words.percent(points.attenuation)
        figures.append(Figure(say("figure.let_through"), let_through, _attenuation_note(points, words)))
    if points.impedance_ratio is not None:
        ratio = words.quantity(points.impedance_ratio, "", std=points.impedance_ratio_std)
        figures.append(Figure(say("figure.series"), ratio, say("figure.series_note")))
    figures += _impedance_figures("battery", points.battery_impedance, words)
    figures += _impedance_figures("cable", points.cable_impedance, words)
    estimate = points.post_estimate
    if estimate is not None:
        low, high = (words.quantity(v, "V") for v in (estimate.rms_low_v, estimate.rms_high_v))
        note = say("figure.post_would_show_note", basis=words.sentence(estimate.basis))
        figures.append(Figure(say("figure.post_would_show"), say("number.range", low=low, high=high), note))
    return tuple(figures)


def _attenuation_note(points: Points, words: Catalogue) -> str:
    note = words.text("figure.let_through_note")
    if points.attenuation_basis == "record":
        note += " " + words.text("figure.whole_record")
    if points.attenuation_low is not None and points.attenuation_high is not None:
        low, high = words.percent(points.attenuation_low), words.percent(points.attenuation_high)
        note += "; " + words.text("figure.interval", low=low, high=high)
    return note


def _impedance_figures(what: str, impedance: Impedance | None, words: Catalogue) -> list[Figure]:
    if impedance is None:
        return []
    frequencies = [order.frequency_hz for order in impedance.orders]
    low, high = words.quantity(min(frequencies), "Hz"), words.quantity(max(frequencies), "Hz")
    ohm = words.quantity(impedance.resistance_ohm, "Ω", std=impedance.resistance_ohm_std)
    henry = words.quantity(impedance.inductance_h, "H", std=impedance.inductance_h_std)
    note = words.text("figure.impedance_note", name=impedance.current, low=low, high=high)
    return [
        Figure(words.text(f"figure.{what}_resistance"), ohm, note),
        Figure(words.text(f"figure.{what}_inductance"), henry),
    ]


def percent(fraction: float) -> str:
    """Write a fraction as a percentage in English that never claims certainty.

    >>> percent(0.962), percent(0.99999), percent(1e-6)
    ('96.2 %', 'more than 99.9 %', 'less than 0.1 %')
    """
    return catalogue("en").percent(fraction)
