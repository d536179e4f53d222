# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Exercises: author, answer, grade
#
# A trainer writes what is to be learnt; the library draws captures with known truth, examines each one itself, and
# keeps those it can answer for. Answers are graded by a published rubric with a reason for every point lost.
#
# No vehicle is needed here. What is learnt is used on one: the vehicle maker's procedure, local rules and licensed
# practice come first, and nothing in the charging circuit is disconnected while the engine runs.

# %%
import tempfile
from pathlib import Path

import numpy as np

from sixpulse import exercises

# %% [markdown]
# ## Author
#
# Three captures, easy to middling. The seed is the set's secret: for a class that counts, `exercises.new_seed()` draws
# one.

# %%
author = {
    "title": "Is it the sensor?",
    "seed": 6_021_407_600_000_001,
    "count": 3,
    "goals": ["tell_patterns", "measure_ripple", "contamination", "keep_parts", "safety"],
    "patterns": ["healthy", "open_diode", "shorted_diode"],
    "distractors": ["poor_battery"],
    "distractor_share": 0.3,
    "difficulty": {"from": 0.15, "to": 0.4, "within": 0.2},
    "order": "rising",
    "samples": 5000,
    "safety_questions": 1,
}
folder = Path(tempfile.mkdtemp())
made = exercises.build(author, folder)
sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.*"))

# %% [markdown]
# The learner sees this:

# %%
for question in made.questions["questions"][:3]:
    print(question["id"], question["text"])
    for option in question["options"]:
        print(f"    {option['label']}) {option['text']}")

# %% [markdown]
# The trainer sees what is true, how hard each item came out, and which draws were rejected.

# %%
for item in made.key["items"]:
    print(item["id"], item["pattern"], f"difficulty {item['difficulty']['value']:.2f}, wished {item['target']:.2f}")
for rejection in made.key["rejections"][:5]:
    print("rejected:", rejection["item"], rejection["code"], "-", rejection["reason"])

# %% [markdown]
# ## Answer
#
# Twelve invented learners: the abler one is, the more often the answer is right; slips and overconfidence included.

# %%
rng = np.random.default_rng(11)


def right_answer(entry):
    answer = entry["answer"]
    if answer["form"] == "number":
        return f"{answer['value']:.4g}"
    if answer["form"] == "set":
        return ",".join(answer["codes"])
    return answer.get("code", "cannot")


def wrong_answer(entry):
    answer, options = entry["answer"], entry["question"]["options"]
    if answer["form"] == "number":
        return f"{1000 * answer['value']:.4g}"  # millivolts, and no unit beside them
    if not options:
        return "0.5"
    return rng.choice([option["code"] for option in options if option["code"] != answer.get("code")])


answers = []
for number in range(12):
    ability = number / 11
    for entry in made.key["questions"]:
        right = rng.random() < 0.25 + 0.7 * ability
        evidence = entry["answer"].get("evidence", []) if rng.random() < 0.8 else []
        answers.append(
            {
                "learner": f"learner {number + 1:02}",
                "question": entry["question"]["id"],
                "answer": right_answer(entry) if right else wrong_answer(entry),
                "evidence": ",".join(evidence),
                "confidence": f"{100 * (0.6 + 0.3 * rng.random()):.0f} %",
            }
        )

# %% [markdown]
# ## Grade

# %%
graded = exercises.grade(made.key, answers)
print(graded.class_table())

# %% [markdown]
# Every point lost has its reason:

# %%
for loss in next(row for row in graded.rows if row.losses).losses:
    print(f"-{loss.points:.1f} {loss.code}: {loss.reason}")

# %% [markdown]
# ## How well the questions work

# %%
found = exercises.statistics.analyse(graded, made.key)
print(f"alpha {found.alpha:.2f}, KR-20 {found.kr20:.2f}, standard error {found.standard_error:.1f} points")
for item in found.items:
    shown = "-" if item.discrimination is None else f"{item.discrimination:.2f}"
    print(f"{item.question:10} {item.kind:20} mean share {item.mean_share:.2f}, discrimination {shown}")

# %% [markdown]
# Table, reasons, statistics and a report with plots go to a folder; the published key is held against its seal.

# %%
graded.write(folder / "results", key=made.key)
trainer = folder / "trainer"
assert exercises.verify_seal(folder / "learner" / "seal.json", trainer / "key.json", salt=trainer / "salt.txt")
assert graded.learners[-1].points > graded.learners[0].points
