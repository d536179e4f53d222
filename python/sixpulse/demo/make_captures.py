"""Makes the bundled captures: simulates ``sprayer.cir`` with ngspice, then digitises it as an instrument would.

Run from the top of the source tree: ``python python/sixpulse/demo/make_captures.py``. It writes ``parked.csv``,
``repaired.csv``, the NPZ files and ``truth.json`` beside itself.
"""

import json
import math
import re
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).resolve().parent
NETLIST = FOLDER / "sprayer.cir"
SAMPLE_RATE_HZ = 50_000
SAMPLES = 12_500
BITS = 12
LEVELS = 1 << BITS
SUPPLY, SENSOR = "post", "speed"


@dataclass(frozen=True)
class Channel:
    """One input of the instrument: what it shows from bottom to top of the screen, and its noise."""

    range_v: float
    offset_v: float
    noise_rms_v: float

    @property
    def scale_v(self) -> float:
        """Volts per count."""
        return self.range_v / LEVELS

    def counts(self, volts: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.int16]:
        """Adds noise, quantises, and stops at the rails."""
        noisy = volts + self.noise_rms_v * rng.standard_normal(volts.size)
        rail = LEVELS // 2
        return np.clip(np.round((noisy - self.offset_v) / self.scale_v), -rail, rail - 1).astype(np.int16)

    def volts(self, counts: NDArray[np.int16]) -> NDArray[np.float64]:
        """What the counts stand for."""
        return counts.astype(np.float64) * self.scale_v + self.offset_v


@dataclass(frozen=True)
class Case:
    """One capture: the circuit's parameters and the instrument's settings."""

    parameters: dict[str, str]
    post: Channel
    speed: Channel
    seed: int
    pattern: str
    diode: str | None
    verdict: str
    note: str


CASES = {
    "parked": Case(
        parameters={"e_peak": "20.4", "r_joint_ap": "10meg", "r_shared": "0.3"},
        post=Channel(range_v=4.0, offset_v=14.0, noise_rms_v=0.003),
        speed=Channel(range_v=4.0, offset_v=2.0, noise_rms_v=0.0015),
        seed=20_260_611,
        pattern="open_diode",
        diode="phase a, positive rail",
        verdict="contaminated",
        note="orchard sprayer parked with the engine at 1000 r/min while the rate controller shows ground speed",
    ),
    "repaired": Case(
        parameters={"e_peak": "17.4", "r_joint_ap": "1u", "r_shared": "50u"},
        post=Channel(range_v=4.0, offset_v=14.0, noise_rms_v=0.003),
        speed=Channel(range_v=0.4, offset_v=0.0, noise_rms_v=0.0003),
        seed=20_260_612,
        pattern="healthy",
        diode=None,
        verdict="clean",
        note="the same sprayer and engine speed after the rectifier was replaced and the sensor return renewed",
    ),
}


def deck(case: Case) -> str:
    """The netlist with the case's values in its ``.param`` lines."""
    text = NETLIST.read_text(encoding="utf-8")
    for name, value in case.parameters.items():
        text, replaced = re.subn(rf"(?m)^(\.param {name} = )\S+", rf"\g<1>{value}", text)
        if replaced != 1:
            message = f"{NETLIST.name} should set {name} exactly once, found {replaced}"
            raise ValueError(message)
    return text


def simulate(case: Case) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Voltages at the charging post and at the sensor, at the sample times, before the instrument."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / NETLIST.name).write_text(deck(case), encoding="utf-8")
        subprocess.run(["ngspice", "-b", NETLIST.name], cwd=folder, check=True, capture_output=True)
        table = np.loadtxt(Path(folder) / "sprayer.txt", skiprows=1)
    if table.shape[0] < SAMPLES:
        message = f"ngspice returned {table.shape[0]} samples, {SAMPLES} are needed"
        raise ValueError(message)
    return table[:SAMPLES, 1], table[:SAMPLES, 2]


def digitise(
    case: Case, post: NDArray[np.float64], speed: NDArray[np.float64]
) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """Counts of both inputs; the noise follows from the case's seed."""
    rng = np.random.default_rng(case.seed)
    return case.post.counts(post, rng), case.speed.counts(speed, rng)


def parameter(name: str, case: Case | None = None) -> float:
    """A ``.param`` value of the netlist, as the case sets it."""
    found = re.search(
        rf"(?m)^\.param {name} = (\S+)", NETLIST.read_text(encoding="utf-8") if case is None else deck(case)
    )
    if found is None:
        message = f"{NETLIST.name} has no parameter {name}"
        raise ValueError(message)
    return number(found[1])


def number(text: str) -> float:
    """A number with the circuit simulator's suffixes."""
    suffixes = {"meg": 1e6, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}
    found = re.fullmatch(r"([-+0-9.e]+?)(meg|k|m|u|n|p)?", text)
    if found is None:
        message = f"{text!r} is not a number"
        raise ValueError(message)
    return float(found[1]) * suffixes.get(found[2], 1.0)


def element(name: str) -> float:
    """Value of a two-terminal element of the netlist."""
    found = re.search(rf"(?m)^{name} \S+ \S+ (\S+)", NETLIST.read_text(encoding="utf-8"))
    if found is None:
        message = f"{NETLIST.name} has no element {name}"
        raise ValueError(message)
    return number(found[1])


def coupling(case: Case) -> tuple[float, float]:
    """Gain and delay from the post to the sensor, from the circuit's element values.

    The lamps and the shared joint divide the ripple; coil, input resistance and input capacitance make a second-order
    low-pass ``R / (R + Rc + s (L + R Rc C) + s^2 L R C)``, whose gain and delay at low frequency are given here (at
    order 6 the gain is 0.3 % larger and the delay 0.1 us longer; the joint's loading by the coil is below 0.003 %).
    """
    shared = parameter("r_shared", case)
    coil, inductance, load, capacitance = (element(name) for name in ("R_coil", "L_coil", "R_in", "C_in"))
    gain = shared / (shared + element("R_lamps")) * load / (load + coil)
    return gain, (inductance + load * coil * capacitance) / (load + coil)


def mean_electrical_hz() -> float:
    """Electrical frequency, mean over the record, from the phase at its two ends."""
    start = float(re.findall(r"(?m)^tran \S+ \S+ (\S+)", NETLIST.read_text(encoding="utf-8"))[0])
    duration = SAMPLES / SAMPLE_RATE_HZ
    base, firing, swing = parameter("f_e"), parameter("f_fire"), parameter("swing")
    wander = swing * (math.sin(math.tau * firing * (start + duration)) - math.sin(math.tau * firing * start))
    return base + wander / (math.tau * duration)


def truth(case: Case, post: NDArray[np.float64]) -> dict[str, Any]:
    """What is true of a capture: from the circuit where it says so, from the waveform before the instrument else."""
    gain, delay = coupling(case)
    carries = case.verdict == "contaminated"
    return {
        "pattern": case.pattern,
        "diode": case.diode,
        "electrical_hz": round(mean_electrical_hz(), 4),
        "post_mean_v": round(float(post.mean()), 4),
        "post_peak_to_peak_v": round(float(np.ptp(post)), 4),
        "post_ripple_rms_v": round(float(post.std()), 5),
        SENSOR: {
            "verdict": case.verdict,
            "gain_v_per_v": round(gain, 5) if carries else None,
            "delay_s": round(delay, 8) if carries else None,
            "own_frequency_hz": None,
        },
        "circuit": case.parameters,
        "seed": case.seed,
    }


def write_comma_table(path: Path, case: Case, post: NDArray[np.float64], speed: NDArray[np.float64]) -> None:
    """Delimited text with preamble, units row and time column; the sensor in millivolts."""
    lines = [
        f"Note,{case.note}",
        f"Samples,{SAMPLES}",
        f"Resolution,{BITS} bit",
        "Coupling,DC,DC",
        "",
        f"Time,{SUPPLY},{SENSOR}",
        "s,V,mV",
    ]
    lines += [
        f"{index / SAMPLE_RATE_HZ:.5f},{volts:.4f},{1000 * other:.2f}"
        for index, (volts, other) in enumerate(zip(post, speed, strict=True))
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def write_semicolon_table(path: Path, case: Case, post: NDArray[np.float64], speed: NDArray[np.float64]) -> None:
    """Delimited text as instruments set to a decimal comma write it: no time column, the interval in the preamble."""
    lines = [
        f"Note;{case.note}",
        f"Sample interval;{1_000_000 // SAMPLE_RATE_HZ} us",
        "Coupling;DC;DC",
        "",
        f"{SUPPLY};{SENSOR}",
        "V;mV",
    ]
    lines += [f"{volts:.4f};{1000 * other:.2f}".replace(".", ",") for volts, other in zip(post, speed, strict=True)]
    path.write_text("\r\n".join(lines) + "\r\n", encoding="utf-8", newline="")


def write_counts(path: Path, case: Case, post: NDArray[np.int16], speed: NDArray[np.int16]) -> None:
    """NPZ with the converter counts and how to read them."""
    np.savez_compressed(
        path,
        post=post,
        post_scale=case.post.scale_v,
        post_offset=case.post.offset_v,
        speed=speed,
        speed_scale=case.speed.scale_v,
        speed_offset=case.speed.offset_v,
        sample_rate_hz=float(SAMPLE_RATE_HZ),
        coupling="dc",
    )


def main() -> None:
    """Makes all files."""
    captures = {}
    for name, case in CASES.items():
        post, speed = simulate(case)
        counts = digitise(case, post, speed)
        write = write_comma_table if name == "parked" else write_semicolon_table
        write(FOLDER / f"{name}.csv", case, case.post.volts(counts[0]), case.speed.volts(counts[1]))
        write_counts(FOLDER / f"{name}.npz", case, *counts)
        captures[name] = truth(case, post)
        print(name, json.dumps(captures[name], indent=1))
    text = json.dumps({"schema_version": 1, "sample_rate_hz": SAMPLE_RATE_HZ, "captures": captures}, indent=2)
    (FOLDER / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
