"""Judges the sensors of circuit-simulated captures and makes tables of docs/validation-contamination.md.

    python tools/validate_contamination.py folder FOLDER OUT.jsonl     captures that a labels.json describes
    python tools/validate_contamination.py tables TITLE IN.jsonl [...] Markdown on standard output

Every sensor is judged twice: with the electrical frequency given, and examined with nothing told. Nothing here is used
for fitting. `tools/ngspice_captures.py` makes such a folder; its labels also say what a conditioner counts.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import shares

import sixpulse
from sixpulse.contamination import assess

Row = dict[str, Any]
#: The rows that a share is of, by the mode; what a row must pass in a mode.
Chosen = Callable[[str], list[Row]]
Test = Callable[[Row, str], bool]
MODES = ("given", "free")
#: Two counts are the same from here on, relative.
SAME_COUNT = 0.01


def said(found: sixpulse.results.Contamination) -> Row:
    """What is compared with the truth."""
    names: tuple[str, ...] = ("verdict", "reason", "gain_v_per_v", "gain_v_per_v_std", "delay_s", "delay_s_std", "path")
    names += ("own_frequency_hz", "indicated_hz", "indicated_without_ripple_hz", "detectable_gain_v_per_v")
    return {name: getattr(found, name) for name in names}


def folder(path: Path) -> Iterator[Row]:
    """Rows of the captures that charge; an alternator at rest has no ripple that could be traced."""
    roles = {"post": "charging_post", "sensor": "speed_sensor"}
    for key, label in json.loads((path / "labels.json").read_text()).items():
        if label["label"] == "not_running":
            continue
        whole = sixpulse.read(path / f"{key}.npz", roles=roles, coupling={"sensor": "dc"})
        capture = sixpulse.Capture({name: whole[name] for name in roles})
        facts: tuple[str, ...] = ("label", "fe", "fs", "bits", "noise", "rms_post", "duration")
        facts += ("sensor", "gain", "delay", "sensor_hz")
        row = {"id": key, **{name: label[name] for name in facts}, "counts": label.get("counts")}
        row["step_v"] = capture["post"].scale
        row["given"] = said(assess(capture["sensor"], capture["post"], electrical_hz=label["fe"]))
        row["free"] = said(sixpulse.examine(capture).contamination["sensor"])
        yield row


# ---------------------------------------------------------------------------------------------------- tables


def right(row: Row, mode: str) -> bool:
    """Tell whether the verdict is right."""
    return bool(row[mode]["verdict"] == row["sensor"].split("_")[0])


def gain_error(row: Row, mode: str) -> float:
    """Relative error of the gain."""
    return float(abs(row[mode]["gain_v_per_v"] / row["gain"] - 1.0))


def delay_right(row: Row, mode: str) -> bool:
    """Tell whether the delay is within 2 us or 0.2 samples."""
    return bool(abs(row[mode]["delay_s"] - row["delay"]) <= max(2e-6, 0.2 / row["fs"]))


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
        *((f"... {k.replace('_', ', ')}", always([r for r in rows if r["sensor"] == k]), right) for k in kinds),
        ("false alarm: clean called contaminated", always(clean), called("contaminated")),
        ("contaminated called clean", always(dirty), called("clean")),
        ("gain within 3 %", partial(of_path, rows), lambda r, mode: gain_error(r, mode) <= 0.03),
        ("... ripple one step and more r.m.s.", partial(of_path, fine), lambda r, mode: gain_error(r, mode) <= 0.03),
        ("gain within 3 standard uncertainties", partial(of_path, rows), covered("gain_v_per_v", "gain")),
        ("delay within 2 us or 0.2 samples", partial(of_path, rows), delay_right),
        ("... ripple one step and more r.m.s.", partial(of_path, fine), delay_right),
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
    head = ("capture", "truth", "gain", "ripple, steps r.m.s.", "cycles", "said, frequency given", "nothing told")
    lines = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    for r in rows:
        if not all(right(r, mode) for mode in MODES):
            cells = [r["id"], f"{r['label']}, {r['sensor']}", f"{r['gain']:.3f}", f"{r['rms_post'] / r['step_v']:.2f}"]
            cells += [f"{r['fe'] * r['duration']:.0f}", *(r[mode]["verdict"] for mode in MODES)]
            lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def read_rows(files: list[Path]) -> list[Row]:
    """Rows of several files."""
    return [json.loads(line) for file in files for line in file.read_text().splitlines()]


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
    options = parser.parse_args()
    if options.command == "folder":
        with options.out.open("w") as out:
            out.writelines(json.dumps(row) + "\n" for row in folder(options.folder))
    else:
        rows = read_rows(options.rows)
        print(f"## {options.title}\n\n{targets(rows)}\n\n{misses(rows)}")


if __name__ == "__main__":
    main()
