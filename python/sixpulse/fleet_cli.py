"""``sixpulse fleet``: examines a data set of captures and writes one table."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from ._console import complain
from .errors import InvalidCombinationError

__all__ = ["add_fleet_arguments", "register", "run_fleet"]

EXIT_INTERRUPTED = 130


def register(commands: Any) -> None:
    """Add the subcommand to the command line's parsers."""
    parser = commands.add_parser(
        "fleet",
        help="examine many captures and write one table",
        description="Examine every capture of a data set and write a Parquet table with one row for each. Interrupted, "
        "it goes on where it stopped when it is run again.",
    )
    add_fleet_arguments(parser)
    parser.set_defaults(run=run_fleet)


def add_fleet_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``sixpulse fleet``."""
    add = parser.add_argument
    add("source", metavar="SOURCE", help="Parquet data set (folder, file, glob) or a folder of captures")
    add("destination", metavar="DESTINATION", help="folder for the table; made when it is not there")
    add(
        "--role",
        action="append",
        default=[],
        metavar="COLUMN=ROLE",
        help="a column and where its probe was; needed for a folder of captures, and for columns of a data set that "
        "are not named after a role; once for each column",
    )
    add("--captures", metavar="TABLE", help="CSV or Parquet table of the files: path, capture_id, what else is known")
    add("--sample-rate-hz", type=float, metavar="HZ", help="of files that do not state it")
    add("--coupling", choices=("dc", "ac"), help="of files that do not state it")
    add("--scale", type=float, metavar="FACTOR", help="factor on the values of files")
    add("--pole-pairs", type=int, metavar="N", help="pole pairs of the alternators")
    add("--pulley-ratio", type=float, metavar="RATIO", help="alternator speed / engine speed")
    add("--pulse-number", type=int, default=6, metavar="6|12", help="pulses in each electrical cycle (6)")
    add("--electrical-hz", type=float, metavar="HZ", help="electrical frequency, where it is known")
    add("--executor", choices=("threads", "processes", "serial"), default="threads", help="who works (threads)")
    add("--workers", type=int, metavar="N", help="number of workers; one for each processor by default")
    add("--duplicate-ids", choices=("refuse", "mark"), default="refuse", help="what to do with identities used twice")
    add("--existing", choices=("resume", "replace"), default="resume", help="what to do with a table that is there")
    add("--quiet", action="store_true", help="no progress; a log and CI get none anyway")


def run_fleet(arguments: argparse.Namespace) -> int:
    """Examine the data set; return the exit status: 0, or 2 when a part of the source could not be read.

    Raises
    ------
    SixpulseError
        A bad argument, a source that cannot be read, a destination that cannot be written.
    """
    from . import fleet  # noqa: PLC0415 - a command pays for its own imports only
    from ._core import Machine  # noqa: PLC0415

    machine = Machine(
        pole_pairs=arguments.pole_pairs, pulley_ratio=arguments.pulley_ratio, pulse_number=arguments.pulse_number
    )
    given = {name: getattr(arguments, name) for name in ("sample_rate_hz", "coupling", "scale")}
    reading = {name: value for name, value in given.items() if value is not None}
    try:
        summary = fleet.examine_dataset(
            arguments.source,
            arguments.destination,
            executor=arguments.executor,
            workers=None if arguments.executor == "serial" else arguments.workers,
            progress=not arguments.quiet,
            roles=_roles(arguments.role) or None,
            machine=machine,
            electrical_hz=arguments.electrical_hz,
            captures=arguments.captures,
            reading=reading or None,
            duplicate_ids=arguments.duplicate_ids,
            existing=arguments.existing,
        )
    except KeyboardInterrupt:
        print("sixpulse: interrupted; what is done stays, run it again to go on", file=sys.stderr)
        return EXIT_INTERRUPTED
    print(_sentence(summary))
    if summary.unreadable:
        first = summary.unreadable[0]
        return complain(f"{len(summary.unreadable)} could not be read, the first: {first.text} [{first.code}]")
    return 0


def _roles(words: list[str]) -> dict[str, Any]:
    roles: dict[str, Any] = {}
    for word in words:
        column, separator, role = word.rpartition("=")
        if not separator or not column or column in roles:
            reason = f'expected COLUMN=ROLE, each column once, got "{word}"'
            raise InvalidCombinationError(f"--role: {reason}", parameter="--role", reason=reason)
        roles[column] = role
    return roles


def _sentence(summary: Any) -> str:
    failures = ", ".join(f"{count} {code}" for code, count in summary.failures.items())
    rate = summary.captures_per_s
    return (
        f"{summary.captures} captures: {summary.examined} examined"
        f"{f' at {rate:.3g} a second' if rate else ''}, {summary.captures - summary.examined} were there, "
        f"{summary.failed} failed{f' ({failures})' if failures else ''}"
    )
