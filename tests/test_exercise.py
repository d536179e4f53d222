"""Exercises: the learners' files give nothing away, come out the same again, and hold what the key says of them."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import struct
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sixpulse
from sixpulse import cli, errors, exercises

jsonschema = pytest.importorskip("jsonschema")
pytest.importorskip("matplotlib")
pytest.importorskip("jinja2")

ALL_GOALS = [
    "tell_patterns", "read_level", "measure_ripple", "electrical_cycle", "settings_and_points", "contamination",
    "indicated_speed", "next_tests", "keep_parts", "limits_of_the_capture", "safety",
]  # fmt: skip
AUTHOR: dict[str, Any] = {
    "title": "Three captures",
    "seed": 9021090210902109,
    "count": 3,
    "questions_per_item": 12,
    "goals": ALL_GOALS,
    "patterns": ["healthy", "open_diode", "not_charging"],
    "distractors": ["wrong_coupling", "clipped_range"],
    "distractor_share": 0.7,
    "samples": 5000,
    "difficulty": {"from": 0.2, "to": 0.5, "within": 0.25},
}
TEXTS = (".html", ".json", ".csv", ".txt")


@pytest.fixture(scope="module")
def made() -> exercises.Exercise:
    return exercises.build(AUTHOR)


@pytest.fixture(scope="module")
def files(made: exercises.Exercise) -> dict[str, bytes]:
    return made.learner_files()


def of_items(files: dict[str, bytes], pattern: str) -> list[bytes]:
    found = [content for name, content in sorted(files.items()) if re.fullmatch(pattern, name)]
    assert len(found) == AUTHOR["count"]
    return found


def test_names_and_sizes_are_alike_over_patterns(made: exercises.Exercise, files: dict[str, bytes]) -> None:
    assert len({item["pattern"] for item in made.key["items"]}) == AUTHOR["count"]
    for suffix, folder in (("csv", "captures"), ("npz", "captures"), ("png", "plots")):
        contents = of_items(files, rf"{folder}/item-0\d\.{suffix}")
        # What cannot differ cannot be learnt from: any classifier on names, sizes or headers is at chance.
        assert len({len(content) for content in contents}) == 1, suffix
    assert {name for name in files if "/" not in name} == {
        "answers.csv", "questions.json", "seal.json", "worksheet.html",
    }  # fmt: skip


def test_headers_are_alike_over_patterns(files: dict[str, bytes]) -> None:
    assert len({content.partition(b"\n")[0] for content in of_items(files, r"captures/.*\.csv")}) == 1
    rows = {len(line) for content in of_items(files, r"captures/.*\.csv") for line in content.splitlines()[1:]}
    assert len(rows) == 1
    facts = set()
    for content in of_items(files, r"captures/.*\.npz"):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            facts.add(
                tuple((i.filename, i.date_time, i.file_size, i.create_system, i.extra) for i in archive.infolist())
            )
        with np.load(io.BytesIO(content)) as arrays:
            facts.add(tuple((name, arrays[name].dtype.str, arrays[name].shape) for name in arrays.files))
    assert len(facts) == 2


def chunks(content: bytes) -> list[tuple[bytes, bytes]]:
    found, at = [], 8
    while at < len(content):
        (length,) = struct.unpack(">I", content[at : at + 4])
        found.append((content[at + 4 : at + 8], content[at + 8 : at + 8 + length]))
        at += 12 + length
    return found


def test_images_carry_no_text(files: dict[str, bytes]) -> None:
    heads = set()
    for content in of_items(files, r"plots/.*\.png"):
        parts = chunks(content)
        kinds = [kind for kind, _ in parts]
        assert set(kinds) <= {b"IHDR", b"pHYs", b"IDAT", b"paDd", b"IEND"}
        assert not any(any(data) for kind, data in parts if kind == b"paDd")
        heads.add((parts[0][1], kinds[0], kinds[-1]))
    assert len(heads) == 1


def test_no_word_of_the_truth_is_in_the_learners_files(made: exercises.Exercise, files: dict[str, bytes]) -> None:
    truth = {str(AUTHOR["seed"])} | {
        str(item["truth"]["sub_kind"]) for item in made.key["items"] if "_" in item["truth"]["sub_kind"]
    }
    truth |= {str(item["scenario"]["seed"]) for item in made.key["items"]} | {made.seal().salt}
    truth -= {"open_diode", "not_charging"}  # options of every pattern question
    truth |= {'"truth"', '"scenario"', '"answer":', "wrong_coupling", "clipped_range", "distractor", "sub_kind"}
    for name, content in files.items():
        text = content.decode("latin-1")
        if name.endswith(TEXTS):
            assert [word for word in truth if word in text] == [], name
    # Explanations are for those who have answered.
    page = files["worksheet.html"].decode()
    assert not any(entry["explanation"] in page for entry in made.key["questions"])


def test_what_is_asked_does_not_follow_the_truth(made: exercises.Exercise) -> None:
    asked: dict[str, list[tuple[str, tuple[str, ...]]]] = {}
    for question in made.questions["questions"]:
        if question["item"] is not None:
            options = tuple(sorted(option["code"] for option in question["options"]))
            asked.setdefault(question["item"], []).append((question["kind"], options))
    assert len({tuple(sorted(kinds)) for kinds in asked.values()}) == 1
    assert {len(kinds) for kinds in asked.values()} == {12}


def test_the_same_wishes_give_the_same_bytes(made: exercises.Exercise, files: dict[str, bytes], tmp_path: Path) -> None:
    again = exercises.build(AUTHOR, tmp_path)
    assert again.trainer_files() == made.trainer_files()
    written = {
        p.relative_to(tmp_path / "learner").as_posix(): p for p in (tmp_path / "learner").rglob("*") if p.is_file()
    }
    assert {name: path.read_bytes() for name, path in written.items()} == files
    assert len({path.stat().st_mtime for path in written.values()}) == 1


def test_captures_read_back_with_what_the_sheet_states(
    made: exercises.Exercise, files: dict[str, bytes], tmp_path: Path
) -> None:
    for sheet in made.questions["items"]:
        capture = made.captures[sheet["id"]]
        for suffix in ("csv", "npz"):
            path = tmp_path / f"{sheet['id']}.{suffix}"
            path.write_bytes(files[f"captures/{path.name}"])
            heads = ["channel_1", "channel_2"]
            read = sixpulse.read(
                path,
                roles=dict(zip(heads, sheet["roles"], strict=True)),
                coupling=dict(zip(heads, sheet["couplings"], strict=True)),
            )
            for (_, trace), name in zip(read.items(), capture.names, strict=True):
                # CSV holds seven significant digits.
                assert trace.values() == pytest.approx(capture[name].values(), rel=1e-6, abs=1e-9)
                assert trace.sample_rate_hz == pytest.approx(capture.sample_rate_hz, rel=1e-6)


def test_every_answer_is_one_that_the_library_finds(made: exercises.Exercise) -> None:
    for item, sheet in zip(made.key["items"], made.questions["items"], strict=True):
        capture = made.captures[item["id"]]
        known = sixpulse.Capture(dict(capture.items()), engine_rpm=sheet["engine_rpm"])
        machine = sixpulse.Machine(pole_pairs=sheet["pole_pairs"], pulley_ratio=sheet["pulley_ratio"])
        found = sixpulse.examine(known, machine=machine)
        wanted = item["pattern"] if item["pattern_determinable"] else "undetermined"
        assert found.rectifier.pattern == wanted
        for entry in made.key["questions"]:
            question, answer = entry["question"], entry["answer"]
            if question["item"] != item["id"] or question["kind"] != "read_level":
                continue
            if answer["form"] == "cannot_be_determined":
                assert found.level.mean_v is None or not found.quality.usable
            else:
                assert abs(found.level.mean_v - answer["value"]) <= answer["tolerance"]


def test_difficulty_is_measured_as_defined(made: exercises.Exercise) -> None:
    for item in made.key["items"]:
        names = ("ripple_to_noise", "contrast", "ambiguity", "distractors")
        value = exercises.difficulty(**{name: item["difficulty"][name] for name in names})
        # The measures are kept to four digits.
        assert value == pytest.approx(item["difficulty"]["value"], abs=1e-3)
        assert abs(value - item["target"]) <= 0.25 + 1e-3


def test_rejected_draws_state_their_reason(made: exercises.Exercise) -> None:
    assert made.key["rejections"]
    assert all(
        rejection["reason"] and re.fullmatch("[a-z_]+", rejection["code"]) for rejection in made.key["rejections"]
    )


def test_seal_holds_for_this_key_only(made: exercises.Exercise, files: dict[str, bytes], tmp_path: Path) -> None:
    for name, content in {"seal.json": files["seal.json"], **made.trainer_files()}.items():
        (tmp_path / name).write_bytes(content)
    seal, key, salt = tmp_path / "seal.json", tmp_path / "key.json", tmp_path / "salt.txt"
    assert exercises.verify_seal(seal, key, salt=salt)
    key.write_text(key.read_text().replace('"tolerance": 0', '"tolerance": 1', 1))
    assert not exercises.verify_seal(seal, key, salt=salt)
    sealed = seal.read_text()
    for broken in ("[]", "{}", '{"sha256": 3}', "null", "sealed", "[" * 20_000):
        seal.write_text(broken)
        with pytest.raises(errors.InvalidDocumentError, match=r"^seal: .*seal\.json: (?!.*Error)"):
            exercises.verify_seal(seal, key, salt=salt)
    seal.write_text(sealed)
    salt.write_text("pepper")
    with pytest.raises(errors.InvalidDocumentError, match=r"^salt: .*salt\.txt: "):
        exercises.verify_seal(seal, key, salt=salt)
    with pytest.raises(errors.InvalidCombinationError):
        made.write(tmp_path, key_folder=tmp_path / "learner" / "hidden")


def test_author_from_yaml_toml_and_json_is_the_same(tmp_path: Path) -> None:
    pytest.importorskip("yaml")
    (tmp_path / "a.json").write_text(json.dumps(AUTHOR))
    (tmp_path / "a.yaml").write_text(json.dumps(AUTHOR, indent=1))  # JSON is YAML
    lines = [f"{name} = {json.dumps(value)}" for name, value in AUTHOR.items() if name != "difficulty"]
    lines += ["[difficulty]", *(f"{name} = {value}" for name, value in AUTHOR["difficulty"].items())]
    (tmp_path / "a.toml").write_text("\n".join(lines))
    read = [exercises.read_author(tmp_path / f"a.{suffix}") for suffix in ("json", "yaml", "toml")]
    assert read[0] == read[1] == read[2] == exercises.read_author(AUTHOR)


WRONG: list[dict[str, Any]] = [
    {"count": 0}, {"count": "three"}, {"goals": []}, {"goals": ["safety"]}, {"goals": ["read_level", "read_level"]},
    {"patterns": ["sick"]}, {"patterns": ["open_diode_ramp"]}, {"distractors": ["rain"]}, {"title": " "},
    {"difficulty": {"from": 0.2}}, {"difficulty": {"from": 0.2, "to": 1.2}}, {"seed": -1}, {"colour": "red"},
    {"samples": 10}, {"attempts": 0}, {"order": "falling"}, {"confidence": True}, {"schema_version": 2},
]  # fmt: skip


@pytest.mark.parametrize("change", WRONG, ids=lambda change: json.dumps(change)[:40])
def test_wrong_wishes_are_refused_by_schema_and_library_alike(change: dict[str, Any]) -> None:
    validator = jsonschema.Draft202012Validator(exercises.author_schema())
    assert validator.is_valid(AUTHOR)
    assert not validator.is_valid(AUTHOR | change)
    with pytest.raises(errors.SixpulseError):
        exercises.read_author(AUTHOR | change)


def test_schema_states_the_defaults() -> None:
    least = {"title": "t", "seed": 1, "count": 1, "goals": ["read_level"], "patterns": ["healthy"]}
    written_out = exercises.read_author({**least, "difficulty": {"from": 0.1, "to": 0.2}})
    properties = exercises.author_schema()["properties"]
    assert set(properties) == set(written_out)
    for name, schema in properties.items():
        if "default" in schema:
            assert written_out[name] == schema["default"], name


@pytest.mark.parametrize(
    ("name", "content", "error"),
    [
        ("a.yaml", "goals: [", errors.InvalidDocumentError),
        ("a.toml", "goals = [", errors.InvalidDocumentError),
        ("a.json", "[1]", errors.InvalidDocumentError),
        ("a.txt", "title: x", errors.UnsupportedFormatError),
        ("absent.toml", None, errors.FileMissingError),
        ("deep.json", "[" * 15_000, errors.InvalidDocumentError),
        ("deep.toml", "a = " + "[" * 15_000, errors.InvalidDocumentError),
        ("deep.yaml", "[" * 1_500, errors.InvalidDocumentError),
        ("itself.yaml", "title: &a [*a]", errors.InvalidDocumentError),
        ("empty.yaml", "", errors.InvalidDocumentError),
        ("long.toml", "a." * 50_000 + "a = 1", errors.InvalidDocumentError),
    ],
)
def test_unreadable_author_files(name: str, content: str | None, error: type[Exception], tmp_path: Path) -> None:
    if name.endswith(".yaml"):
        pytest.importorskip("yaml")
    if content is not None:
        (tmp_path / name).write_text(content)
    with pytest.raises(error):
        exercises.read_author(tmp_path / name)


@pytest.mark.parametrize("step", ["[{0}, {0}, {0}]", "{{<<: [{0}, {0}, {0}]}}"], ids=["lists", "merged"])
def test_references_that_stand_for_billions_are_refused(step: str, tmp_path: Path) -> None:
    """Thirty lines, each three times the one before: 2e14 values if they were followed."""
    pytest.importorskip("yaml")
    lines = ["k0: &k0 {x: 1}", *(f"k{n}: &k{n} {step.format(f'*k{n - 1}')}" for n in range(1, 31))]
    (tmp_path / "a.yaml").write_text("\n".join(lines))
    with pytest.raises(errors.InvalidDocumentError, match="stand for more than 10000 values"):
        exercises.read_author(tmp_path / "a.yaml")
    # One that stands for little is followed.
    (tmp_path / "b.yaml").write_text(json.dumps(AUTHOR).replace('"from": 0.2, "to": 0.5', '"from": &d 0.2, "to": *d'))
    assert exercises.read_author(tmp_path / "b.yaml")["difficulty"] == {"from": 0.2, "to": 0.2, "within": 0.25}


def test_what_cannot_be_built_says_why() -> None:
    wishes = AUTHOR | {"count": 1, "patterns": ["healthy"], "distractors": [], "attempts": 4}
    wishes["difficulty"] = {"from": 0.95, "to": 0.95, "within": 0.01}
    with pytest.raises(errors.NotRecoverableError, match="item-01") as caught:
        exercises.build(wishes)
    assert caught.value.limit == 4
    assert "healthy" in caught.value.reason


def test_threads_change_nothing(made: exercises.Exercise) -> None:
    for threads in (2, None):
        again = exercises.build(AUTHOR, threads=threads)
        assert (again.questions, again.key) == (made.questions, made.key)
        for name, capture in made.captures.items():
            assert all(np.array_equal(trace.raw(), again.captures[name][part].raw()) for part, trace in capture.items())
    for threads in (0, -1, 2**40, 1.5, True):
        with pytest.raises(errors.InvalidCombinationError) as caught:
            exercises.build(AUTHOR, threads=threads)  # type: ignore[arg-type]
        assert caught.value.parameter == "threads"


def test_where_a_set_cannot_go_is_said_before_it_is_built(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def unwanted(wishes: str, _: int) -> None:
        raise AssertionError(wishes)

    monkeypatch.setattr("sixpulse._core._exercise.build_exercise", unwanted)
    taken = tmp_path / "taken"
    taken.write_text("")
    for place in (taken, taken / "below", tmp_path / ("x" * 300)):
        with pytest.raises(errors.UnwritableFileError) as caught:
            exercises.build(AUTHOR, place)
        assert caught.value.parameter == "destination"
        assert cli.main(["exercise", "build", "orchard_sprayer", str(place)]) == 2
        assert cli.main(["exercise", "build", "orchard_sprayer", str(tmp_path / "set"), "--key", str(place)]) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]


def test_a_set_whose_key_cannot_be_written_has_no_sheets(made: exercises.Exercise, tmp_path: Path) -> None:
    (tmp_path / "trainer").write_text("")
    with pytest.raises(errors.UnwritableFileError):
        made.write(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["trainer"]


def test_course_of_twelve_rises(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["exercise", "build", "orchard_sprayer", str(tmp_path)]) == 0
    assert "12 items" in capsys.readouterr().out
    key = exercises.read_key(tmp_path / "trainer" / "key.json")
    values = [item["difficulty"]["value"] for item in key["items"]]
    targets = [item["target"] for item in key["items"]]
    assert targets == sorted(targets)
    assert exercises.statistics.rank_correlation(range(12), values) > 0.85
    assert {item["pattern"] for item in key["items"]} == set(key["author"]["patterns"])
    assert {item["distractor"] for item in key["items"]} - {None} == set(key["author"]["distractors"])
    assert {entry["question"]["kind"] for entry in key["questions"]} >= {
        "choose_pattern", "read_level", "is_contaminated", "indicated_speed", "order_tests", "keep_parts", "name_phase",
        "safety",
    }  # fmt: skip
    seal = ["exercise", "verify", str(tmp_path / "learner/seal.json"), str(tmp_path / "trainer/key.json")]
    assert cli.main(seal) == 0
    form = tmp_path / "learner" / "answers.csv"
    filled = tmp_path / "filled.csv"
    filled.write_text(form.read_text().replace("\n,", "\nada,").replace(",V,", ",V,50,"))
    assert (
        cli.main(["exercise", "grade", str(tmp_path / "trainer/key.json"), str(filled), "--out", str(tmp_path / "out")])
        == 0
    )
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "class.csv", "grading.json", "reasons.csv", "report.html", "statistics.json",
    }  # fmt: skip
    assert cli.main(["exercise", "grade", str(tmp_path / "absent.json"), str(filled)]) == 2


_PRINT_HASHES = """
import hashlib, json, sys
from sixpulse import exercises
from sixpulse.exercises import _files
made = exercises.build(json.load(sys.stdin))
contents = [made.key_bytes(), made.seal().sha256.encode(), json.dumps(made.questions).encode()]
contents += [of(capture) for capture in made.captures.values() for of in (_files.csv_bytes, _files.npz_bytes)]
print(*(hashlib.sha256(content).hexdigest() for content in contents))
"""


def test_the_c_library_does_not_change_a_set(made: exercises.Exercise, files: dict[str, bytes]) -> None:
    # glibc takes other code for sin, exp and their like without these; elsewhere the variable means nothing. That the
    # switch works, and hashes kept in the repository: crates/sixpulse-sim/tests/same_everywhere.rs.
    tunables = "glibc.cpu.hwcaps=-AVX2_Usable,-AVX2,-FMA_Usable,-FMA,-AVX512F"
    child = subprocess.run(
        [sys.executable, "-c", _PRINT_HASHES],
        input=json.dumps(AUTHOR),
        env={**os.environ, "GLIBC_TUNABLES": tunables},
        capture_output=True,
        text=True,
        check=True,
    )
    contents = [made.key_bytes(), made.seal().sha256.encode(), json.dumps(made.questions).encode()]
    contents += [files[f"captures/{name}.{kind}"] for name in made.captures for kind in ("csv", "npz")]
    assert child.stdout.split() == [hashlib.sha256(content).hexdigest() for content in contents]
