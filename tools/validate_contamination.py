"""Judges the sensors of circuit-simulated captures and makes tables of docs/validation-contamination.md.

    python tools/validate_contamination.py folder FOLDER OUT.jsonl     captures that a labels.json describes
    python tools/validate_contamination.py tables TITLE IN.jsonl [...] Markdown on standard output
    python tools/validate_contamination.py in_step FOLDER [...]        machines in step with those supplies, made here

Every sensor is judged twice: with the electrical frequency given, and examined with nothing told. Nothing here is used
for fitting. `tools/ngspice_captures.py` makes such a folder; its labels also say what a conditioner counts. What a
record can prove is told by `tools/records.py` from the record and its label, before the library is asked.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import records
import shares
from labelled import labels
from labelled import rows as labelled_rows
from ngspice_captures import LONGEST_S, SETTLE_S, angle_turned
from numpy.typing import NDArray

import sixpulse
from sixpulse.contamination import assess

Row = dict[str, Any]
#: The rows that a share is of, by the mode; what a row must pass in a mode.
Chosen = Callable[[str], list[Row]]
Test = Callable[[Row, str], bool]
MODES = ("given", "free")
#: Two counts are the same from here on, relative.
SAME_COUNT = 0.01
#: Accuracy of a gain, relative, and of a delay, seconds or sample intervals; a bound allows it from a third of it on.
GAIN = 0.03
DELAY_S, DELAY_INTERVALS = 2e-6, 0.2
THIRD = 1.0 / 3.0


def said(found: sixpulse.results.Contamination) -> Row:
    """What is compared with the truth."""
    names: tuple[str, ...] = ("verdict", "reason", "gain_v_per_v", "gain_v_per_v_std", "delay_s", "delay_s_std", "path")
    names += ("own_frequency_hz", "indicated_hz", "indicated_without_ripple_hz", "detectable_gain_v_per_v")
    return {name: getattr(found, name) for name in names}


def held(file: Path, label: Row) -> Row | None:
    """What the record can prove and how well its path can be known; `None` where the label does not say enough."""
    if "params" not in label:
        return None
    with np.load(file) as stored:
        post, sensor = (stored[name] * float(stored[f"{name}_lsb"]) for name in ("post", "sensor"))
    record = records.of(post, sensor, label)
    gain, delay_s = records.bounds(record)
    bound = {"gain": gain, "delay_s": delay_s, "rounding": records.rounding(record)}
    return {"can_prove": records.can_prove(record), "bound": bound if record.gain else None}


def charging(path: Path) -> Iterator[tuple[str, Row, sixpulse.Capture]]:
    """Name, label, post and sensor of captures that charge; an alternator at rest has no ripple to be traced."""
    roles = {"post": "charging_post", "sensor": "speed_sensor"}
    for key, label in labels(path).items():
        if label["label"] != "not_running":
            whole = sixpulse.read(path / f"{key}.npz", roles=roles, coupling={"sensor": "dc"})
            yield key, label, sixpulse.Capture({name: whole[name] for name in roles})


def folder(path: Path) -> Iterator[Row]:
    """What is true of each capture, and what is said of it."""
    for key, label, capture in charging(path):
        facts: tuple[str, ...] = ("label", "fe", "fs", "bits", "noise", "rms_post", "duration")
        facts += ("sensor", "gain", "delay", "sensor_hz")
        row = {"id": key, **{name: label[name] for name in facts}, "counts": label.get("counts")}
        row["step_v"] = capture["post"].scale
        row["record"] = held(path / f"{key}.npz", label)
        row["given"] = said(assess(capture["sensor"], capture["post"], electrical_hz=label["fe"]))
        row["free"] = said(sixpulse.examine(capture).contamination["sensor"])
        yield row


# -------------------------------------------------------------------------------------------- machines in step

#: Samples up to which a record is read, made circuits for each supply, and the highest order that they have.
MOST_SAMPLES, CIRCUITS, ORDERS = 12_000, 3, 40


def in_step(path: Path) -> Iterator[str]:
    """Verdicts on circuits that turn by a supply's very angle, each order with a factor of 1/e to e and any phase."""
    for key, label in labels(path).items():
        samples = round(label["duration"] * label["fs"])
        if label["label"] == "not_running" or samples > MOST_SAMPLES:
            continue
        post = sixpulse.read(path / f"{key}.npz", roles={"post": "charging_post"})["post"]
        rng = np.random.default_rng([int(key[1:]), samples])
        for _ in range(CIRCUITS):
            values = made_circuit(rng, post.values(), label)
            circuit = sixpulse.Trace(values, sample_rate_hz=label["fs"], coupling="dc", role="speed_sensor")
            yield assess(circuit, post, electrical_hz=label["fe"]).verdict


def made_circuit(rng: np.random.Generator, post: NDArray[np.float64], label: Row) -> NDArray[np.float64]:
    """Another machine's orders by the angle of the one that made `post`, with the instrument's noise."""
    p = label["params"]
    t = np.arange(post.size) / label["fs"]
    angle = angle_turned(p, SETTLE_S + t, SETTLE_S, min(p["cycles"] / p["hz"], LONGEST_S))
    highest = max(1, min(ORDERS, int(0.45 * label["fs"] / label["fe"])))
    turns = np.exp(1j * np.outer(np.arange(1, highest + 1), angle))
    waves = np.vstack([turns.real, turns.imag]).T
    found = np.linalg.lstsq(waves, post - post.mean(), rcond=None)[0]
    lines = (found[:highest] - 1j * found[highest:]) * np.exp(rng.uniform(-1.0, 1.0, highest))
    lines = lines * np.exp(2j * np.pi * rng.random(highest))
    made: NDArray[np.float64] = (lines @ turns).real + p["noise_v"] * rng.standard_normal(post.size)
    return made


# ---------------------------------------------------------------------------------------------------- tables


def right(row: Row, mode: str) -> bool:
    """Tell whether the verdict is right."""
    return bool(row[mode]["verdict"] == row["sensor"].split("_")[0])


def gain_error(row: Row, mode: str) -> float:
    """Relative error of the gain."""
    return float(abs(row[mode]["gain_v_per_v"] / row["gain"] - 1.0))


def gain_right(row: Row, mode: str) -> bool:
    """Tell whether the gain is within 3 %."""
    return gain_error(row, mode) <= GAIN


def delay_limit_s(row: Row) -> float:
    """Accuracy asked of a delay."""
    return max(DELAY_S, DELAY_INTERVALS / float(row["fs"]))


def delay_right(row: Row, mode: str) -> bool:
    """Tell whether the delay is within 2 us or 0.2 samples."""
    return bool(abs(row[mode]["delay_s"] - row["delay"]) <= delay_limit_s(row))


def provable(row: Row) -> bool:
    """Tell whether the record can prove the right verdict."""
    return bool(row["record"] and row["record"]["can_prove"])


def gain_allowed(row: Row) -> bool:
    """Tell whether noise, what folds back and rounding leave a third of the gain's accuracy at most."""
    bound = row["record"] and row["record"]["bound"]
    return bool(bound and max(bound["gain"], bound["rounding"]) <= THIRD * GAIN)


def delay_allowed(row: Row) -> bool:
    """Tell whether noise and what folds back leave a third of the delay's accuracy at most."""
    bound = row["record"] and row["record"]["bound"]
    return bool(bound and bound["delay_s"] <= THIRD * delay_limit_s(row))


def covered(value: str, truth: str) -> Test:
    """Tell whether the truth lies within three of the stated standard uncertainties."""
    return lambda row, mode: bool(abs(row[mode][value] - row[truth]) <= 3.0 * row[mode][f"{value}_std"])


def turning_right(row: Row, mode: str) -> bool:
    """Tell whether turning or still is right."""
    return bool((row[mode]["own_frequency_hz"] is None) == (row["sensor_hz"] == 0.0))


def own_right(row: Row, mode: str) -> bool:
    """Tell whether the wheel's frequency is within 0.2 %."""
    hz = row[mode]["own_frequency_hz"]
    return hz is not None and abs(hz / row["sensor_hz"] - 1.0) <= 0.002


def same_count(one_hz: float, other_hz: float) -> bool:
    """Tell whether two counts are the same within 1 %."""
    return abs(one_hz - other_hz) <= SAME_COUNT * other_hz


def countable(row: Row) -> bool:
    """Tell whether an instrument without noise would count what the line gives, 3 % of the ripple more or less."""
    line, recorded = row["counts"]["line_hz"], row["counts"]["recorded_hz"]
    return all(same_count(hz, line[2]) for hz in (*line[1:], *recorded[1:]))


def of_path(rows: list[Row], mode: str) -> list[Row]:
    """Contaminated sensors that were called so."""
    return [r for r in rows if r["gain"] and r[mode]["verdict"] == "contaminated"]


def targets(rows: list[Row]) -> str:
    """The figures of merit, the frequency given and nothing told."""
    lines = ["| figure | frequency given | nothing told |", "|---|---|---|"]
    for name, chosen, test in figures(rows):
        cells = [shares.of(sum(test(r, mode) for r in chosen(mode)), len(chosen(mode))) for mode in MODES]
        lines.append(f"| {name} | {cells[0]} | {cells[1]} |")
    medians = [np.median([gain_error(r, mode) for r in of_path(rows, mode)]) for mode in MODES]
    lines.append("| median error of the gain | " + " | ".join(f"{100 * error:.2f} %" for error in medians) + " |")
    return "\n".join(lines)


def figures(rows: list[Row]) -> list[tuple[str, Chosen, Test]]:
    """Name of each share, the rows that it is of, and what they must pass."""
    clean = [r for r in rows if not r["gain"]]
    dirty = [r for r in rows if r["gain"]]
    fine = [r for r in rows if r["rms_post"] >= r["step_v"]]
    turning = [r for r in rows if r["sensor_hz"]]
    counted = [r for r in rows if r["counts"]]
    kinds = sorted({r["sensor"] for r in rows})
    return [
        ("verdict right", always(rows), right),
        ("... where the record can prove it", always([r for r in rows if provable(r)]), right),
        *((f"... {k.replace('_', ', ')}", always([r for r in rows if r["sensor"] == k]), right) for k in kinds),
        ("false alarm: clean called contaminated", always(clean), called("contaminated")),
        ("contaminated called clean", always(dirty), called("clean")),
        ("gain within 3 %", partial(of_path, rows), gain_right),
        ("... ripple one step and more r.m.s.", partial(of_path, fine), gain_right),
        ("... where the bound is at most 1 %", partial(of_path, [r for r in rows if gain_allowed(r)]), gain_right),
        ("gain within 3 standard uncertainties", partial(of_path, rows), covered("gain_v_per_v", "gain")),
        ("delay within 2 us or 0.2 samples", partial(of_path, rows), delay_right),
        ("... ripple one step and more r.m.s.", partial(of_path, fine), delay_right),
        (
            "... where the bound is at most a third of it",
            partial(of_path, [r for r in rows if delay_allowed(r)]),
            delay_right,
        ),
        ("delay within 3 standard uncertainties", partial(of_path, rows), covered("delay_s", "delay")),
        ("turning or still right", always(rows), turning_right),
        ("own frequency within 0.2 %", lambda mode: [r for r in turning if turning_right(r, mode)], own_right),
        ("indicated frequency within 1 %", always(counted), count_right),
        ("... where it can be had", always([r for r in counted if countable(r)]), count_right),
    ]


def always(rows: list[Row]) -> Chosen:
    """The same rows in either mode."""
    return lambda _: rows


def called(verdict: str) -> Test:
    """Tell whether this is the verdict."""
    return lambda row, mode: bool(row[mode]["verdict"] == verdict)


def count_right(row: Row, mode: str) -> bool:
    """Tell whether the indicated frequency is what the conditioner counts on the line."""
    hz = row[mode]["indicated_hz"]
    return hz is not None and same_count(hz, row["counts"]["line_hz"][2])


def misses(rows: list[Row]) -> str:
    """Every wrong or open verdict, with what the record holds."""
    head: tuple[str, ...] = ("capture", "truth", "gain", "ripple, steps r.m.s.", "cycles", "the record can prove it")
    head += ("said, frequency given", "nothing told")
    lines = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    for r in rows:
        if not all(right(r, mode) for mode in MODES):
            cells = [r["id"], f"{r['label']}, {r['sensor']}", f"{r['gain']:.3f}", f"{r['rms_post'] / r['step_v']:.2f}"]
            cells += [f"{r['fe'] * r['duration']:.0f}", "yes" if provable(r) else "no"]
            cells += [r[mode]["verdict"] for mode in MODES]
            lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    judge = commands.add_parser("folder", help="judge the captures of a folder")
    judge.add_argument("folder", type=Path)
    judge.add_argument("out", type=Path)
    tables = commands.add_parser("tables", help="print the tables of judged captures")
    tables.add_argument("title")
    tables.add_argument("rows", type=Path, nargs="+")
    alike = commands.add_parser("in_step", help="judge machines in step with the supplies of folders")
    alike.add_argument("folders", type=Path, nargs="+")
    options = parser.parse_args()
    if options.command == "in_step":
        for verdict, count in Counter(v for path in options.folders for v in in_step(path)).most_common():
            print(verdict, count)
    elif options.command == "folder":
        labels(options.folder)  # before the file is opened, which empties it
        with options.out.open("w") as out:
            out.writelines(json.dumps(row) + "\n" for row in folder(options.folder))
    else:
        rows = labelled_rows(options.rows)
        print(f"## {options.title}\n\n{targets(rows)}\n\n{misses(rows)}")


if __name__ == "__main__":
    main()
