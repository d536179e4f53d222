"""How well the mean electrical frequency of a drawn capture can be known at all.

    python tools/frequency_bound.py rows ROWS.jsonl OUT.jsonl    bounds of captures that validate_rectifier.py judged
    python tools/frequency_bound.py table OUT.jsonl [...]        Markdown: who is within 0.2 %, and why each miss is

ROWS.jsonl comes from ``validate_rectifier.py draw``. Each capture is simulated again without noise on a fine converter,
and the rotor's angle is taken from the scenario in closed form. Two things then bound the mean frequency:

* What the samples tell of the ripple's turns (Cramer-Rao): Fisher information of the converter's codes about the
  angle's polynomial of degree 3 (mean, slope, curvature of the speed), with level, tilt and the amplitudes and phases
  of orders 1 to 24 unknown beside it. White noise is the channel's; coarse codes are counted as they are.
* What the ripple tells of the rotor: pulses lag by an angle that grows with speed and load. Its mean is put right, its
  spread from machine to machine (``LAG_STD`` for each e-fold of speed) stays.

Beside the bound stands what the noiseless ripple itself does against the rotor over this record (``own_drift``): the
same model fitted to noiseless samples, the mean lag put right. Nothing that reads the ripple alone can see it.
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
from scipy.special import ndtr

import sixpulse

Array = NDArray[np.float64]
Row = dict[str, Any]

#: Orders of the electrical cycle with unknown amplitude and phase.
ORDERS = 24
#: Degree of the angle's polynomial: frequency, slope, curvature.
DEGREE = 3
#: Cycles that the ripple falls behind for each e-fold of speed, and the spread (``cycle::LAG_CYCLES_PER_E_FOLD``).
LAG, LAG_STD = 0.11, 0.06
#: Standard deviation, in volts, to which amplitudes and level are held: keeps what no code tells from being infinite.
AMPLITUDE_PRIOR_V = 1.0
#: Samples of a record used at most, each standing for as many as were left out.
MOST_SAMPLES = 16_000
#: The accuracy asked for, relative.
WANTED = 0.002


def electrical_turns(scenario: Row, time_s: Array) -> Array:
    """Turns of the electrical angle at the given times, 0 at time 0: ramp and firing irregularity in closed form."""
    drive = scenario["circuit"]["drive"]
    engine = drive["engine"]
    if engine["kind"] != "ramp" or engine["start_s"] != 0.0:
        raise ValueError(f"speed profile {engine['kind']} is not one of the drawn ones")
    t = np.minimum(time_s, engine["duration_s"])
    change = (engine["to_rpm"] - engine["from_rpm"]) / engine["duration_s"]
    crank = (engine["from_rpm"] * t + 0.5 * change * t * t + engine["to_rpm"] * (time_s - t)) / 60.0
    mean_rad = 2.0 * np.pi * crank
    irregularity = drive["irregularity"]
    for h in irregularity["harmonics"] if irregularity else ():
        order = h["multiple"] * irregularity["cylinders"] / 2.0
        swing = np.sin(order * mean_rad + h["phase_rad"]) - np.sin(h["phase_rad"])
        crank = crank + h["ratio"] / order * swing / (2.0 * np.pi)
    poles = scenario["circuit"]["alternator"]["pole_pairs"]
    return np.asarray(poles * drive["belt_ratio"] * (1.0 - drive["slip"]) * crank, dtype=np.float64)


def code_information(volts: Array, noise_v: float, step_v: float, offset_v: float) -> Array:
    """Fisher information (1/V^2) of one code about the voltage before Gaussian noise and rounding.

    ``sum over codes (d P / d v)^2 / P``. With noise of a step and more it is ``1 / (noise^2 + step^2 / 12)``; with none
    it is nothing but at the edges.
    """
    place = (volts - offset_v) / step_v
    sigma = noise_v / step_v
    if sigma > 1.0:
        return np.full_like(volts, 1.0 / (noise_v**2 + step_v**2 / 12.0))
    nearest = np.round(place)
    reach = int(np.ceil(6.0 * sigma)) + 1
    total = np.zeros_like(place)
    for k in range(-reach, reach + 1):
        low, high = (nearest + k - 0.5 - place) / sigma, (nearest + k + 0.5 - place) / sigma
        # The tail beyond the mean is taken from the other side, where the difference does not cancel.
        p = np.where(low > 0.0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low))
        slope = (np.exp(-0.5 * low * low) - np.exp(-0.5 * high * high)) / np.sqrt(2.0 * np.pi)
        total += np.where(p > 1e-12, slope * slope / np.maximum(p, 1e-12), 0.0)
    return np.asarray(total / (sigma * step_v) ** 2, dtype=np.float64)


class Model:
    """Level, tilt, orders and the angle's polynomial; the angle at the fit's start is given."""

    def __init__(self, turns: Array, orders: int, degree: int = DEGREE) -> None:
        self.u = np.linspace(-0.5, 0.5, len(turns))
        self.turns = turns
        self.orders = orders
        self.degree = degree

    def linear(self, angle: Array) -> Array:
        """Columns of the linear unknowns: level, tilt, cosine and sine of each order."""
        columns = [np.ones_like(self.u), self.u]
        first = np.exp(2j * np.pi * angle)
        power = first
        for _ in range(self.orders):
            columns += [power.real, power.imag]
            power = power * first
        return np.stack(columns)

    def jacobian(self, linear: Array, unknowns: Array) -> Array:
        """All columns: the linear ones, and the slope in the angle times the powers of time."""
        n = np.arange(1, self.orders + 1)
        cosines, sines = unknowns[2::2], unknowns[3::2]
        slope = 2 * np.pi * ((n * sines) @ linear[2::2] - (n * cosines) @ linear[3::2])
        return np.concatenate([linear, [slope * self.u**p for p in range(1, self.degree + 1)]])

    def ends(self) -> Array:
        """Weights of the polynomial's coefficients in the turns between both ends of the record."""
        return np.array([0.5**p - (-0.5) ** p for p in range(1, self.degree + 1)])


def turns_variance(jacobian: Array, weights: Array, model: Model) -> float:
    """Variance of the turns over the record: the bound's (turns squared) for a sample information of ``weights``."""
    information = (jacobian * weights) @ jacobian.T
    amplitudes = len(jacobian) - model.degree
    information[range(amplitudes), range(amplitudes)] += AMPLITUDE_PRIOR_V**-2
    # A turn and more is the same as nothing known.
    information[range(amplitudes, len(jacobian)), range(amplitudes, len(jacobian))] += 1.0
    ends = np.concatenate([np.zeros(amplitudes), model.ends()])
    return float(ends @ np.linalg.solve(information, ends))


def fitted(volts: Array, model: Model, passes: int = 4) -> tuple[Array, Array, Array]:
    """Least squares (Gauss-Newton): linear unknowns, polynomial of the angle's correction (turns), last Jacobian."""
    correction: Array = np.zeros(model.degree)
    powers = np.stack([model.u**p for p in range(1, model.degree + 1)])
    unknowns: Array = np.zeros(2 + 2 * model.orders)
    jacobian: Array = np.empty((0, 0))
    for turn in range(passes + 1):
        linear = model.linear(model.turns + correction @ powers)
        unknowns = np.linalg.lstsq(linear @ linear.T, linear @ volts, rcond=1e-12)[0]
        jacobian = model.jacobian(linear, unknowns)
        if turn < passes:
            rest = volts - unknowns @ linear
            step = np.linalg.lstsq(jacobian @ jacobian.T, jacobian @ rest, rcond=1e-12)[0]
            correction += np.clip(step[-model.degree :], -0.1, 0.1)
    return unknowns, correction, jacobian


def quiet(document: Row, trace: sixpulse.Trace) -> sixpulse.Trace:
    """The charging post of a scenario without noise, on 16 bits over the span that the noisy record has."""
    values = trace.values()
    low, high = float(values.min()), float(values.max())
    step_v = trace.scale or 0.0
    span = 0.5 * (high - low) + step_v
    channels = document["channels"]
    post = dict(channels["post"], noise_v=0.0)
    post["range"] = {"kind": "given", "full_scale_v": 1.1 * span, "offset_v": 0.5 * (high + low)}
    scope = dict(document["scope"], bits=16)
    changed = dict(document, channels=dict(channels, post=post, battery=None), scope=scope)
    return sixpulse.simulate(sixpulse.Scenario.from_dict(changed))[0]["post"]


def bound(document: Row, trace: sixpulse.Trace, quiet_trace: sixpulse.Trace) -> Row:
    """Bound and own drift of one capture, relative to its mean frequency."""
    volts = quiet_trace.values()
    stride = -(-len(volts) // MOST_SAMPLES)
    rate = trace.sample_rate_hz
    turns = electrical_turns(document, np.arange(len(volts)) / rate)[::stride]
    volts = volts[::stride]
    cycles = float(turns[-1])
    mean_hz = cycles * rate / (stride * (len(turns) - 1))
    model = Model(turns, int(min(ORDERS, 0.45 * rate / mean_hz)))
    _, correction, jacobian = fitted(volts, model)
    channel = document["channels"]["post"]
    information = stride * code_information(volts, channel["noise_v"], trace.scale or 0.0, trace.offset or 0.0)
    crb = np.sqrt(turns_variance(jacobian, information, model)) / cycles
    speeds = np.diff(turns)
    whole = max(round(len(turns) / cycles), 1)
    e_folds = float(np.log(speeds[-whole:].mean() / speeds[:whole].mean()))
    return {
        "crb": float(crb),
        "lag": LAG_STD * abs(e_folds) / cycles,
        "own_drift": float((model.ends() @ correction + LAG * e_folds) / cycles),
    }


def bounded(rows: list[Row], pulse_number: int = 6) -> Iterator[Row]:
    """Rows of charging captures with what bounds their frequency."""
    for row in rows:
        if "failed" in row or row["post"] != "charging_post" or row["pattern"] == "not_charging":
            continue
        seed, member = (int(x) for x in row["id"].split("-"))
        scenario = sixpulse.Scenario.draw(seed=seed, member=member, pulse_number=pulse_number, sensor_mode="absent")
        document = scenario.to_dict()
        trace = sixpulse.simulate(scenario)[0]["post"]
        yield dict(row, bound=bound(document, trace, quiet(document, trace)))


def error(row: Row, mode: str) -> float | None:
    """Relative error of the mean frequency, signed; ``None`` where none was found."""
    hz = row[mode]["hz"]
    return None if hz is None else hz / row["hz"] - 1.0


def missed(row: Row, mode: str) -> bool:
    """Tell whether the frequency is not within 0.2 %."""
    off = error(row, mode)
    return off is None or abs(off) > WANTED


def spread(row: Row) -> float:
    """Standard deviation of the bound: samples and lag together."""
    return float(np.hypot(row["bound"]["crb"], row["bound"]["lag"]))


#: Relative errors from here on are another line or a lost pulse, not an error of measurement.
FAR = 0.01


def cause(row: Row, mode: str) -> str:
    """Why the frequency of a row is missed, in the order in which one reason makes the next one moot."""
    off = error(row, mode)
    if off is None:
        return "no cycle found"
    if abs(off) > FAR:
        return f"{elsewhere(1.0 + off)}, {'warned of' if warned(row, mode) else 'WITHOUT A WARNING'}"
    b = row["bound"]
    reasons = (
        (abs(b["own_drift"]) > WANTED, "the noiseless ripple's own mean is off by more"),
        (3.0 * b["lag"] > WANTED, "lag not known to 0.2 % (3 standard deviations)"),
        (3.0 * b["crb"] > WANTED, "samples do not tell 0.2 % (3 standard deviations)"),
    )
    return next((words for holds, words in reasons if holds), "estimator")


def elsewhere(ratio: float) -> str:
    """What a far frequency is against the true one."""
    for part in (1, 2, 3):
        whole = round(ratio * part)
        if whole != part and abs(ratio * part / max(whole, 1) - 1.0) < FAR:
            return f"{whole}/{part} of the frequency"
    return "another line or lost pulses"


def warned(row: Row, mode: str) -> bool:
    """Tell whether the verdict itself says that the frequency may be another one."""
    said = row[mode]
    others = [hz for _, hz, _, _ in said["ambiguous_with"] if hz is not None]
    return said["pattern"] == "undetermined" or any(abs(hz / said["hz"] - 1.0) > FAR for hz in others)


def summary(rows: list[Row]) -> str:
    """Counts against the bound, then every miss with its cause."""
    lines = ["| captures | of them | within 0.2 %, frequency given | not given |", "|---|---|---|---|"]
    inside = {k: [r for r in rows if k * spread(r) <= WANTED] for k in (3, 2)}
    groups = [("all", rows)]
    groups += [(f"{k} standard deviations of the bound inside 0.2 %", chosen) for k, chosen in inside.items()]
    own = [r for r in inside[3] if abs(r["bound"]["own_drift"]) <= WANTED]
    groups.append(("3 inside, and the noiseless ripple's own mean within 0.2 %", own))
    for name, chosen in groups:
        cells = [shares.in_percent(sum(not missed(r, m) for r in chosen), len(chosen)) for m in ("given", "free")]
        lines.append(f"| {name} | {len(chosen)} | {cells[0]} | {cells[1]} |")
    lines += ["", "| wrong by more than 1 % | frequency given | not given |", "|---|---|---|"]
    far = {m: [r for r in rows if error(r, m) is not None and abs(error(r, m) or 0.0) > FAR] for m in ("given", "free")}
    lines.append("| all | " + " | ".join(shares.of(len(far[m]), len(rows)) for m in far) + " |")
    silent = [shares.of(sum(not warned(r, m) for r in far[m]), len(rows)) for m in far]
    lines.append("| without a warning | " + " | ".join(silent) + " |")
    for mode, word in (("given", "given"), ("free", "not given")):
        lines += ["", f"Misses, frequency {word} (relative figures in per cent):", "", MISS_HEAD]
        lines += [miss_line(r, mode) for r in sorted(rows, key=lambda r: cause(r, mode)) if missed(r, mode)]
    return "\n".join(lines) + "\n"


MISS_HEAD = (
    "| capture | circuit | cycles | ripple, steps | ramp | error | bound: samples | lag | ripple's own | cause |\n"
    "|---|---|---|---|---|---|---|---|---|---|"
)


def miss_line(row: Row, mode: str) -> str:
    """One miss as a line of the table."""
    off, b = error(row, mode), row["bound"]
    shown = "-" if off is None else f"{100 * off:.2f}"
    steps = row["ripple_rms_v"] / row["step_v"]
    return (
        f"| {row['id']} | {row['sub_kind']} | {row['cycles']:.0f} | {steps:.1f} | {100 * row['ramp']:.0f} | {shown} | "
        f"{100 * b['crb']:.3f} | {100 * b['lag']:.3f} | {100 * b['own_drift']:.3f} | {cause(row, mode)} |"
    )


def main() -> None:
    """Run one of the commands."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    make = commands.add_parser("rows")
    make.add_argument("rows", type=Path)
    make.add_argument("out", type=Path)
    make.add_argument("--pulse-number", type=int, default=6)
    show = commands.add_parser("table")
    show.add_argument("rows", type=Path, nargs="+")
    a = parser.parse_args()
    paths = a.rows if a.command == "table" else [a.rows]
    rows = [json.loads(line) for path in paths for line in path.read_text().splitlines()]
    if a.command == "table":
        print(summary(rows), end="")
        return
    with a.out.open("w") as file:
        for row in bounded(rows, a.pulse_number):
            file.write(json.dumps(row) + "\n")


if __name__ == "__main__":
    main()
