"""How far two open diodes at f and an open phase at f / 2 can be told apart: both make lines at f, 2 f, 3 f ...

    python tools/two_readings.py draw PATTERN SEED FIRST COUNT OUT.jsonl     PATTERN: two_open_diodes or open_phase
    python tools/two_readings.py table IN.jsonl [...]                        Markdown on standard output

Each drawn capture is read at its own frequency for its lines, and once without being told for what the model makes of
the two readings. Boosted trees, each capture judged by those fitted on the other nine tenths, then show how much each
kind of knowledge tells; they are fitted for this one question, the model is not.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shares
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import StratifiedKFold, cross_val_predict

import sixpulse

Row = dict[str, Any]
Array = NDArray[np.float64]

#: Which order of its own cycle the first common line is.
FIRST_LINE = {"two_open_diodes": 1, "open_phase": 2}
#: Lines compared.
LINES = 8
#: Pairs of lines whose phases, less that of the line at their sum, no shift of the record changes.
PAIRS = ((1, 1), (1, 2), (2, 2), (1, 3), (2, 3), (3, 3))
#: Frequencies closer than this, relatively, are the same.
SAME_HZ = 0.01
#: A reading between these probabilities is left open.
OPEN = (0.03, 0.97)


def drawn(pattern: str, seed: int, first: int, count: int) -> Iterator[Row]:
    """Rows of captures read at the charging post whose told frequency was found again."""
    for member in range(first, first + count):
        try:
            scenario = sixpulse.Scenario.draw(
                seed=seed, member=member, pattern=pattern, pulse_number=6, sensor_mode="absent"
            )
            made, truth = sixpulse.simulate(scenario)
        except sixpulse.errors.SixpulseError:
            continue
        name, trace = next((n, t) for n, t in made.items() if t.role == "charging_post")
        capture, hz = sixpulse.Capture({name: trace}), truth.electrical_hz
        told, free = sixpulse.examine(capture, electrical_hz=hz), sixpulse.examine(capture)
        cycle = told.cycle
        if cycle.electrical_hz is None or told.ripple is None or abs(cycle.electrical_hz / hz - 1.0) > SAME_HZ:
            continue
        yield {
            "id": f"{seed}-{member}",
            "pattern": pattern,
            "hz": hz,
            "amplitudes": cycle.order_amplitudes_v.tolist(),
            "phases": cycle.order_phases_rad.tolist(),
            "rms": told.ripple.rms_v,
            "level": told.level.mean_v,
            "candidates": [(c.electrical_hz / hz, c.probability) for c in free.cycle.candidates],
        }


def figures(row: Row) -> dict[str, Array] | None:
    """Figures by kind of knowledge, the same for both readings of a cycle; None where a line is beyond the rate."""
    step = FIRST_LINE[row["pattern"]]
    sizes = np.array(row["amplitudes"])[step - 1 :: step][:LINES]
    phases = np.array(row["phases"])[step - 1 :: step][:LINES]
    if sizes.size < LINES:
        return None
    relations = np.array([phases[i - 1] + phases[j - 1] - phases[i + j - 1] for i, j in PAIRS])
    return {
        "sizes": np.log((sizes[1:] + 1e-6) / (sizes[0] + 1e-6)),
        "phases": np.concatenate([np.cos(relations), np.sin(relations)]),
        "frequency": np.array([np.log(step * row["hz"])]),
        "amount": np.array([np.log(row["rms"]), np.nan if row["level"] is None else row["level"]]),
    }


def of_model(row: Row) -> float | None:
    """Probability of two open diodes as the model has it, of these two readings; None where it considers neither."""
    step = FIRST_LINE[row["pattern"]]
    two, phase = (
        sum(p for ratio, p in row["candidates"] if abs(ratio / wanted - 1.0) < SAME_HZ) for wanted in (step, step / 2)
    )
    return two / (two + phase) if two + phase > 0.0 else None


def line(name: str, probability: Array, two_open: NDArray[np.bool_]) -> str:
    """One way to judge as a line of the table."""
    wrong = (probability > 0.5) != two_open
    left = int(((probability > OPEN[0]) & (probability < OPEN[1])).sum())
    parts = [f"{int(wrong[of].sum())} of {int(of.sum())}" for of in (two_open, ~two_open)]
    return f"| {name} | {shares.of(int(wrong.sum()), wrong.size)} | {parts[0]} | {parts[1]} | {left} |"


def table(rows: list[Row]) -> str:
    """What each kind of knowledge tells, and the model beside it."""
    read = [(row, made) for row in rows if (made := figures(row)) is not None]
    two_open = np.array([row["pattern"] == "two_open_diodes" for row, _ in read])
    folds = StratifiedKFold(10, shuffle=True, random_state=1)
    lines = [
        "| known | wrong | of two open diodes | of open phases | left between 3 and 97 % |",
        "|---|---|---|---|---|",
    ]
    for kinds in (
        ("sizes",),
        ("sizes", "phases"),
        ("frequency",),
        ("frequency", "amount"),
        ("sizes", "phases", "frequency", "amount"),
    ):
        known = np.array([np.concatenate([made[kind] for kind in kinds]) for _, made in read])
        trees = HistGradientBoostingClassifier(max_iter=300, learning_rate=0.05, max_leaf_nodes=8, random_state=0)
        probability = cross_val_predict(trees, known, two_open, cv=folds, method="predict_proba")[:, 1]
        lines.append(line(", ".join(kinds), probability, two_open))
    judged = [(p, two) for (row, _), two in zip(read, two_open, strict=True) if (p := of_model(row)) is not None]
    lines.append(line("the model as it is", np.array([p for p, _ in judged]), np.array([two for _, two in judged])))
    return "\n".join(lines)


def main() -> None:
    """Run one of the commands."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    draw = commands.add_parser("draw")
    draw.add_argument("pattern", choices=sorted(FIRST_LINE))
    for name in ("seed", "first", "count"):
        draw.add_argument(name, type=int)
    draw.add_argument("out", type=Path)
    show = commands.add_parser("table")
    show.add_argument("rows", type=Path, nargs="+")
    a = parser.parse_args()
    if a.command == "table":
        print(table([json.loads(text) for path in a.rows for text in path.read_text().splitlines()]))
        return
    with a.out.open("w") as file:
        for row in drawn(a.pattern, a.seed, a.first, a.count):
            file.write(json.dumps(row) + "\n")


if __name__ == "__main__":
    main()
