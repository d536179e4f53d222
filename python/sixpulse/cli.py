"""The command line: ``sixpulse examine``, ``sixpulse compare``, ``sixpulse simulate``.

Exit status 0 when the command ran (whatever it found), 2 on bad input with one line on standard error that ends in the
error's stable code in brackets (but what the parser of the arguments itself refuses). Output files appear whole or not
at all.
"""

from __future__ import annotations

import argparse
import codecs
import importlib.util
import os
import shutil
import sys
from collections.abc import Callable, Sequence
from typing import Any, NoReturn, TypeVar

from . import __version__
from ._console import EXIT_BAD_INPUT, complain
from ._core import Capture, Machine
from ._files import write_texts
from .catalogue import languages
from .errors import InvalidCombinationError, SixpulseError

__all__ = ["main"]

_T = TypeVar("_T")

#: What a shell reports for a command that a signal ended: 128 + SIGINT, 128 + SIGPIPE.
EXIT_INTERRUPTED = 130
EXIT_BROKEN_PIPE = 141

#: Modules with a ``register(commands)`` that adds a subcommand of its own.
_COMMAND_MODULES = ("simulate_cli", "fleet_cli", "exercise_cli", "compare_cli", "meter_cli", "plan_cli")

_BOLD = ("\x1b[1m", "\x1b[0m")


class _Parser(argparse.ArgumentParser):
    """An argument parser that complains in one line."""

    def error(self, message: str) -> NoReturn:
        """Print one line and exit with 2."""
        self.exit(EXIT_BAD_INPUT, f"{self.prog}: {message}\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program's name; those of the process when not given.

    Returns
    -------
    int
        Exit status.
    """
    _write_all_of_it(sys.stdout)
    try:
        options = _parser().parse_args(arguments)
        status: int = options.run(options)
        sys.stdout.flush()
    except SixpulseError as error:
        return complain(f"{error} [{error.code}]")
    except BrokenPipeError:
        # The reader went away; keep the interpreter from complaining again at its own flush.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_BROKEN_PIPE
    except OSError as error:
        return complain(f"{error.filename}: {error.strerror}" if error.filename else str(error))
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    return status


def _write_all_of_it(stream: Any) -> None:
    r"""Let a stream whose encoding lacks a character write it as ``\u00b1``, which JSON understands, and not fail."""
    if getattr(stream, "errors", None) == "strict" and hasattr(stream, "reconfigure"):
        codecs.register_error("sixpulse.escaped", _escaped)
        stream.reconfigure(errors="sixpulse.escaped")


def _escaped(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    halves = error.object[error.start : error.end].encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{a:02x}{b:02x}" for a, b in zip(halves[::2], halves[1::2], strict=True)), error.end


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="sixpulse", description="Read voltage captures from vehicle charging systems.")
    parser.add_argument("--version", action="version", version=f"sixpulse {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=_Parser)
    _add_examine(commands)
    for module in _COMMAND_MODULES:
        if importlib.util.find_spec(f"sixpulse.{module}") is not None:
            importlib.import_module(f"sixpulse.{module}").register(commands)
    return parser


def _add_examine(commands: argparse._SubParsersAction[_Parser]) -> None:
    command = commands.add_parser(
        "examine",
        help="examine one capture",
        description="Read a capture, judge the charging system, and say what to test next.",
    )
    command.set_defaults(run=_examine)
    command.add_argument("file", metavar="FILE", help="what the instrument exported")
    add_reading_arguments(command)
    add = command.add_argument
    add("--engine-rpm", type=float, metavar="RPM", help="engine speed, revolutions per minute")
    add("--battery-temperature-c", type=float, metavar="C", help="battery temperature, degrees Celsius")
    add("--pole-pairs", type=int, metavar="N", help="pole pairs of the alternator")
    add("--pulley-ratio", type=float, metavar="RATIO", help="alternator speed / engine speed")
    add("--pulse-number", type=int, default=6, metavar="6|12", help="pulses in each electrical cycle (6)")
    add("--electrical-hz", type=float, metavar="HZ", help="electrical frequency, where it is known")
    add("--json", metavar="OUT", help="write the result as JSON; - for standard output, instead of the text")
    add("--report", metavar="OUT.html", help="write the report as one HTML page")
    add(
        "--language",
        choices=languages(),
        default="en",
        help="language of the text and of the report (en); names and codes in the JSON are the same in all",
    )


def add_reading_arguments(command: argparse.ArgumentParser) -> None:
    """Declare how a file's columns are read.

    Parameters
    ----------
    command : argparse.ArgumentParser
        The parser that gets the arguments.
    """
    add = command.add_argument
    add(
        "--role",
        action="append",
        default=[],
        type=_pair(str),
        metavar="COLUMN=ROLE",
        help="a column by name or position and where its probe was: charging_post, battery_post, speed_sensor, "
        "edge_sensor, charging_current, battery_current, other; once for each column",
    )
    add("--sample-rate-hz", type=float, metavar="HZ", help="samples per second, where the file does not state it")
    add(
        "--coupling",
        action="append",
        default=[],
        type=_word_or_pair(str),
        metavar="[COLUMN=]dc|ac",
        help="how the inputs were coupled, for all columns or one",
    )
    add(
        "--scale",
        action="append",
        default=[],
        type=_word_or_pair(float),
        metavar="[COLUMN=]FACTOR",
        help="factor on the values (probe 10:1 is 10), for all columns or one",
    )


def read_capture(options: argparse.Namespace, path: str, **known: float | None) -> Capture:
    """Read a capture as the arguments of :func:`add_reading_arguments` say.

    Parameters
    ----------
    options : argparse.Namespace
        The parsed arguments.
    path : str
        The file.
    **known : float or None
        What else is known: ``engine_rpm``, ``battery_temperature_c``.

    Returns
    -------
    Capture
    """
    from .read import read  # noqa: PLC0415 - a command pays for its own imports only

    given: dict[str, Any] = {
        "sample_rate_hz": options.sample_rate_hz,
        "coupling": all_or_each("--coupling", options.coupling),
        "scale": all_or_each("--scale", options.scale),
        **known,
    }
    given = {name: value for name, value in given.items() if value is not None}
    return read(path, roles=_distinct(options.role), **given)


def _examine(options: argparse.Namespace) -> int:
    from ._examine import examine  # noqa: PLC0415 - a command pays for its own imports only

    machine = Machine(
        pole_pairs=options.pole_pairs, pulley_ratio=options.pulley_ratio, pulse_number=options.pulse_number
    )
    capture = read_capture(
        options,
        options.file,
        engine_rpm=options.engine_rpm,
        battery_temperature_c=options.battery_temperature_c,
    )
    examination = examine(capture, machine=machine, electrical_hz=options.electrical_hz)
    outputs: list[tuple[str, str]] = []
    if options.json not in (None, "-"):
        outputs.append((options.json, examination.to_json(indent=2) + "\n"))
    if options.report is not None:
        from . import report  # noqa: PLC0415

        page = report.render(capture, examination, source=options.file, language=options.language)
        outputs.append((options.report, page))
    write_texts(outputs)
    as_json = options.json == "-"
    sys.stdout.write(examination.to_json(indent=2) + "\n" if as_json else _text(examination, options.language))
    return 0


def _text(examination: Any, language: str) -> str:
    from . import text  # noqa: PLC0415

    to_terminal = sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    width = min(100, shutil.get_terminal_size().columns)
    return text.render(examination, width=width, emphasis=_BOLD if to_terminal else ("", ""), language=language)


def _pair(convert: Callable[[str], _T]) -> Callable[[str], tuple[str, _T]]:
    """Parse COLUMN=VALUE; a column's name may hold "=" itself."""

    def parse(word: str) -> tuple[str, _T]:
        column, separator, value = word.rpartition("=")
        if not separator or not column:
            raise argparse.ArgumentTypeError(f'expected COLUMN=VALUE, got "{word}"')
        try:
            return column, convert(value)
        except ValueError:
            raise argparse.ArgumentTypeError(f'expected a number after "=", got "{word}"') from None

    return parse


def _word_or_pair(convert: Callable[[str], _T]) -> Callable[[str], tuple[str | None, _T]]:
    """Parse VALUE, for all columns, or COLUMN=VALUE."""

    def parse(word: str) -> tuple[str | None, _T]:
        if "=" in word:
            return _pair(convert)(word)
        try:
            return None, convert(word)
        except ValueError:
            raise argparse.ArgumentTypeError(f'expected a number, got "{word}"') from None

    return parse


#: Parses a number for all, or NAME=NUMBER for one.
value_for_all_or_one = _word_or_pair(float)


def all_or_each(option: str, values: list[tuple[str | None, _T]]) -> _T | dict[str, _T] | None:
    """Return one value for all, or a mapping by name; None when nothing was given."""
    each = {column: value for column, value in values if column is not None}
    shared = [value for column, value in values if column is None]
    if shared and (each or len(shared) > 1):
        reason = "give one value for all columns, or one for each"
        raise InvalidCombinationError(f"{option}: {reason}", parameter=option, reason=reason)
    return shared[0] if shared else each or None


def _distinct(roles: list[tuple[str, str]]) -> dict[str, str]:
    """Return the roles by column; a column given twice is a mistake."""
    columns = dict(roles)
    if len(columns) < len(roles):
        reason = "a column is given twice"
        raise InvalidCombinationError(f"--role: {reason}", parameter="--role", reason=reason)
    return columns


if __name__ == "__main__":
    sys.exit(main())
