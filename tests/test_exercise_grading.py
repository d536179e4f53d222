"""Grading by the published rubric, scoring rules by hand, item statistics against published figures and SciPy."""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sixpulse import errors, exercises
from sixpulse.exercises import statistics


def choice(question: str, right: str, codes: list[str], **more: Any) -> dict[str, Any]:
    options = [
        {"label": label, "code": code, "text": f"{code}."} for label, code in zip("abcdefgh", codes, strict=False)
    ]
    evidence = [
        {"label": label, "code": code, "text": f"{code}."}
        for label, code in zip("abc", ["even_orders_only", "no_ripple", "strong_low_orders_with_odd"], strict=True)
    ]
    asked = more.get("evidence", [])
    return {
        "question": {
            "id": question, "item": None if "dangerous" in more else "item-01",
            "kind": more.get("kind", "choose_pattern"), "form": "choice", "text": "?", "unit": None,
            "options": options, "evidence": evidence if asked else [], "points": 10.0,
        },
        "answer": {"form": "choice", "code": right, "evidence": asked, "dangerous": more.get("dangerous", [])},
        "explanation": "Because.", "examined": None,
    }  # fmt: skip


def number(question: str, kind: str, unit: str, answer: dict[str, Any]) -> dict[str, Any]:
    return {
        "question": {
            "id": question, "item": "item-01", "kind": kind, "form": "number", "text": "?", "unit": unit, "options": [],
            "evidence": [], "points": 10.0,
        },
        "answer": answer, "explanation": "Because.", "examined": None,
    }  # fmt: skip


def listed(question: str, kind: str, codes: list[str], answer: dict[str, Any]) -> dict[str, Any]:
    entry = choice(question, "", codes, kind=kind)
    entry["question"]["form"] = answer["form"]
    entry["answer"] = answer
    return entry


PATTERNS = ["open_diode", "healthy", "open_phase", "two_open_diodes", "imbalance", "cannot_be_determined"]
STEPS = ["recapture", "supply_side", "bench", "intervene", "sensor"]


@pytest.fixture(scope="module")
def key() -> dict[str, Any]:
    author = exercises.read_author(
        {"title": "By hand", "seed": 1, "count": 1, "goals": ["read_level"], "patterns": ["healthy"],
         "difficulty": {"from": 0.1, "to": 0.2}}
    )  # fmt: skip
    ripple = {
        "form": "number", "value": 0.2, "tolerance": 0.016,
        "aliases": [{"code": "peak_to_peak_for_rms", "value": 0.8}, {"code": "factor_of_two", "value": 0.4}],
    }  # fmt: skip
    ranks = [{"code": code, "rank": rank} for code, rank in zip(STEPS, [3, 3, 2, 1, 3], strict=True)]
    questions = [
        number("item-01-1", "read_ripple", "V", ripple),
        choice("item-01-2", "open_diode", PATTERNS, evidence=["strong_low_orders_with_odd"]),
        number("item-01-3", "read_level", "V", {"form": "cannot_be_determined"}),
        listed("item-01-4", "order_tests", STEPS, {"form": "order", "steps": ranks}),
        listed("item-01-5", "keep_parts", ["speed_sensor", "rate_controller", "battery", "alternator", "none"],
               {"form": "set", "codes": ["speed_sensor", "rate_controller", "battery"]}),
        choice("safety-1", "never", ["never", "idle"], kind="safety", dangerous=["idle"]),
        number("item-01-6", "indicated_speed", "km/h",
               {"form": "number", "value": 18.0, "tolerance": 1.0, "aliases": []}),
    ]  # fmt: skip
    return {
        "schema_version": 1, "library_version": "0.1.0", "author": author, "items": [], "questions": questions,
        "rejections": [],
    }  # fmt: skip


def one(key: dict[str, Any], question: str, answer: object, **more: object) -> exercises.GradedRow:
    graded = exercises.grade(key, [{"learner": "ada", "question": question, "answer": answer, **more}])
    return graded.rows[0]


@pytest.mark.parametrize(
    ("answer", "share", "code"),
    [
        ("0.2 V", 1.0, None),
        ("200 mV", 1.0, None),
        ("0,21", 1.0, None),
        ("0.23", 0.7, "close"),
        ("200", 0.5, "unit_slip"),
        ("0.0002", 0.5, "unit_slip"),
        ("0.8", 0.5, "peak_to_peak_for_rms"),
        ("0.4 V", 0.5, "factor_of_two"),
        ("800", 0.25, "two_slips"),
        ("1.4", 0.0, "outside_tolerance"),
        ("-0.2", 0.0, "outside_tolerance"),
        ("0.2 Hz", 0.0, "wrong_unit"),
        ("cannot", 0.0, "undetermined_claimed"),
    ],
)
def test_numbers_by_the_rubric(key: dict[str, Any], answer: str, share: float, code: str | None) -> None:
    row = one(key, "item-01-1", answer, confidence="100")
    assert row.parts[0].points == pytest.approx(8.0 * share)
    losses = [loss for loss in row.losses if not loss.code.startswith("confidence")]
    assert [loss.code for loss in losses] == ([] if code is None else [code])
    assert row.right == (share == 1.0)
    if code is not None:
        assert losses[0].points == pytest.approx(8.0 * (1.0 - share))
        assert losses[0].reason.endswith("Because.")
        published = {rule["code"]: rule["kept"] for rule in exercises.rubric()["rules"]}
        assert published[code] == share


def test_speed_in_another_unit(key: dict[str, Any]) -> None:
    assert one(key, "item-01-6", "5 m/s").right
    assert one(key, "item-01-6", "5").losses[0].code == "wrong_speed_unit"


def test_right_evidence_with_a_wrong_name_keeps_its_share(key: dict[str, Any]) -> None:
    # 10 points: 2 by confidence, of the other 8 60 % by the name and 40 % by the evidence.
    both = one(key, "item-01-2", "a", evidence="c", confidence="100 %")
    assert both.points == pytest.approx(10.0)
    near = one(key, "item-01-2", "two_open_diodes", evidence="c", confidence="0")
    assert near.points == pytest.approx(0.3 * 4.8 + 3.2 + 2.0)
    condemned = one(key, "item-01-2", "b", evidence="c", confidence="0")
    assert condemned.points == pytest.approx(3.2 + 2.0)
    assert condemned.losses[0].code == "fault_missed"
    name_only = one(key, "item-01-2", "A)", confidence="1")
    assert [loss.code for loss in name_only.losses] == ["evidence_missing"]
    hedged = one(key, "item-01-2", "a", evidence="a, c", confidence="1")
    assert hedged.points == pytest.approx(10.0 - 1.6)


def test_cannot_is_right_where_it_is_right(key: dict[str, Any]) -> None:
    assert one(key, "item-01-3", "Cannot be determined").right
    wrong = one(key, "item-01-3", "14.2 V")
    assert wrong.losses[0].code == "determined_claimed"


def test_orders_and_sets_keep_their_share(key: dict[str, Any]) -> None:
    assert one(key, "item-01-4", "d>c>a>b>e").right
    assert one(key, "item-01-4", "dceba").right
    # Ranks 1 2 3 3 3 have 7 pairs of different rank; bench before intervene turns one: (6 - 1) / 7.
    swapped = one(key, "item-01-4", "c, d, a, b, e", confidence="0")
    assert swapped.parts[0].points == pytest.approx(8.0 * 5.0 / 7.0, abs=1e-6)
    assert one(key, "item-01-4", "d c").refusal.code == "incomplete_order"
    assert one(key, "item-01-5", "a b c").right
    extra = one(key, "item-01-5", "abcd", confidence="0")
    assert extra.parts[0].points == pytest.approx(8.0 * 2.0 / 3.0, abs=1e-6)
    assert one(key, "item-01-5", "e").points == 0.0


def test_dangerous_answers_are_marked(key: dict[str, Any]) -> None:
    graded = exercises.grade(key, [{"learner": "ada", "question": "safety-1", "answer": "b", "confidence": "0.9"}])
    assert graded.rows[0].dangerous and graded.rows[0].losses[0].code == "dangerous_choice"
    assert graded.learners[0].dangerous == 1


def test_scoring_rules_by_hand() -> None:
    # Brier: 1 - (0.7 - 1)^2 = 0.91, 1 - 0.7^2 = 0.51; logarithmic: ln 0.7, ln 0.3.
    assert exercises.brier_share(0.7, right=True) == pytest.approx(0.91, abs=1e-12)
    assert exercises.brier_share(0.7, right=False) == pytest.approx(0.51, abs=1e-12)
    assert exercises.log_score(0.7, right=True) == pytest.approx(-0.35667494393873245, abs=1e-12)
    assert exercises.log_score(0.7, right=False) == pytest.approx(-1.203972804325936, abs=1e-12)


def test_confidence_is_scored_properly(key: dict[str, Any]) -> None:
    stated = np.linspace(0.0, 1.0, 101)
    for belief in (0.1, 0.35, 0.5, 0.8):
        brier = [
            belief * exercises.brier_share(c, right=True) + (1 - belief) * exercises.brier_share(c, right=False)
            for c in stated
        ]
        assert stated[int(np.argmax(brier))] == pytest.approx(belief)
        inner = stated[1:-1]
        log = [
            belief * exercises.log_score(c, right=True) + (1 - belief) * exercises.log_score(c, right=False)
            for c in inner
        ]
        assert inner[int(np.argmax(log))] == pytest.approx(belief)
    row = one(key, "item-01-1", "0.2", confidence="70")
    assert row.points == pytest.approx(8.0 + 2.0 * 0.91)
    assert (row.brier, row.confidence) == (pytest.approx(0.09), 0.7)
    assert one(key, "item-01-1", "0.2", confidence="very").losses[0].code == "confidence_missing"


LONG = """learner;question;answer;unit;confidence;evidence;remark
ada;item-01-1;0,2;V;80;;late extra column
ada;item-01-1;0.2;;80;;answered twice
bo;item-01-1;1,234;;50;;
bo;item-77-1;0.2;;50;;
;item-01-1;0.2;;50;;
cy;item-01-2;z;;50;;
cy;item-01-3;;;;;
dee;item-01-1;0.2;;50;;x;y
eve;item-01-1;"multi
line";;50
"""


def test_a_bad_row_never_costs_the_class(key: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "answers.csv"
    path.write_text("\ufeff" + LONG, encoding="utf-8")
    graded = exercises.grade(key, path, roster=["zed", " "])
    assert [learner.learner for learner in graded.learners] == ["ada", "bo", "cy", "dee", "eve", "zed"]
    assert graded.learners[0].right == 1
    codes = {(row.learner, row.refusal.code) for row in graded.rows if row.refusal is not None}
    assert codes == {
        ("ada", "duplicate_answer"), ("bo", "ambiguous_number"), ("bo", "unknown_question"), ("", "no_learner"),
        ("cy", "unknown_label"), ("dee", "too_many_cells"), ("eve", "not_a_number"),
    }  # fmt: skip
    assert all(row.refusal.reason for row in graded.rows if row.refusal is not None)
    assert graded.notes == ("columns passed over: remark",)
    # Every learner has one row for every question that counts, refused or not.
    for learner in graded.learners:
        counted = [row.question for row in graded.rows if row.learner == learner.learner and row.possible > 0]
        assert sorted(set(counted)) == sorted(entry["question"]["id"] for entry in key["questions"])
        assert learner.possible == 70.0
    assert graded.class_table().count("\n") == 7
    assert "ambiguous_number" in graded.reasons()
    assert exercises.Grading.from_json(graded.to_json()) == graded


def test_wide_tables_and_decimal_commas(key: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    path.write_text(
        "Name,item-01-1,item-01-1 confidence,item-01-2,item-01-2 evidence,Timestamp\n"
        'ada,"0,2",90,a,c,2026\nbo,0,2,90,a,c,2026\n'
    )
    graded = exercises.grade(key, path)
    assert graded.learners[0].right == 2
    refused = [row for row in graded.rows if row.refusal is not None]
    assert [(row.learner, row.refusal.code) for row in refused] == [("bo", "too_many_cells")]
    assert "decimal comma" in refused[0].refusal.reason
    assert graded.learners[1].refused == 1


def test_json_answers(key: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text(
        json.dumps(
            {
                "ada": {"item-01-1": 0.2, "item-01-5": ["a", "b", "c"]},
                "bo": {"item-01-1": {"answer": "200 mV", "confidence": 0.9}},
                "cy": 7,
            }
        )
    )
    graded = exercises.grade(key, path)
    assert [learner.right for learner in graded.learners] == [2, 1, 0]
    listed = exercises.grade(
        key,
        [
            {"learner": "ada", "question": "item-01-1", "answer": {"x": 1}},
            {"learner": "ada", "question": "item-01-1", "answer": None},
        ],
    )
    assert listed.learners[0].learner == "ada" and listed.rows[-1].refusal is not None


@pytest.mark.parametrize("content", ["", "[", "7", "a,b\n1,2\n"])
def test_one_unreadable_file_is_an_error_among_several_a_note(
    key: dict[str, Any], content: str, tmp_path: Path
) -> None:
    bad = tmp_path / ("bad.csv" if "," in content or not content else "bad.json")
    bad.write_text(content)
    with pytest.raises(errors.InvalidDocumentError):
        exercises.grade(key, bad)
    good = tmp_path / "good.csv"
    good.write_text("learner,question,answer\nada,item-01-1,0.2\n")
    graded = exercises.grade(key, [bad, good, tmp_path / "absent.csv"])
    assert graded.learners[0].right == 1 and len(graded.notes) == 2


def test_formulas_of_learners_stay_text(key: dict[str, Any]) -> None:
    graded = exercises.grade(key, [{"learner": "=1+1", "question": "item-01-1", "answer": "0.2"}])
    assert "\n'=1+1," in graded.class_table()


# Section 6 of the Law School Admission Test as of Bock and Lieberman (Psychometrika 35:179-197, 1970): how many of 1000
# gave each pattern of right and wrong answers to five items, from 00000 to 11111. The same data stand in the R package
# ltm, whose descript() printed the figures below (rstudio-pubs-static.s3.amazonaws.com, document 668925).
LSAT_COUNTS = [
    3, 6, 2, 11, 1, 1, 3, 4, 1, 8, 0, 16, 0, 3, 2, 15, 10, 29, 14, 81, 3, 28, 15, 80, 16, 56, 21, 173, 11, 61, 28, 298,
]  # fmt: skip
DESCRIPT_RIGHT = [0.924, 0.709, 0.553, 0.763, 0.870]
DESCRIPT_EXCLUDED = [0.1128, 0.1532, 0.1728, 0.1444, 0.1216]
DESCRIPT_ALPHA = 0.2950
# The R package mirt (itemtype "Rasch", marginal maximum likelihood) on the same page.
MIRT_DIFFICULTY = [-2.7306377, -0.9988875, -0.2399273, -1.3068083, -2.0999312]


@pytest.fixture(scope="module")
def lsat() -> np.ndarray:
    patterns = list(itertools.product([0.0, 1.0], repeat=5))
    return np.repeat(patterns, LSAT_COUNTS, axis=0)


def test_classical_figures_against_a_published_example(lsat: np.ndarray) -> None:
    assert lsat.shape == (1000, 5)
    assert lsat.mean(axis=0) == pytest.approx(DESCRIPT_RIGHT, abs=5e-4)
    assert statistics.kr20(lsat) == pytest.approx(DESCRIPT_ALPHA, abs=5e-5)
    # The package divides once by n and once by n - 1: a factor sqrt(1000 / 999) on top of its rounding.
    found = [statistics.discrimination(lsat, item) for item in range(5)]
    assert found == pytest.approx(DESCRIPT_EXCLUDED, abs=1.5e-4)


def test_rasch_against_a_public_package(lsat: np.ndarray) -> None:
    model = statistics.rasch(lsat)
    wanted = np.array(MIRT_DIFFICULTY) - np.mean(MIRT_DIFFICULTY)
    # Marginal likelihood assumes normal abilities, conditional does not: they agree far within a standard error.
    assert model.difficulty == pytest.approx(wanted, abs=0.01)
    assert (np.abs(model.difficulty - wanted) < 0.1 * model.difficulty_std).all()


def test_rasch_against_scipy_on_the_likelihood_itself(lsat: np.ndarray) -> None:
    optimize = pytest.importorskip("scipy.optimize")
    patterns = np.array(list(itertools.product([0.0, 1.0], repeat=5)))
    scores = patterns.sum(axis=1)

    def minus_log_likelihood(free: np.ndarray) -> float:
        b = np.append(free, -free.sum())
        weights = np.exp(-patterns @ b)
        shares = [weights[place] / weights[scores == scores[place]].sum() for place in range(32)]
        return -float(np.array(LSAT_COUNTS) @ np.log(shares))

    best = optimize.minimize(minus_log_likelihood, np.zeros(4), method="BFGS", options={"gtol": 1e-6})
    model = statistics.rasch(lsat)
    assert model.difficulty[:4] == pytest.approx(best.x, abs=1e-5)
    assert model.log_likelihood == pytest.approx(-best.fun, abs=1e-6)
    # Standard errors from central second differences, step 1e-2: good to the square of it.
    steps = 1e-2 * np.eye(4)

    def second(one: np.ndarray, two: np.ndarray) -> float:
        signs = [(1, 1), (1, -1), (-1, 1), (-1, -1)]
        return sum(a * b * minus_log_likelihood(best.x + a * one + b * two) for a, b in signs) / 4e-4

    information = np.array([[second(one, two) for two in steps] for one in steps])
    wanted = np.sqrt(np.diag(np.linalg.inv(information)))
    assert model.difficulty_std[:4] == pytest.approx(wanted, rel=1e-3)


def test_rasch_recovers_what_it_was_made_of() -> None:
    rng = np.random.default_rng(5)
    b = np.array([-1.5, -0.5, 0.0, 0.4, 1.6])
    theta = rng.normal(0.3, 1.2, size=4000)
    right = (rng.random((4000, 5)) < 1.0 / (1.0 + np.exp(b - theta[:, None]))).astype(float)
    model = statistics.rasch(right)
    # Five estimates within four standard errors each.
    assert (np.abs(model.difficulty - b) < 4.0 * model.difficulty_std).all()
    assert (np.diff(model.ability_by_score) > 0).all()
    assert np.isfinite(model.ability_by_score).all()


def test_rasch_without_a_finite_maximum_is_refused() -> None:
    parted = [[1, 0], [1, 0], [1, 1], [0, 0]]
    with pytest.raises(errors.OutOfRangeError):
        statistics.rasch(parted)
    for wrong in ([[0, 2], [1, 1]], [[1, 1]], [[1, math.nan], [0, 1]]):
        with pytest.raises(errors.SixpulseError):
            statistics.rasch(wrong)


def test_kr20_by_hand() -> None:
    # Three items right on 3/4, 2/4, 1/4: variances (n - 1) 1/4, 1/3, 1/4; totals 3, 2, 1, 0: variance 5/3.
    assert statistics.kr20([[1, 1, 1], [1, 1, 0], [1, 0, 0], [0, 0, 0]]) == pytest.approx(1.5 * (1 - (5 / 6) / (5 / 3)))


def test_rank_correlation_against_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(3)
    one = rng.integers(0, 6, size=40)
    two = one + rng.integers(0, 6, size=40)
    assert statistics.rank_correlation(one, two) == pytest.approx(stats.spearmanr(one, two).statistic, abs=1e-12)


def test_a_class_over_its_questions(key: dict[str, Any], tmp_path: Path) -> None:
    answers = []
    for place in range(8):
        good = place < 5
        answers += [
            {"learner": f"l{place}", "question": "item-01-1", "answer": "0.2" if good else "0.8", "confidence": "80"},
            {"learner": f"l{place}", "question": "item-01-2", "answer": "a" if place < 4 else "b", "evidence": "c"},
            {"learner": f"l{place}", "question": "item-01-3", "answer": "cannot" if place != 2 else "14"},
            {"learner": f"l{place}", "question": "safety-1", "answer": "a" if place != 7 else "b"},
        ]
    graded = exercises.grade(key, answers)
    found = statistics.analyse(graded, key)
    by_id = {item.question: item for item in found.items}
    assert by_id["item-01-2"].share_right == 0.5
    chosen = {option.code: (option.chosen, option.right) for option in by_id["item-01-2"].options}
    assert chosen["open_diode"] == (4, True) and chosen["healthy"] == (4, False)
    assert by_id["item-01-1"].slips["peak_to_peak_for_rms"] == 3
    assert by_id["item-01-1"].discrimination > 0.5
    assert by_id["item-01-4"].discrimination is None  # nobody answered it
    assert found.alpha == pytest.approx(
        statistics.cronbach_alpha(
            [
                [
                    *(
                        next(
                            r.points for r in graded.rows if r.learner == f"l{p}" and r.question == e["question"]["id"]
                        )
                        for e in key["questions"]
                    )
                ]
                for p in range(8)
            ]
        )
    )
    small = exercises.grade(key, answers[:4])
    few = statistics.analyse(small, key)
    assert few.alpha is None and few.kr20 is None and few.rasch_reason
    pytest.importorskip("matplotlib")
    graded.write(tmp_path / "out", key=key)
    page = (tmp_path / "out" / "report.html").read_text()
    assert "peak to peak for rms: 3" in page and page.count("data:image/png") == 2
    assert json.loads((tmp_path / "out" / "statistics.json").read_text())["learners"] == 8


def test_a_report_escapes_what_learners_wrote(key: dict[str, Any], tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    graded = exercises.grade(key, [{"learner": "<script>x</script>", "question": "item-01-1", "answer": "<b>"}])
    graded.write(tmp_path, key=key)
    page = (tmp_path / "report.html").read_text()
    assert "<script" not in page and "&lt;script&gt;" in page
