"""Judges captures of known truth and makes the tables of docs/validation-rectifier.md.

    python tools/validate_rectifier.py draw SEED FIRST COUNT OUT.jsonl     simulated captures, both posts
    python tools/validate_rectifier.py folder FOLDER OUT.jsonl             captures of another simulator (labels.json)
    python tools/validate_rectifier.py tables TITLE IN.jsonl [...]         Markdown on standard output

Every capture is examined twice: with its electrical frequency given, and without. Nothing here is used for fitting.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shares
from labelled import labels
from labelled import rows as labelled_rows

import sixpulse

HARD = ("open_diode", "shorted_diode", "open_phase", "two_open_diodes")
PATTERNS = ("healthy", *HARD, "imbalance", "not_charging")
#: Words of labels.json files for the library's patterns.
SPELLING = {
    "two_open_same_rail": "two_open_diodes",
    "two_open_opposite": "two_open_diodes",
    "two_open": "two_open_diodes",
    "weak_phase": "imbalance",
    "leaking_diode": "imbalance",
    "resistive_joint": "imbalance",
}
CONDITIONS = ("_poor_battery", "_switched_load", "_uneven_engine", "_uneven", "_ramp", "_irregular", "_long_cable")

Row = dict[str, Any]


def judged(capture: sixpulse.Capture, truth: Row, **machine: Any) -> Row:
    """One row: the truth, and what the library said with and without the frequency."""
    row = dict(truth)
    for name, hz in (("given", truth["hz"]), ("free", None)):
        e = sixpulse.examine(capture, electrical_hz=hz, **machine)
        row[name] = {
            "pattern": e.rectifier.pattern,
            "hz": e.cycle.electrical_hz,
            "hz_std": e.cycle.electrical_hz_std,
            "probabilities": e.rectifier.probabilities,
            "sub_six": e.rectifier.sub_six_ratio,
            "rms_v": None if e.ripple is None else e.ripple.rms_v,
            "usable": e.quality.usable,
            "candidates": [(c.electrical_hz, c.probability, c.pattern) for c in e.cycle.candidates],
            "ambiguous_with": [(a.pattern, a.electrical_hz, a.probability, a.test) for a in e.rectifier.ambiguous_with],
        }
    return row


def below_the_pulses(orders: Sequence[float], pulse_number: int) -> float:
    """S of a machine: the root of the sum of squares of the orders below its pulses' order, over that order."""
    return float(np.sqrt(np.sum(np.square(orders[: pulse_number - 1]))) / max(orders[pulse_number - 1], 1e-9))


def drawn(seed: int, first: int, count: int, pulse_number: int) -> Iterator[Row]:
    """Rows of simulated captures, one for the charging post and one for the battery post of each."""
    machine = {"machine": sixpulse.Machine(pulse_number=pulse_number)}
    for member in range(first, first + count):
        try:
            scenario = sixpulse.Scenario.draw(seed=seed, member=member, pulse_number=pulse_number, sensor_mode="absent")
            capture, truth = sixpulse.simulate(scenario)
        except sixpulse.errors.SixpulseError as error:
            yield {"id": f"{seed}-{member}", "failed": str(error)}
            continue
        document = scenario.to_dict()
        for post, role in (("post", "charging_post"), ("battery", "battery_post")):
            name, trace = next((n, t) for n, t in capture.items() if t.role == role)
            point = getattr(truth, post)
            orders = point.order_amplitudes_v
            facts = {
                "id": f"{seed}-{member}",
                "post": role,
                "pattern": truth.pattern,
                "sub_kind": truth.sub_kind,
                "hz": truth.electrical_hz,
                "rate": trace.sample_rate_hz,
                "bits": document["scope"]["bits"],
                "coupling": trace.coupling,
                "noise_v": document["channels"][post]["noise_v"],
                "cycles": truth.electrical_hz * trace.duration_s,
                "ripple_rms_v": point.rms_v,
                "step_v": trace.scale,
                "ramp": abs(truth.electrical_track.electrical_hz[-1] / truth.electrical_track.electrical_hz[0] - 1.0),
                "sub_six": below_the_pulses(orders, pulse_number),
            }
            yield judged(sixpulse.Capture({name: trace}), facts, **machine)


def pattern_of(label: str) -> str:
    """The library's pattern for a label such as ``two_open_opposite_ramp``."""
    for condition in CONDITIONS:
        label = label.removesuffix(condition)
    return SPELLING.get(label, label)


def folder(path: Path) -> Iterator[Row]:
    """Rows of the captures that a labels.json describes (one NPZ file each, scaled integers)."""
    for key, label in labels(path).items():
        for post, role in (("post", "charging_post"), ("battery", "battery_post")):
            trace = sixpulse.read(path / f"{key}.npz", roles={post: role})[post]
            facts = {
                "id": key,
                "post": role,
                "pattern": label.get("pattern", pattern_of(label["label"])),
                "sub_kind": label["label"],
                "hz": label["fe"],
                "rate": trace.sample_rate_hz,
                "bits": label["bits"],
                "coupling": trace.coupling,
                "noise_v": label["noise"],
                "cycles": label["fe"] * trace.duration_s,
                "ripple_rms_v": label.get(f"rms_{post}"),
                "step_v": trace.scale,
                "ramp": abs(label.get("params", {}).get("drift", 0.0)),
                "sub_six": None,
            }
            yield judged(sixpulse.Capture({post: trace}), facts)


# ---------------------------------------------------------------------------------------------------- tables


def hit(row: Row, mode: str) -> bool:
    """Tell whether the pattern is right."""
    return bool(row[mode]["pattern"] == row["pattern"])


def hz_right(row: Row, mode: str) -> bool:
    """Tell whether the electrical frequency is within 0.2 %."""
    hz = row[mode]["hz"]
    return hz is not None and abs(hz / row["hz"] - 1.0) <= 0.002


def share(rows: Iterable[Row], test: Callable[[Row], bool]) -> str:
    """Share of the rows that pass, with its interval."""
    listed = list(rows)
    return shares.in_percent(sum(map(test, listed)), len(listed))


def targets(rows: list[Row]) -> str:
    """The issue's figures of merit, with the frequency given and without."""
    hard = [r for r in rows if r["pattern"] in HARD]
    healthy = [r for r in rows if r["pattern"] == "healthy"]
    soft = [r for r in rows if r["pattern"] == "imbalance"]
    clear = [r for r in soft if r["sub_six"] is not None and r["sub_six"] > 0.5]
    charging = [r for r in rows if r["pattern"] != "not_charging"]
    lines = ["| figure | captures | frequency given | not given |", "|---|---|---|---|"]
    entries: list[tuple[str, list[Row], Callable[[Row, str], bool]]] = [
        ("hard fault found", hard, lambda r, m: r[m]["pattern"] in HARD),
        ("hard fault named right", hard, hit),
        ("named right, all patterns", rows, hit),
        ("false alarm: healthy called a hard fault", healthy, lambda r, m: r[m]["pattern"] in HARD),
        ("healthy called healthy", healthy, hit),
        ("imbalance with S > 0.5 called healthy", clear, lambda r, m: r[m]["pattern"] == "healthy"),
        ("imbalance called a hard fault", soft, lambda r, m: r[m]["pattern"] in HARD),
        ("undetermined", charging, lambda r, m: r[m]["pattern"] == "undetermined"),
        ("electrical frequency within 0.2 %", charging, hz_right),
        ("... within 3 of its stated standard uncertainties", charging, hz_covered),
    ]
    for name, chosen, test in entries:
        cells = [share(chosen, lambda r, m=mode, t=test: t(r, m)) for mode in ("given", "free")]
        lines.append(f"| {name} | {len(chosen)} | {cells[0]} | {cells[1]} |")
    lines.append(
        f"| expected calibration error (15 bins) | {len(rows)} "
        f"| {calibration(rows, 'given')} | {calibration(rows, 'free')} |"
    )
    lines.append(f"| Brier score (0 to 2) | {len(rows)} | {brier(rows, 'given')} | {brier(rows, 'free')} |")
    return "\n".join(lines)


def hz_covered(row: Row, mode: str) -> bool:
    """Tell whether the frequency lies within three of its stated standard uncertainties."""
    hz, std = row[mode]["hz"], row[mode]["hz_std"]
    return hz is not None and abs(hz - row["hz"]) <= 3.0 * std


def bins(rows: list[Row], mode: str, count: int = 15) -> list[tuple[int, float, float]]:
    """Captures, mean probability and share right in bins of the named pattern's probability."""
    top = np.array([max(r[mode]["probabilities"].values()) for r in rows])
    right = np.array([max(r[mode]["probabilities"], key=r[mode]["probabilities"].get) == r["pattern"] for r in rows])
    index = np.minimum((top * count).astype(int), count - 1)
    return [
        (int((index == b).sum()), float(top[index == b].mean()), float(right[index == b].mean()))
        for b in np.unique(index)
    ]


def calibration(rows: list[Row], mode: str) -> str:
    """Expected calibration error of the named pattern's probability."""
    return f"{sum(n * abs(p - q) for n, p, q in bins(rows, mode)) / len(rows):.3f}"


def brier(rows: list[Row], mode: str) -> str:
    """Mean Brier score over all patterns."""
    score = [sum((p - (name == r["pattern"])) ** 2 for name, p in r[mode]["probabilities"].items()) for r in rows]
    return f"{np.mean(score):.3f}"


def confusion(rows: list[Row], mode: str) -> str:
    """Counts of what was said for each true pattern."""
    said = (*PATTERNS, "undetermined")
    lines = ["| truth \\ said | " + " | ".join(said) + " |", "|---" * (len(said) + 1) + "|"]
    for pattern in PATTERNS:
        mine = [r for r in rows if r["pattern"] == pattern]
        if mine:
            lines.append(
                f"| {pattern} | " + " | ".join(str(sum(r[mode]["pattern"] == s for r in mine)) for s in said) + " |"
            )
    return "\n".join(lines)


def breakdown(rows: list[Row], name: str, group: Callable[[Row], str | None]) -> str:
    """Named right, hard faults found, false alarms and frequency by the groups of one property."""
    lines = [
        f"| {name} | captures | hard fault found | false alarm | named right | frequency within 0.2 % |",
        "|---|---|---|---|---|---|",
    ]
    keys: dict[str, list[Row]] = {}
    for row in rows:
        key = group(row)
        if key is not None:
            keys.setdefault(key, []).append(row)
    for key in sorted(keys):
        mine = keys[key]
        hard = [r for r in mine if r["pattern"] in HARD]
        healthy = [r for r in mine if r["pattern"] == "healthy"]
        cells = [
            share(hard, lambda r: r["free"]["pattern"] in HARD),
            share(healthy, lambda r: r["free"]["pattern"] in HARD),
            share(mine, lambda r: hit(r, "free")),
            share([r for r in mine if r["pattern"] != "not_charging"], lambda r: hz_right(r, "free")),
        ]
        lines.append(f"| {key} | {len(mine)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def ranges(edges: list[float], unit: str, of: Callable[[Row], float | None]) -> Callable[[Row], str | None]:
    """Group a figure by the intervals between edges."""

    def group(row: Row) -> str | None:
        value = of(row)
        if value is None:
            return None
        i = sum(value >= e for e in edges)
        letter = chr(97 + i)
        if i == 0:
            return f"{letter}) below {edges[0]:g} {unit}"
        if i == len(edges):
            return f"{letter}) {edges[-1]:g} and more {unit}"
        return f"{letter}) {edges[i - 1]:g} to {edges[i]:g} {unit}"

    return group


def steps(row: Row) -> float | None:
    """R.m.s. ripple in steps of the converter."""
    if row["ripple_rms_v"] is None or not row["step_v"]:
        return None
    return float(row["ripple_rms_v"]) / float(row["step_v"])


def noise_ratio(row: Row) -> float | None:
    """R.m.s. ripple over r.m.s. noise."""
    return None if row["ripple_rms_v"] is None else float(row["ripple_rms_v"]) / max(float(row["noise_v"]), 1e-9)


def meter_rule(rows: list[Row]) -> str:
    """What an AC limit at the post finds, against the pattern."""
    hard = [r for r in rows if r["pattern"] in HARD]
    healthy = [r for r in rows if r["pattern"] == "healthy"]
    lines = ["| rule | hard faults found | healthy machines accused |", "|---|---|---|"]
    for limit in (0.1, 0.3, 0.5):
        over = lambda r, v=limit: r["ripple_rms_v"] > v  # noqa: E731
        lines.append(f"| more than {limit} V r.m.s. at this post | {share(hard, over)} | {share(healthy, over)} |")
    lines.append(
        f"| pattern, frequency not given | {share(hard, lambda r: r['free']['pattern'] in HARD)} | "
        f"{share(healthy, lambda r: r['free']['pattern'] in HARD)} |"
    )
    return "\n".join(lines)


def tables(title: str, rows: list[Row]) -> str:
    """All tables of a set of rows, as Markdown."""
    failed = [r for r in rows if "failed" in r]
    rows = [r for r in rows if "failed" not in r]
    parts = [f"## {title}", "Per cent with the 95 % Wilson score interval."]
    if failed:
        parts.append(f"{len(failed)} draws could not be simulated: " + "; ".join(r["failed"] for r in failed[:5]))
    for post in ("charging_post", "battery_post"):
        mine = [r for r in rows if r["post"] == post]
        if not mine:
            continue
        parts += [f"### Read at the {post.replace('_', ' ')}", targets(mine)]
        parts += [
            "Verdicts, frequency given:",
            confusion(mine, "given"),
            "Verdicts, frequency not given:",
            confusion(mine, "free"),
        ]
        if all(r["ripple_rms_v"] is not None for r in mine):
            parts += ["Against a limit on the AC voltage (true r.m.s., full bandwidth):", meter_rule(mine)]
    post = [r for r in rows if r["post"] == "charging_post"]
    parts += ["### By property of the capture (charging post, frequency not given)"]
    for name, group in (
        ("sample rate", ranges([50e3, 100e3, 250e3], "S/s", lambda r: r["rate"])),
        ("bits", lambda r: f"{r['bits']:>2}"),
        ("ripple in converter steps, r.m.s.", ranges([0.3, 1.0, 3.0, 10.0], "steps", steps)),
        ("ripple against noise, r.m.s.", ranges([1.0, 3.0, 10.0], "times", noise_ratio)),
        ("coupling", lambda r: r["coupling"]),
        ("electrical cycles in the record", ranges([12.0, 30.0, 100.0], "cycles", lambda r: r["cycles"])),
        ("change of speed over the record", ranges([0.05, 0.2], "", lambda r: r["ramp"])),
    ):
        parts.append(breakdown(post, name, group))
    parts += [
        "### Reliability (charging post)",
        "Captures, mean probability of the named pattern, share of them right.",
        reliability(post),
    ]
    return "\n\n".join(parts) + "\n"


def reliability(rows: list[Row]) -> str:
    """The reliability diagram as a table."""
    lines = ["| frequency | " + "captures | stated | right |", "|---|---|---|---|"]
    for mode, word in (("given", "given"), ("free", "not given")):
        lines += [f"| {word} | {n} | {p:.3f} | {q:.3f} |" for n, p, q in bins(rows, mode, 10)]
    return "\n".join(lines)


def main() -> None:
    """Run one of the commands."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    draw = commands.add_parser("draw")
    for name in ("seed", "first", "count"):
        draw.add_argument(name, type=int)
    draw.add_argument("out", type=Path)
    draw.add_argument("--pulse-number", type=int, default=6)
    read = commands.add_parser("folder")
    read.add_argument("path", type=Path)
    read.add_argument("out", type=Path)
    show = commands.add_parser("tables")
    show.add_argument("title")
    show.add_argument("rows", type=Path, nargs="+")
    a = parser.parse_args()
    if a.command == "tables":
        print(tables(a.title, labelled_rows(a.rows)), end="")
        return
    if a.command == "folder":
        labels(a.path)  # before the file is opened, which empties it
    made = drawn(a.seed, a.first, a.count, a.pulse_number) if a.command == "draw" else folder(a.path)
    with a.out.open("w") as file:
        for row in made:
            file.write(json.dumps(row) + "\n")


if __name__ == "__main__":
    main()
