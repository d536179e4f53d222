"""``sixpulse plan``: how to set an instrument for a machine, or what the instrument lacks."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from typing import Any

from ._console import put
from ._core import Machine
from .planning import Instrument, Plan, Recording, plan

__all__ = ["plan_text", "register"]


def register(commands: Any) -> None:
    """Add the subcommand to the command line's parsers.

    Parameters
    ----------
    commands : argparse subparsers
        Where to add it.
    """
    parser = commands.add_parser(
        "plan",
        help="plan captures for a machine and an instrument",
        description="Sample rate, record length, range, coupling, where the leads go, speeds, loads, the intervention.",
    )
    parser.set_defaults(run=_plan)
    add = parser.add_argument
    add("--engine-rpm", type=float, nargs=2, required=True, metavar=("LOW", "HIGH"), help="engine speeds to record")
    add("--system-v", type=int, required=True, metavar="12|24", help="nominal voltage")
    add("--pole-pairs", type=int, metavar="N", help="pole pairs of the alternator, where known")
    add("--pulley-ratio", type=float, metavar="RATIO", help="alternator speed / engine speed, where known")
    add("--pulse-number", type=int, default=6, metavar="6|12", help="pulses in each electrical cycle (6)")
    add("--highest-order", type=int, metavar="N", help="highest order wanted, 1 to 24 (twice the pulse number)")
    add("--bits", type=int, required=True, metavar="N", help="bits of the converter")
    add("--memory-samples", type=int, required=True, metavar="N", help="samples for each channel in use")
    rates = "a sample rate that can be set; several may be given"
    add("--sample-rate-hz", type=float, nargs="+", required=True, metavar="HZ", help=rates)
    ranges = "an input range, from the middle to the edge of the screen; several may be given"
    add("--range-v", type=float, nargs="+", required=True, metavar="V", help=ranges)
    corner = "corner of the input's AC coupling, without a probe; not given: it has none"
    add("--ac-corner-hz", type=float, metavar="HZ", help=corner)
    add("--probe-attenuation", type=float, required=True, metavar="FACTOR", help="1 for a plain lead, 10 for 10:1")
    add("--channels", type=int, required=True, metavar="N", help="number of channels")
    add("--json", metavar="OUT", help="write the result as JSON; - for standard output, instead of the text")


def _plan(options: argparse.Namespace) -> int:
    machine = Machine(
        pole_pairs=options.pole_pairs, pulley_ratio=options.pulley_ratio, pulse_number=options.pulse_number
    )
    instrument = Instrument(
        bits=options.bits,
        memory_samples=options.memory_samples,
        sample_rates_hz=options.sample_rate_hz,
        ranges_v=options.range_v,
        ac_corner_hz=options.ac_corner_hz,
        probe_attenuation=options.probe_attenuation,
        channels=options.channels,
    )
    made = plan(
        machine,
        engine_rpm=tuple(options.engine_rpm),
        instrument=instrument,
        system_v=options.system_v,
        highest_order=options.highest_order,
    )
    return put(made.to_json(indent=2) + "\n", plan_text(made), json_target=options.json)


_FEASIBILITY = {
    "full": "The instrument can do it.",
    "limited": "The instrument reads the pattern, with limits.",
    "not_possible": "The instrument cannot read the pattern over this range of speeds.",
}
_PLACES = {
    "charging_post": "the alternator's output terminal",
    "alternator_case": "the alternator's bare metal case",
    "sensor_signal": "the sensor's signal wire at its controller",
    "sensor_return": "the sensor's return wire at the same connector",
    "battery_positive": "the battery's positive post",
    "battery_negative": "the battery's negative post",
}
_PURPOSES = {"ripple": "Ripple", "level": "Level", "ramp": "Ramp"}
_OUTCOMES = {"met": "met", "limited": "not met, limits", "failed": "not met, prevents"}


def plan_text(made: Plan) -> Iterable[str]:
    """Write a plan as lines, not yet wrapped.

    Parameters
    ----------
    made : Plan
        What :func:`sixpulse.plan` made.

    Returns
    -------
    iterable of str
    """
    yield _FEASIBILITY[made.feasibility]
    yield f"Coupling for the ripple: {made.coupling.upper()}. {made.coupling_reason}"
    yield from _block("Taken for granted", made.assumptions)
    yield from _block("Before you touch anything", made.cautions)
    leads = (
        f"Channel {c.channel}: tip on {_PLACES[c.tip]}, other lead on {_PLACES[c.reference]}. {c.reason}"
        for c in made.connections
    )
    yield from _block("Leads", leads)
    yield from _block("Recordings", map(_recording, made.recordings))
    yield from _block("Intervention", made.intervention)
    needs = (f"{r.code.replace('_', ' ')}, {_OUTCOMES[r.outcome]}: {r.statement}" for r in made.requirements)
    yield from _block("Requirements", needs)
    yield from _block("Can be shown", (v.statement for v in made.views if v.available))
    yield from _block("Cannot be shown", (v.statement for v in made.views if not v.available))


def _block(title: str, lines: Iterable[str]) -> Iterable[str]:
    listed = list(lines)
    if listed:
        yield ""
        yield title
        yield from (f"  - {line}" for line in listed)


def _recording(one: Recording) -> str:
    speed = f"{one.engine_rpm:.0f} 1/min"
    if one.engine_rpm_end != one.engine_rpm:
        speed = f"{one.engine_rpm:.0f} to {one.engine_rpm_end:.0f} 1/min"
    if one.full_scale_input_v is None or one.step_v is None:
        scale = "no range holds it"
    else:
        scale = f"range {one.full_scale_input_v:g} V either way at the input, a step of {1000 * one.step_v:.3g} mV"
    if one.finer_full_scale_input_v is not None:
        scale += f"; where the ripple stays inside, again at {one.finer_full_scale_input_v:g} V"
    suffix = "" if one.reads_pattern or one.purpose == "level" else "; no pattern can be read on it"
    return (
        f"{_PURPOSES[one.purpose]}, {speed}, {one.load} load: {one.coupling.upper()}, {one.sample_rate_hz:g} S/s, "
        f"{one.samples} samples ({one.duration_s:.3g} s, {one.cycles:.0f} cycles), {scale}{suffix}"
    )
