"""Judges the NumPy/SciPy pipeline of `scipy_pipeline.py` and `examine` on the same circuit-simulated captures.

    python tools/validate_pipeline.py FOLDER [...]     folders that a labels.json describes; Markdown on standard output

`tools/ngspice_captures.py` makes such folders. Nothing is told to `examine`. It shows what the plain methods, which are
what `tools/speed.py` compares the time with, answer on captures that are not made for them.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shares
from scipy_pipeline import PATTERNS, same_answers
from validate_contamination import charging
from validate_rectifier import HARD

import sixpulse

Row = dict[str, Any]
#: Electrical frequencies that `examine` looks for where nothing is told, hertz.
SEARCHED_HZ = (30.0, 3000.0)
#: How far from the truth the limits are that the pipeline is told in its second column.
TOLD = 0.07
WHO = ("library", "alone", "told")


def of_library(capture: sixpulse.Capture) -> Row:
    """What `examine` says."""
    found = sixpulse.examine(capture)
    sensor = found.contamination["sensor"]
    return {
        "hz": found.cycle.electrical_hz,
        "pattern": found.rectifier.pattern,
        "contaminated": {"contaminated": True, "clean": False}.get(sensor.verdict),
        "gain": sensor.gain_v_per_v,
    }


def of_pipeline(capture: sixpulse.Capture, limits_hz: tuple[float, float]) -> Row:
    """What the pipeline says; contaminated where two of the first twelve orders are coherent beyond chance."""
    post, sensor = (np.asarray(capture[name].values(), dtype=np.float32) for name in ("post", "sensor"))
    try:
        with np.errstate(all="ignore"), warnings.catch_warnings(action="ignore", category=RuntimeWarning):
            said = same_answers(post, sensor, capture["post"].sample_rate_hz, limits_hz)
    except (ValueError, IndexError, np.linalg.LinAlgError):
        return {"hz": None, "pattern": None, "contaminated": None, "gain": None}
    orders = said["orders"]
    coherent = int((orders["coherence"][:12] > orders["threshold"][:12]).sum())
    gain = said["contamination"]["gain"]
    return {"hz": said["electrical_hz"], "pattern": said["pattern"], "contaminated": coherent >= 2, "gain": gain}


def rows(folder: Path) -> Iterator[Row]:
    """Captures that charge, and what both say of them."""
    for _, label, capture in charging(folder):
        facts = {"hz": label["fe"], "pattern": label["pattern"], "gain": label["gain"]}
        told = ((1.0 - TOLD) * label["fe"], (1.0 + TOLD) * label["fe"])
        said = {"alone": of_pipeline(capture, SEARCHED_HZ), "told": of_pipeline(capture, told)}
        yield {"truth": facts, "library": of_library(capture)} | said


def within(value: float | None, truth: float, part: float) -> bool:
    """Tell whether a value is there and within a part of the truth."""
    return value is not None and abs(value / truth - 1.0) <= part


def table(judged: list[Row]) -> str:
    """The shares of both, one row for each question."""
    true = [r["truth"] for r in judged]
    known = [t["pattern"] in PATTERNS for t in true]
    hard, healthy = [t["pattern"] in HARD for t in true], [t["pattern"] == "healthy" for t in true]
    dirty = [t["gain"] != 0.0 for t in true]
    questions = {
        "electrical frequency within 0.2 %": ([True] * len(true), lambda t, s: within(s["hz"], t["hz"], 0.002)),
        "pattern right, of those that the pipeline knows": (known, lambda t, s: s["pattern"] == t["pattern"]),
        "hard fault found": (hard, lambda _, s: s["pattern"] in HARD),
        "hard fault found in a sound rectifier": (healthy, lambda _, s: s["pattern"] in HARD),
        "contaminated found": (dirty, lambda _, s: s["contaminated"] is True),
        "clean called contaminated": ([not d for d in dirty], lambda _, s: s["contaminated"] is True),
        "gain within 3 %": (dirty, lambda t, s: within(s["gain"], t["gain"], 0.03)),
    }
    lines = ["| figure | `examine` | pipeline | pipeline, frequency told within 7 % |", "|---|---|---|---|"]
    for name, (chosen, test) in questions.items():
        picked = [r for r, take in zip(judged, chosen, strict=True) if take]
        met = [sum(bool(test(r["truth"], r[who])) for r in picked) for who in WHO]
        lines.append(f"| {name} | {' | '.join(shares.of(count, len(picked)) for count in met)} |")
    return "\n".join(lines)


def main() -> None:
    """The table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    print(table([row for path in parser.parse_args().folders for row in rows(path)]))


if __name__ == "__main__":
    main()
