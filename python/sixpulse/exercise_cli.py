"""``sixpulse exercise``: builds sets of exercises, grades answers, verifies a sealed key."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ._files import check_folder, read_text
from .errors import InvalidDocumentError

__all__ = ["register"]


def register(commands: Any) -> None:
    """Add the subcommand to the command line's parsers.

    Parameters
    ----------
    commands : object
        What ``ArgumentParser.add_subparsers`` returned.
    """
    parser = commands.add_parser("exercise", help="build graded exercises for trainers, grade answers")
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION", parser_class=type(parser))
    _add_build(actions)
    _add_grade(actions)
    _add_verify(actions)


def _add_build(actions: Any) -> None:
    command = actions.add_parser(
        "build",
        help="build a set from an author's file",
        description="Build a set of exercises: the learners' folder, and apart from it the sealed key.",
    )
    command.set_defaults(run=_build)
    command.add_argument("author", metavar="AUTHOR", help="author's file (.yaml, .toml, .json) or a ready course")
    command.add_argument("destination", metavar="FOLDER", type=Path, help="where the set goes")
    seeds = command.add_mutually_exclusive_group()
    seeds.add_argument("--seed", type=int, metavar="N", help="takes the place of the author's seed")
    seeds.add_argument("--new-seed", action="store_true", help="draw a seed that nobody can guess; the key holds it")
    command.add_argument("--threads", type=int, default=1, metavar="N", help="items drawn at once (1); the same set")
    command.add_argument("--key", type=Path, metavar="FOLDER", help="where the key goes (default: FOLDER/trainer)")


def _add_grade(actions: Any) -> None:
    command = actions.add_parser("grade", help="grade answers by a key", description="Grade a class by its key.")
    command.set_defaults(run=_grade)
    command.add_argument("key", metavar="KEY", type=Path, help="key.json of the set")
    command.add_argument("answers", metavar="ANSWERS", type=Path, nargs="+", help="answers (.csv, .json)")
    command.add_argument("--roster", type=Path, metavar="FILE", help="learners who are to appear, one a line")
    command.add_argument("--out", type=Path, metavar="FOLDER", help="write table, reasons, statistics and report")


def _add_verify(actions: Any) -> None:
    command = actions.add_parser(
        "verify", help="verify a published key", description="Tell whether a published key is the sealed one."
    )
    command.set_defaults(run=_verify)
    command.add_argument("seal", metavar="SEAL", type=Path, help="seal.json of the learners' folder")
    command.add_argument("key", metavar="KEY", type=Path, help="key.json")
    command.add_argument("--salt", type=Path, metavar="FILE", help="salt.txt (default: beside the key)")


def _build(options: argparse.Namespace) -> int:
    from . import exercises  # noqa: PLC0415 - a command pays for its own imports only

    for folder in filter(None, (options.destination, options.key)):
        check_folder(folder)
    seed = exercises.new_seed() if options.new_seed else options.seed
    made = exercises.build(options.author, seed=seed, threads=options.threads)
    made.write(options.destination, key_folder=options.key)
    key = made.key
    print(f"{len(key['items'])} items, {len(key['questions'])} questions, {len(key['rejections'])} draws rejected")
    for item in key["items"]:
        value = item["difficulty"]["value"]
        print(f"{item['id']}  difficulty {value:.2f} (wished {item['target']:.2f}), draw {item['draws']}")
    if key["author"]["seed"] < 2**32:
        print("the seed is small enough to be guessed by whoever has the author's file; --new-seed draws a safe one")
    return 0


def _grade(options: argparse.Namespace) -> int:
    from . import exercises  # noqa: PLC0415 - a command pays for its own imports only

    key = exercises.read_key(options.key)
    graded = exercises.grade(key, options.answers, roster=_roster(options.roster))
    if options.out is not None:
        graded.write(options.out, key=key)
    print(graded.class_table(), end="")
    for note in graded.notes:
        print(f"note: {note}")
    for row in graded.rows:
        if row.refusal is not None:
            print(f"refused: row {row.row}, {row.learner or 'no learner'}, {row.question}: {row.refusal.reason}")
    return 0


def _roster(path: Path | None) -> list[str]:
    return [] if path is None else [line.strip() for line in read_text(path).splitlines() if line.strip()]


def _verify(options: argparse.Namespace) -> int:
    from . import exercises  # noqa: PLC0415 - a command pays for its own imports only

    salt = options.salt or options.key.with_name("salt.txt")
    if not exercises.verify_seal(options.seal, options.key, salt=salt):
        reason = "the key is not the one that was sealed"
        raise InvalidDocumentError(f"{options.key}: {reason}", parameter="key", reason=reason)
    print("the key is the one that was sealed")
    return 0
