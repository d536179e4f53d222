"""``sixpulse simulate``: writes simulated captures with their truth."""

from __future__ import annotations

import argparse
import io
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from ._core import Capture
from ._files import check_folder, make_folder, read_text, write_text, write_whole
from ._refusals import refuse
from .simulation import Scenario, Simulated, simulate, simulate_family

__all__ = ["add_simulate_arguments", "register", "run_simulate"]

#: What ``--set`` does not set.
_OPTIONS = frozenset({"seed", "count", "first", "pattern"})


def register(commands: Any) -> None:
    """Add the subcommand to the command line's parsers."""
    parser = commands.add_parser("simulate", help="write simulated captures with known truth")
    add_simulate_arguments(parser)
    parser.set_defaults(run=run_simulate)


def add_simulate_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``sixpulse simulate``."""
    parser.add_argument("destination", type=Path, help="folder for the captures; made when it is not there")
    parser.add_argument("--seed", type=int, required=True, help="names the family of scenarios, 0 to 2**64 - 1")
    parser.add_argument("--count", type=int, default=1, help="how many captures (default: 1)")
    parser.add_argument("--first", type=int, default=0, help="number of the first member (default: 0)")
    parser.add_argument("--pattern", help='pattern, fault, or fault with condition, such as "open_diode_ramp"')
    parser.add_argument("--format", choices=("npz", "csv"), default="npz", help="file format (default: npz)")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        dest="settings",
        help="set a parameter by name; the value is JSON or a word; may be repeated",
    )
    parser.add_argument("--scenario", type=Path, help="simulate this scenario file (JSON) instead of drawing")


def run_simulate(arguments: argparse.Namespace) -> int:
    """Write one capture, one truth and one scenario file for each member; return the exit code 0.

    Raises
    ------
    SixpulseError
        A bad argument; nothing is left half-written.
    """
    destination: Path = arguments.destination
    check_folder(destination)
    settings = dict(_setting(text) for text in arguments.settings)
    for made in _members(arguments, settings):
        make_folder(destination)
        stem = f"{made.truth.sub_kind}_{made.scenario.seed}_{made.scenario.member:05d}"
        _write(destination / stem, made, arguments.format)
        print(destination / f"{stem}.{arguments.format}")
    return 0


def _members(arguments: argparse.Namespace, settings: dict[str, Any]) -> Iterable[Simulated]:
    if arguments.scenario is None:
        return simulate_family(
            seed=arguments.seed,
            count=arguments.count,
            first=arguments.first,
            pattern=arguments.pattern,
            **settings,
        )
    scenario = Scenario.from_json(read_text(arguments.scenario))
    scenario = scenario.replace(**settings) if settings else scenario
    return [Simulated(scenario, *simulate(scenario))]


def _setting(text: str) -> tuple[str, Any]:
    name, equals, value = text.partition("=")
    if not (name and equals):
        raise refuse("--set", f'expected NAME=VALUE, got "{text}"')
    if name in _OPTIONS:
        raise refuse("--set", f'"{name}" is an option of its own, --{name}')
    try:
        return name, json.loads(value)
    except (ValueError, RecursionError):
        return name, value


def _write(stem: Path, made: Simulated, kind: str) -> None:
    # The capture comes last: where it stands, its truth and scenario stand too.
    write_text(stem.with_name(f"{stem.name}.scenario.json"), made.scenario.to_json(indent=1))
    write_text(stem.with_name(f"{stem.name}.truth.json"), made.truth.to_json(indent=1))
    if kind == "csv":
        write_text(stem.with_name(f"{stem.name}.csv"), _csv(made.capture))
    else:
        write_whole(stem.with_name(f"{stem.name}.npz"), lambda stream: stream.write(_npz(made.capture)))


def _npz(capture: Capture) -> bytes:
    arrays: dict[str, Any] = {"sample_rate_hz": capture.sample_rate_hz}
    for name, trace in capture.items():
        arrays[name] = trace.raw()
        arrays[f"{name}_scale"] = trace.scale
        arrays[f"{name}_offset"] = trace.offset
        arrays[f"{name}_coupling"] = trace.coupling
        arrays[f"{name}_role"] = trace.role
    if capture.engine_rpm is not None:
        arrays["engine_rpm"] = capture.engine_rpm
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    return buffer.getvalue()


def _csv(capture: Capture) -> str:
    names = list(capture.names)
    columns = [np.arange(capture.sample_count) / capture.sample_rate_hz]
    columns += [capture[name].values() for name in names]
    header = ",".join(["time_s", *(f"{name}_{capture[name].unit.lower()}" for name in names)])
    buffer = io.StringIO()
    np.savetxt(buffer, np.column_stack(columns), fmt="%.9g", delimiter=",", header=header, comments="", newline="\n")
    return buffer.getvalue()
