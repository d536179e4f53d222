"""Builds a set of exercises and writes it: the learners' folder, and apart from it the sealed key."""

from __future__ import annotations

import csv
import hashlib
import hmac
import io
import json
import os
import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .._core import Capture, _exercise
from .._examine_many import threads_of
from .._files import check_folder, read_text
from .._refusals import need
from ..errors import InvalidCombinationError, InvalidDocumentError, OutOfRangeError
from . import _files, _plots, _worksheet
from ._documents import Author, read_author, read_json

__all__ = ["Exercise", "Seal", "build", "difficulty", "new_seed", "verify_seal"]

LEARNER_FOLDER = "learner"
TRAINER_FOLDER = "trainer"
KEY_FILE = "key.json"
SEAL_FILE = "seal.json"


@dataclass(frozen=True)
class Seal:
    """What lets a class verify the key later without being able to read it now.

    Attributes
    ----------
    sha256 : str
        SHA-256 of the salt's bytes followed by the key file's bytes, hexadecimal. It stands in the learners' folder.
    salt : str
        32 bytes, hexadecimal. It stands in the key file's neighbour ``salt.txt`` and is published with the key.
    """

    sha256: str
    salt: str


@dataclass(frozen=True)
class Exercise:
    """A set of exercises.

    Attributes
    ----------
    questions : dict
        For the learner; holds no truth: title, cautions, ``items`` (one sheet for each capture), ``questions``,
        ``rubric``.
    key : dict
        For the trainer: the author's wishes, ``items`` with scenario, truth and measured difficulty, ``questions`` with
        answers, tolerances and explanations, ``rejections`` with their reasons.
    captures : dict of str to Capture
        By item.
    """

    questions: dict[str, Any]
    key: dict[str, Any]
    captures: dict[str, Capture] = field(repr=False)

    def key_bytes(self) -> bytes:
        """Return the key file's content."""
        return (json.dumps(self.key, indent=1, ensure_ascii=False) + "\n").encode()

    def seal(self) -> Seal:
        """Seal the key: a commitment that gives nothing away and cannot be met by another key.

        The salt follows from the seed and the author's wishes, so that the same set has the same seal: the seal is as
        secret as the seed.
        """
        author = json.dumps(self.key["author"], sort_keys=True, ensure_ascii=False).encode()
        seed = int(self.key["author"]["seed"]).to_bytes(8, "big")
        salt = hmac.new(seed, b"sixpulse exercise key" + author, hashlib.sha256).digest()
        return Seal(sha256=hashlib.sha256(salt + self.key_bytes()).hexdigest(), salt=salt.hex())

    def learner_files(self) -> dict[str, bytes]:
        """Return the learners' files by name; the same set gives the same bytes.

        Images, and the worksheet that holds them, also depend on the version of Matplotlib; nothing else does.
        """
        identifiers = list(self.captures)
        pictures = _files.padded_pngs([_plots.picture(self.captures[name], title=name) for name in identifiers])
        files = {
            "questions.json": (json.dumps(self.questions, indent=1, ensure_ascii=False) + "\n").encode(),
            "answers.csv": self._answer_form(),
            SEAL_FILE: (json.dumps({"sha256": self.seal().sha256}) + "\n").encode(),
            "worksheet.html": _worksheet.render(self.questions, dict(zip(identifiers, pictures, strict=True))).encode(),
        }
        for name, picture in zip(identifiers, pictures, strict=True):
            files[f"plots/{name}.png"] = picture
            files[f"captures/{name}.csv"] = _files.csv_bytes(self.captures[name])
            files[f"captures/{name}.npz"] = _files.npz_bytes(self.captures[name])
        return files

    def trainer_files(self) -> dict[str, bytes]:
        """Return the trainer's files by name: the key, and the salt of its seal."""
        return {KEY_FILE: self.key_bytes(), "salt.txt": (self.seal().salt + "\n").encode()}

    def write(self, destination: str | os.PathLike[str], *, key_folder: str | os.PathLike[str] | None = None) -> None:
        """Write the set: ``learner`` and ``trainer`` below the destination, or the key in a folder of its own.

        Parameters
        ----------
        destination : path
            Folder; made when it is not there. What a former set left in it under the same names is replaced.
        key_folder : path, optional
            Where the key goes instead.

        Raises
        ------
        InvalidCombinationError
            The key's folder lies in the learners'.
        UnwritableFileError
            A folder or file cannot be written.
        MissingDependencyError
            Matplotlib or Jinja2 is not installed.
        """
        learner = Path(destination, LEARNER_FOLDER)
        trainer = Path(destination, TRAINER_FOLDER) if key_folder is None else Path(key_folder)
        if trainer.resolve().is_relative_to(learner.resolve()):
            reason = "the key must not lie in the learners' folder"
            raise InvalidCombinationError(f"key_folder: {reason}", parameter="key_folder", reason=reason)
        sheets = self.learner_files()
        # The key comes first: without it the learners' files are worth nothing.
        _files.write_folder(trainer, self.trainer_files())
        _files.write_folder(learner, sheets)

    def _answer_form(self) -> bytes:
        buffer = io.StringIO()
        writer = csv.writer(buffer, lineterminator="\n")
        writer.writerow(["learner", "question", "answer", "unit", "confidence", "evidence"])
        writer.writerows(
            ["", question["id"], "", question["unit"] or "", "", ""] for question in self.questions["questions"]
        )
        return buffer.getvalue().encode()


def build(
    author: Author,
    destination: str | os.PathLike[str] | None = None,
    *,
    seed: int | None = None,
    threads: int | None = 1,
) -> Exercise:
    """Build a set of exercises from an author's file.

    Every item is drawn until the library recovers its truth within the tolerances that learners are given, or, where
    the item is marked as not determinable, until the library refuses it as well; what was drawn in vain stands in the
    key with its reason.

    Parameters
    ----------
    author : path, str or mapping
        The author's file, the name of a ready course (:func:`courses`), or the same as plain data.
    destination : path, optional
        Folder to write the set to (:meth:`Exercise.write`); nothing is written when not given.
    seed : int, optional
        Takes the place of the author's, 0 to 2**64 - 1.
    threads : int, optional
        Threads that draw items, the caller's among them; as many as the process may run on when None. The set is the
        same whatever their number. Each holds one simulation at a time, some 80 MB for 200,000 samples. A draw takes
        about a third of the record's time, and items are drawn until they hold: six of 200,000 samples at 50 kHz
        took half a minute where every fourth draw held, and minutes where difficulties were narrow. Writing takes half
        a second more for the picture of each capture, whatever the threads.

    Returns
    -------
    Exercise

    Raises
    ------
    NotRecoverableError
        An item was rejected on every draw; the message names the commonest reason.
    InvalidDocumentError, OutOfRangeError, InvalidCombinationError, UnknownNameError, FileReadError
        The author's file is wrong.
    UnwritableFileError, MissingDependencyError
        The set cannot be written.
    """
    if destination is not None:
        check_folder(Path(destination))
    at_once = threads_of(threads)
    wishes = read_author(author, seed=seed)
    questions, key, captures = _exercise.build_exercise(json.dumps(wishes), at_once)
    documents = json.loads(questions), json.loads(key)
    named = {sheet["id"]: capture for sheet, capture in zip(documents[0]["items"], captures, strict=True)}
    exercise = Exercise(*documents, named)
    if destination is not None:
        exercise.write(destination)
    return exercise


def new_seed() -> int:
    """Draw a seed that nobody can guess, from the operating system's source of randomness."""
    return secrets.randbits(64)


def verify_seal(seal: str | os.PathLike[str], key: str | os.PathLike[str], *, salt: str | os.PathLike[str]) -> bool:
    """Tell whether a published key is the one that was sealed.

    Parameters
    ----------
    seal : path
        ``seal.json`` of the learners' folder.
    key : path
        ``key.json``.
    salt : path
        ``salt.txt`` beside it.

    Raises
    ------
    InvalidDocumentError, FileMissingError, UnreadableFileError
        A file is not what it should be.
    """
    sealed = read_json(Path(seal), "seal")
    wanted = sealed.get("sha256") if isinstance(sealed, dict) else None
    if not isinstance(wanted, str):
        reason = f'{seal}: expected an object with the text "sha256"'
        raise InvalidDocumentError(f"seal: {reason}", parameter="seal", reason=reason)
    bytes_of_salt = _salt(Path(salt))
    content = read_text(Path(key)).encode()
    made = hashlib.sha256(bytes_of_salt + content).hexdigest()
    return hmac.compare_digest(made.encode(), wanted.encode("utf-8", "surrogatepass"))


def _salt(path: Path) -> bytes:
    text = read_text(path).strip()
    try:
        return bytes.fromhex(text)
    except ValueError as error:
        reason = f"{path}: expected hexadecimal digits ({error})"
        raise InvalidDocumentError(f"salt: {reason}", parameter="salt", reason=reason) from None


def difficulty(*, ripple_to_noise: float, contrast: float | None, ambiguity: float, distractors: int) -> float:
    """Work out an item's difficulty, 0 to 1.

    ``0.35 / (1 + ripple_to_noise / 10) + 0.25 / (1 + contrast) + 0.25 ambiguity + 0.15 (distractor present)``: monotone
    in each measure.

    Parameters
    ----------
    ripple_to_noise : float
        Synchronous ripple r.m.s. / noise and quantiser r.m.s.
    contrast : float or None
        Distance of the sub-six sum from the middle between sound and failed bridges, natural logarithm; None without
        ripple.
    ambiguity : float
        Entropy of the examination's probabilities over the seven patterns / ln 7.
    distractors : int
        0 or 1.

    Examples
    --------
    >>> difficulty(ripple_to_noise=10.0, contrast=1.0, ambiguity=0.0, distractors=1)
    0.45
    """
    need("distractors", distractors, int, "a whole number")
    if distractors not in {0, 1}:
        raise OutOfRangeError(
            f"distractors: expected 0 or 1, got {distractors}",
            parameter="distractors",
            expected="0 or 1",
            actual=distractors,
        )
    return _exercise.difficulty_value(ripple_to_noise, contrast, ambiguity, distractors)
