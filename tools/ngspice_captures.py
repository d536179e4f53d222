"""Labelled captures of charging systems with ngspice as the only solver: `python tools/ngspice_captures.py FOLDER`.

Acceptance data for what is fitted on this project's own simulator: the netlist is written from the element list,
ngspice solves it, and coupling, bandwidth, noise, sampling and quantising are NumPy and SciPy. Nothing of the library
is imported.

Each capture `cNNNN.npz` holds `post`, `battery`, `sensor` (int16 counts), `*_lsb` (volts per count), `fs` (hertz) and
`coupling` of post and battery (the sensor is DC-coupled); `labels.json` holds label, pattern, `fe` (mean electrical
frequency over the record, hertz), engine speed, the sensor's truth, what a pulse conditioner counts on the line and
every parameter. A run resumes where it stopped.
"""

from __future__ import annotations

import argparse
import json
import math
import subprocess
import tempfile
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Float = NDArray[np.float64]
Params = dict[str, Any]

GRID_S = 1e-6
"""ngspice's output grid; every sample rate divides its inverse."""
STEP_S = 1e-6
"""Longest step of ngspice (trapezoids): against 0.1 us orders 1 to 12 differ by 0.03 % of the greatest and the r.m.s.
ripple by 0.3 %; the phase of a lightly damped ringing at the post is not kept."""
PILOT_STEP_S = 2e-6
EMF_STEP_S = 5e-6
"""Straight lines between such points are within (2 pi 7 850 Hz 5 us)^2 / 8 = 0.5 % of a 7th harmonic at the fastest."""
LONGEST_S = 0.8
SETTLE_S = 0.03
"""Run ahead of the record; a ramp begins after it."""
LEAST_A = 2.0
"""Mean current from which a machine counts as charging."""
RATES_HZ = (20e3, 25e3, 40e3, 50e3, 100e3, 125e3, 200e3, 250e3, 500e3)
SAMPLES_PER_CYCLE = 26
CONDITIONS = ("poor_battery", "long_cable", "switched_load", "uneven_engine", "ramp")
COUNTS = {
    "healthy": 24,
    **{f"healthy_{condition}": 12 for condition in CONDITIONS},
    "open_diode": 36,
    "shorted_diode": 26,
    "open_phase": 26,
    "two_open_same_rail": 12,
    "two_open_opposite": 12,
    "resistive_diode": 8,
    "resistive_lead": 7,
    "weak_phase": 10,
    "leaking_diode": 9,
    "not_running": 10,
}
PATTERNS = {
    "healthy": "healthy",
    "open_diode": "open_diode",
    "shorted_diode": "shorted_diode",
    "open_phase": "open_phase",
    "two_open_same_rail": "two_open_diodes",
    "two_open_opposite": "two_open_diodes",
    "resistive_diode": "imbalance",
    "resistive_lead": "imbalance",
    "weak_phase": "imbalance",
    "leaking_diode": "imbalance",
    "not_running": "not_charging",
}


def plan() -> list[tuple[str, str]]:
    """Fault and condition of every capture, spread so that any leading part holds all faults in proportion."""
    places = []
    for label, count in COUNTS.items():
        fault = next(name for name in sorted(PATTERNS, key=len, reverse=True) if label.startswith(name))
        for k in range(count):
            condition = label[len(fault) + 1 :]
            if not condition and fault not in ("healthy", "not_running") and k % 5 >= 3:
                condition = CONDITIONS[(k // 5 * 2 + k % 5) % 5]
            places.append(((k + 0.5) / count, fault, condition))
    return [(fault, condition) for _, fault, condition in sorted(places)]


# ---- parameters -------------------------------------------------------------------------------------------------


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Uniform in the logarithm."""
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def draw(rng: np.random.Generator, fault: str, condition: str) -> Params:
    """Every parameter of a capture's circuit, in ohm, henry, farad, volt, ampere, hertz and seconds."""
    scale = 2.0 if rng.random() < 0.1 else 1.0
    pole_pairs = int(rng.choice([6, 7, 8], p=[0.6, 0.15, 0.25]))
    pulley_ratio = rng.uniform(1.8, 3.3)
    while True:
        engine_rpm = log_uniform(rng, 550.0, 3500.0)
        hz = engine_rpm / 60.0 * pulley_ratio * pole_pairs
        if 90.0 <= hz <= 850.0:
            break
    p: Params = {"fault": fault, "condition": condition, "scale": scale, "pole_pairs": pole_pairs}
    p |= {"pulley_ratio": pulley_ratio, "hz": hz, "engine_rpm": engine_rpm}
    p |= draw_speed(rng, p)
    p |= draw_machine(rng, p)
    p |= draw_network(rng, p)
    p |= draw_fault(rng)
    return p


def draw_speed(rng: np.random.Generator, p: Params) -> Params:
    """Change of speed over the record, firing irregularity, length in cycles."""
    drift = rng.uniform(-0.01, 0.01)
    if p["condition"] == "ramp":
        drift = rng.uniform(0.1, 0.4) * float(rng.choice([-1.0, 1.0]))
    ratio = rng.uniform(0.03, 0.05) if p["condition"] == "uneven_engine" else rng.uniform(0.0, 0.008)
    cylinders = int(rng.choice([3, 4, 6], p=[0.2, 0.55, 0.25]))
    return {
        "drift": drift,
        "irregularity": ratio,
        "firing_hz": p["engine_rpm"] / 120.0 * cylinders,
        "irregularity_phase": rng.uniform(0, 2 * math.pi),
        "angle": rng.uniform(0, 2 * math.pi),
        "cycles": log_uniform(rng, 8.0, 200.0),
    }


def draw_machine(rng: np.random.Generator, p: Params) -> Params:
    """Stator, diodes, set point and load."""
    scale = p["scale"]
    return {
        "delta": bool(rng.random() < 0.25),
        "ls": scale * log_uniform(rng, 60e-6, 240e-6),
        "rs": scale * log_uniform(rng, 0.012, 0.07),
        "h3": rng.uniform(0.0, 0.12), "h5": rng.uniform(-0.07, 0.07), "h7": rng.uniform(-0.04, 0.04),
        "phase_scale": [1.0 + float(x) for x in rng.uniform(-0.008, 0.008, 3)],
        "diode_is": 10.0 ** rng.uniform(-10.5, -8.5), "diode_n": rng.uniform(1.1, 1.5),
        "diode_rs": log_uniform(rng, 1e-3, 6e-3), "diode_bv": scale * rng.uniform(21.0, 30.0),
        "set_v": scale * rng.uniform(13.5, 14.9), "load_a": log_uniform(rng, 10.0, 75.0) / scale,
        "regulated": bool(rng.random() < 0.7), "level": rng.uniform(0.97, 1.03),
        "not_running": rng.uniform(0.0, 0.6),
    }  # fmt: skip


def draw_network(rng: np.random.Generator, p: Params) -> Params:
    """Capacitor, cable, ground path, battery and switched load."""
    scale, condition = p["scale"], p["condition"]
    poor, long = condition == "poor_battery", condition == "long_cable"
    idle = p["fault"] == "not_running"
    emf = rng.uniform(11.8, 13.0) if idle else min(rng.uniform(12.7, 13.7), p["set_v"] / scale - 0.3)
    expected_a = p["load_a"] + 30.0 / scale
    return {
        "c_sup": float(rng.choice([0.5e-6, 1e-6, 2.2e-6, 4.7e-6])), "r_sup": log_uniform(rng, 0.05, 0.3),
        "r_cable": min(rng.uniform(0.015, 0.05) if long else log_uniform(rng, 2e-3, 0.012), 1.2 * scale / expected_a),
        "l_cable": rng.uniform(4e-6, 8e-6) if long else log_uniform(rng, 0.5e-6, 3e-6),
        "r_ground": log_uniform(rng, 0.3e-3, 4e-3),
        "v_bat": scale * emf,
        "r_bat": scale * (rng.uniform(0.03, 0.1) if poor else log_uniform(rng, 3.5e-3, 0.014)),
        "l_bat": scale * (rng.uniform(0.3e-6, 2e-6) if poor else log_uniform(rng, 60e-9, 400e-9)),
        "r_pair": scale * rng.uniform(2e-3, 9e-3) * (3.0 if poor else 1.0),
        "c_pair": log_uniform(rng, 1.0, 6.0) / scale / (3.0 if poor else 1.0),
        "switched_a": rng.uniform(6.0, 25.0) / scale if condition == "switched_load" else 0.0,
        "switched_hz": log_uniform(rng, 20.0, 350.0), "switched_duty": rng.uniform(0.2, 0.8),
        "switched_edge_s": log_uniform(rng, 2e-6, 50e-6), "switched_l": log_uniform(rng, 0.3e-6, 3e-6),
    }  # fmt: skip


def draw_fault(rng: np.random.Generator) -> Params:
    """Where the fault sits and how large it is."""
    return {
        "phase": int(rng.integers(3)), "next": int(rng.integers(1, 3)), "positive": bool(rng.random() < 0.5),
        "lead_broken": bool(rng.random() < 0.5), "r_short": log_uniform(rng, 1e-3, 0.01),
        "r_leak": log_uniform(rng, 0.5, 4.0), "r_joint": rng.uniform(0.07, 0.25), "weak": rng.uniform(0.6, 0.85),
    }  # fmt: skip


# ---- circuit ----------------------------------------------------------------------------------------------------


def angle_turned(p: Params, t: Float, settle_s: float, record_s: float) -> Float:
    """Electrical angle from time 0 on: firing irregularity throughout, the change of speed within the record."""
    hz, d, fir = p["hz"], p["drift"], p["firing_hz"]
    ramped = np.maximum(t - settle_s, 0.0)
    swing = hz * p["irregularity"] / fir * np.sin(2 * math.pi * fir * t + p["irregularity_phase"]) / (2 * math.pi)
    return np.asarray(2 * math.pi * (hz * (1 - d / 2) * t + hz * d / (2 * record_s) * ramped**2 + swing))


def emf(p: Params, peak_v: float, settle_s: float, record_s: float) -> Float:
    """Time and EMF of the three coils, proportional to the speed, every `EMF_STEP_S`."""
    t = np.arange(0.0, settle_s + record_s + 0.001, EMF_STEP_S)
    angle = p["angle"] + angle_turned(p, t, settle_s, record_s)
    speed = np.gradient(angle, t) / (2 * math.pi * p["hz"])
    weak = np.where((np.arange(3) == p["phase"]) & (p["fault"] == "weak_phase"), p["weak"], 1.0)
    # A delta coil has sqrt 3 times the voltage and three times the impedance of its star equivalent.
    volts = peak_v * weak * np.array(p["phase_scale"]) * (math.sqrt(3.0) if p["delta"] else 1.0)
    turned = angle[:, None] - 2 * math.pi / 3 * np.arange(3)
    wave = np.sin(turned) + sum(p[f"h{n}"] * np.sin(n * turned) for n in (3, 5, 7))
    return np.column_stack([t, volts * speed[:, None] * wave])


def stator(p: Params) -> list[str]:
    """Coils whose EMF is read from `emf.txt` with straight lines between its points."""
    ohms = 3.0 if p["delta"] else 1.0
    ends = [(f"t{k}", f"t{(k + 1) % 3}") if p["delta"] else ("star", f"t{k}") for k in range(3)]
    pairs = " ".join(f"e{k} {start}" for k, (start, _) in enumerate(ends))
    same = "amploffset=[0 0 0] amplscale=[1 1 1] timeoffset=0 timescale=1 timerelative=false amplstep=false"
    lines = [f"aemf %vd([{pairs}]) emf", f'.model emf filesource (file="emf.txt" {same})']
    for k, (_, end) in enumerate(ends):
        lines += [f"Rs{k} e{k} r{k} {ohms * p['rs']!r}", f"Ls{k} r{k} {end} {ohms * p['ls']!r} ic=0"]
    return lines


def lead_ohm(p: Params, k: int) -> float:
    """Resistance of a stator lead; insulation where it is broken."""
    faulty = k == p["phase"]
    if faulty and p["fault"] == "open_phase" and p["lead_broken"]:
        return 1e6
    return float(p["r_joint"]) if faulty and p["fault"] == "resistive_lead" else 1e-5


def open_diodes(p: Params) -> set[tuple[int, bool]]:
    """Interrupted diodes: phase, and whether on the positive rail."""
    first, other, up = p["phase"], (p["phase"] + p["next"]) % 3, p["positive"]
    return {
        "open_diode": {(first, up)},
        "open_phase": set() if p["lead_broken"] else {(first, True), (first, False)},
        "two_open_same_rail": {(first, up), (other, up)},
        "two_open_opposite": {(first, up), (other, not up)},
    }.get(p["fault"], set())


def bridge(p: Params) -> list[str]:
    """Stator leads and diodes with their faults."""
    lines = [f".model dio D(IS={p['diode_is']!r} N={p['diode_n']!r} RS={p['diode_rs']!r} BV={p['diode_bv']!r})"]
    gone = open_diodes(p)
    for k in range(3):
        lines += [f"Rlead{k} t{k} d{k} {lead_ohm(p, k)!r}", f"Rins{k} d{k} 0 1e5"]
        for up in (True, False):
            name, ends = ("p" if up else "n") + str(k), (f"d{k} post" if up else f"0 d{k}")
            anode, cathode = ends.split()
            here = (k, up) == (p["phase"], p["positive"])
            if (k, up) in gone:
                continue
            if here and p["fault"] == "shorted_diode":
                lines.append(f"Rsh{name} {ends} {p['r_short']!r}")
            elif here and p["fault"] == "resistive_diode":
                lines += [f"D{name} {anode} j{name} dio", f"Rj{name} j{name} {cathode} {p['r_joint']!r}"]
            else:
                lines.append(f"D{name} {ends} dio")
            if here and p["fault"] == "leaking_diode":
                lines.append(f"Rlk{name} {ends} {p['r_leak']!r}")
    return lines


def network(p: Params, polarised: bool) -> list[str]:
    """From the charging post to battery and loads; `polarised`: with the slow part of the battery, charged up."""
    start = p["v_bat"]
    lines = [
        f"Rsup post csup {p['r_sup']!r}", f"Csup csup 0 {p['c_sup']!r} ic={start!r}",
        "Vcab post cab0 0", f"Rcab cab0 cab {p['r_cable']!r}", f"Lcab cab batt {p['l_cable']!r} ic=0",
        f"Rground chas 0 {p['r_ground']!r}", f"Rload batt chas {p['set_v'] / p['load_a']!r}",
        f"Lbat batt b0 {p['l_bat']!r} ic=0", f"Rbat b0 b1 {p['r_bat']!r}",
        f"Rpair b1 b2 {p['r_pair']!r}", f"Vbat b2 chas {start!r}",
    ]  # fmt: skip
    if polarised:
        ampere = 0.0 if p["fault"] == "not_running" else (p["set_v"] - start) / (p["r_bat"] + p["r_pair"])
        lines.append(f"Cpair b1 b2 {p['c_pair']!r} ic={ampere * p['r_pair']!r}")
    if p["switched_a"] > 0.0:
        period, edge = 1.0 / p["switched_hz"], p["switched_edge_s"]
        lines += [
            f"Vctl ctl 0 PULSE(0 1 {0.3 * period!r} {edge!r} {edge!r} {p['switched_duty'] * period!r} {period!r})",
            f"Lsw batt sw {p['switched_l']!r} ic=0",
            f"Bsw sw chas I={p['switched_a'] / p['set_v']!r}*V(ctl)*V(sw,chas)",
            # A module's own capacitor and its losses damp the wiring behind the switch.
            "Rsn sw snub 2\nCsn snub chas 0.2u",
        ]
    return lines


def solve(lines: list[str], coils: Float, stop_s: float, out_s: float, step_s: float) -> tuple[Float, Float, Float]:
    """Charging post, battery post (against the battery's negative), cable current every `out_s` from 0 on."""
    with tempfile.TemporaryDirectory() as folder:
        deck, raw = Path(folder) / "deck.cir", Path(folder) / "out.raw"
        np.savetxt(Path(folder) / "emf.txt", coils, fmt="%.9g")
        kept = "linearize v(post) v(batt) v(chas) i(vcab)"
        control = f".control\nset filetype=binary\nrun\n{kept}\nwrite out.raw\nquit\n.endc\n.end\n"
        options = ".options reltol=1e-4 abstol=1e-6 vntol=1e-6 method=trap\n"
        tran = f".tran {out_s!r} {stop_s!r} 0 {step_s!r} uic\n"
        deck.write_text("charging circuit\n" + "\n".join(lines) + "\n" + options + tran + control)
        done = subprocess.run(["ngspice", "-b", deck.name], cwd=folder, capture_output=True, text=True, check=False)
        if not raw.is_file():
            raise RuntimeError(f"ngspice gave nothing: {done.stdout[-800:]} {done.stderr[-800:]}")
        head, body = raw.read_bytes().split(b"Binary:\n", 1)
    names = [line.split()[1] for line in head.decode().split("\nVariables:")[1].splitlines() if len(line.split()) == 3]
    table = np.frombuffer(body, dtype="<f8")
    table = table[: table.size // len(names) * len(names)].reshape(-1, len(names))
    column = {name: table[:, k] for k, name in enumerate(names)}
    if column["time"][-1] < stop_s - 2 * out_s:
        raise RuntimeError(f"ngspice stopped at {column['time'][-1]} of {stop_s} s")
    return column["v(post)"].copy(), column["v(batt)"] - column["v(chas)"], column["i(vcab)"].copy()


def needed_peak(p: Params) -> float:
    """Peak phase EMF for the wanted current: constant-voltage-load formula (REFERENCE-VALUES A4), Rs in phase."""
    charging_a = min(max((p["set_v"] - p["v_bat"]) / (p["r_bat"] + p["r_pair"]), 2.0), 50.0 / p["scale"])
    ampere = (p["load_a"] + charging_a) * math.pi / 3.0
    along = 2.0 / math.pi * (p["set_v"] + 1.8) + p["rs"] * ampere
    return math.hypot(along, 2 * math.pi * p["hz"] * p["ls"] * ampere)


def choose_peak(p: Params) -> float:
    """Peak phase EMF at the mean speed: what holds the set point, where the machine is regulated and can."""
    formula = needed_peak(p)
    if p["fault"] == "not_running":
        return float(p["not_running"] * p["v_bat"] / math.sqrt(3.0) / (1 + abs(p["drift"])))
    # A switched load of the same mean whose period fits the window.
    quick = {"switched_hz": 2000.0, "switched_duty": 0.5, "switched_a": 2 * p["switched_duty"] * p["switched_a"]}
    # A field that is not regulated stands where it held the set point of the sound machine.
    sound = {} if p["regulated"] else {"fault": "healthy"}
    steady = {**p, "drift": 0.0, "irregularity": 0.0, **quick, **sound}
    settle_s, window_s = 0.012, math.ceil(0.008 * p["hz"]) / p["hz"]
    low, high = 0.6 * formula, 1.7 * formula
    lines = stator(steady) + bridge(steady) + network(steady, polarised=False)
    for _ in range(6):
        peak = math.sqrt(low * high)
        coils = emf(steady, peak, settle_s, window_s)
        post = solve(lines, coils, settle_s + window_s, 1e-5, PILOT_STEP_S)[0]
        error = float(post[round(settle_s / 1e-5) :].mean()) - p["set_v"]
        if abs(error) < 0.05 * p["scale"]:
            break
        low, high = (peak, high) if error < 0 else (low, peak)
    return float(peak * (1.0 if p["regulated"] else p["level"]))


# ---- instrument -------------------------------------------------------------------------------------------------


def draw_instrument(rng: np.random.Generator, p: Params) -> Params:
    """Sample rate, converter, coupling, bandwidth, noise and range."""
    fastest = p["hz"] * (1 + abs(p["drift"]) / 2) * (1 + p["irregularity"])
    rates = [rate for rate in RATES_HZ if rate >= SAMPLES_PER_CYCLE * fastest]
    bits = int(rng.choice([8, 12], p=[0.45, 0.55]))
    return {
        "fs": float(rng.choice(rates)), "bits": bits,
        "coupling": "ac" if rng.random() < (0.9 if bits == 8 else 0.4) else "dc",
        "corner_hz": log_uniform(rng, 0.5, 8.0), "bandwidth_hz": log_uniform(rng, 30e3, 20e6),
        "noise_v": log_uniform(rng, 1e-3, 0.02), "range_steps": int(rng.choice([0, 1, 2], p=[0.6, 0.3, 0.1])),
    }  # fmt: skip


def front_end(x: Float, p: Params, coupling: str) -> Float:
    """What reaches the converter, on ngspice's grid: bandwidth, then coupling settled on the mean."""
    if p["bandwidth_hz"] < 0.2 / GRID_S:
        b, a = signal.butter(1, p["bandwidth_hz"], fs=1 / GRID_S)
        x = signal.lfilter(b, a, x, zi=signal.lfilter_zi(b, a) * x[0])[0]
    if coupling == "ac":
        b, a = signal.butter(1, p["corner_hz"], "highpass", fs=1 / GRID_S)
        x = signal.lfilter(b, a, x - x.mean())
    return x


def digitise(rng: np.random.Generator, x: Float, p: Params) -> tuple[NDArray[np.int16], float]:
    """Samples with noise as counts of a converter whose range (1-2-5 steps, ten divisions) holds them."""
    seen = x[:: round(1 / (GRID_S * p["fs"]))]
    seen = seen + p["noise_v"] * rng.standard_normal(seen.size)
    ladder = [m * 10.0**e for e in range(-3, 2) for m in (1, 2, 5)]
    fitting = [step for step in ladder if 5 * step > 1.02 * float(np.abs(seen).max())]
    full_scale = 10 * fitting[min(p["range_steps"], len(fitting) - 1)]
    lsb = full_scale / 2 ** p["bits"]
    top = 2 ** (p["bits"] - 1)
    return np.clip(np.round(seen / lsb), -top, top - 1).astype(np.int16), lsb


def sensor_line(rng: np.random.Generator, post: Float) -> tuple[Float, Float, Params]:
    """A variable-reluctance sensor's own voltage, still or turning, and the charging post's ripple that it carries."""
    turns, dirty, share = rng.random() < 0.5, rng.random() < 0.5, log_uniform(rng, 0.1, 0.8)
    gain, delay_s = (share * float(rng.choice([-1.0, 1.0], p=[0.2, 0.8])) if dirty else 0.0), rng.uniform(0.0, 80e-6)
    own_hz = log_uniform(rng, 120.0, 1000.0) if turns else 0.0
    t = np.arange(post.size) * GRID_S
    cycle = 2 * math.pi * own_hz * t + rng.uniform(0, 2 * math.pi)
    teeth = log_uniform(rng, 1e-3, 6e-3) * own_hz
    run_out = 1 + rng.uniform(0, 0.06) * np.cos(cycle / 40)
    line = teeth * run_out * (np.sin(cycle) + rng.uniform(0, 0.1) * np.sin(2 * cycle))
    ripple = post - post.mean()
    late = np.interp(t - delay_s, t, ripple)
    truth = {"sensor": f"{'contaminated' if dirty else 'clean'}_{'turning' if turns else 'still'}"}
    return line, gain * late, {**truth, "gain": float(gain), "delay": delay_s, "sensor_hz": own_hz}


# ---- conditioner ------------------------------------------------------------------------------------------------

ARMING = (1.0 / 3.0, 0.03, 0.085)
"""Part of the last peak at which it arms, least arming voltage, and the seconds in which the peak decays and after
which it is forgotten: common practice, with the tags that the library's documentation of its conditioner gives."""
FACTORS = (0.0, 0.97, 1.0, 1.03)


def pulse_times(x: Float, step_s: float) -> list[float]:
    """Pulses of a peak-following conditioner: out where the line, once armed, falls to its mean."""
    fraction, least, decay_s = ARMING
    keep, forget = math.exp(-step_s / decay_s), decay_s / step_s
    peak, rising, armed, last = 0.0, 0.0, False, 0
    times = []
    for i, v in enumerate((x - x.mean()).tolist()):
        if armed:
            rising = max(rising, v)
            if v <= 0.0:
                times.append(i * step_s)
                armed, peak, last = False, rising, i
        elif v > max(least, fraction * peak * keep ** (i - last) if i - last <= forget else 0.0):
            armed, rising = True, v
    return times


def counted_hz(x: Float, step_s: float) -> float:
    """Mean frequency of the pulses over the part of a record that they span; over the record where that is short."""
    times = pulse_times(x, step_s)
    span = times[-1] - times[0] if times else 0.0
    record_s = x.size * step_s
    return (len(times) - 1) / span if span > 0.8 * record_s else len(times) / record_s


def counts(own: Float, ripple: Float, p: Params) -> Params:
    """Hertz counted on the line and on what an instrument without noise records of it, by the factor on the ripple."""
    every = round(1 / (GRID_S * p["fs"]))
    lines = [own + factor * ripple for factor in FACTORS]
    return {
        "factors": FACTORS,
        "line_hz": [counted_hz(line, GRID_S) for line in lines],
        "recorded_hz": [counted_hz(front_end(line, p, "dc")[::every], 1 / p["fs"]) for line in lines],
    }


# ---- captures ---------------------------------------------------------------------------------------------------


def charged(p: Params, settle_s: float, record_s: float) -> tuple[Float, Float, Float]:
    """The solution at an EMF with which the machine charges, unless it is not to."""
    p["peak_v"] = choose_peak(p)
    for _ in range(4):
        lines = stator(p) + bridge(p) + network(p, polarised=True)
        coils = emf(p, p["peak_v"], settle_s, record_s)
        found = solve(lines, coils, settle_s + record_s + 20 * GRID_S, GRID_S, STEP_S)
        ampere = float(found[2][round(settle_s / GRID_S) :].mean())
        if p["fault"] == "not_running" or ampere > LEAST_A:
            return found
        p["peak_v"] *= 1.2
    raise RuntimeError(f"only {ampere} A with {p['peak_v']} V")


def make(folder: Path, number: int, fault: str, condition: str, seed: int) -> Params:
    """Makes one capture, writes its file and gives its label."""
    rng = np.random.default_rng([seed, number])
    p = draw(rng, fault, condition)
    p |= draw_instrument(rng, p)
    settle_s, record_s = SETTLE_S, min(p["cycles"] / p["hz"], LONGEST_S)
    post, battery, cable_a = charged(p, settle_s, record_s)
    first = round(settle_s / GRID_S)
    samples = int(record_s * p["fs"])
    grid = samples * round(1 / (GRID_S * p["fs"]))
    post, battery = post[first : first + grid], battery[first : first + grid]
    wheel, carried, truth = sensor_line(rng, post)
    stored: dict[str, Any] = {"fs": p["fs"], "coupling": p["coupling"]}
    for name, values, coupling in (
        ("post", post, p["coupling"]),
        ("battery", battery, p["coupling"]),
        ("sensor", wheel + carried, "dc"),
    ):
        stored[name], stored[f"{name}_lsb"] = digitise(rng, front_end(values, p, coupling), p)
    ends = angle_turned(p, np.array([settle_s, settle_s + samples / p["fs"]]), settle_s, record_s)
    hz = float(ends[1] - ends[0]) / (2 * math.pi) * p["fs"] / samples
    name = f"c{number:04d}"
    np.savez_compressed(folder / f".{name}.npz", **stored)
    (folder / f".{name}.npz").replace(folder / f"{name}.npz")
    own = {k: p[k] for k in ("fs", "bits", "coupling", "pole_pairs", "pulley_ratio")}
    label = fault + (f"_{condition}" if condition else "")
    return {
        "label": label, "pattern": PATTERNS[fault], "fe": hz, **own, "noise": p["noise_v"],
        "duration": samples / p["fs"], "engine_rpm": 60 * hz / p["pole_pairs"] / p["pulley_ratio"],
        "mean_v": float(post.mean()), "cable_a": float(cable_a[first : first + grid].mean()),
        "ptp_post": float(np.ptp(post)), "ptp_battery": float(np.ptp(battery)),
        "rms_post": float(post.std()), "post_lsb": stored["post_lsb"], **truth,
        "sensor_lsb": stored["sensor_lsb"], "counts": counts(wheel, carried, p), "params": p,
    }  # fmt: skip


def make_safely(folder: Path, number: int, fault: str, condition: str, seed: int) -> Params | None:
    """One capture; `None`, and the reason printed, where ngspice fails."""
    try:
        return make(folder, number, fault, condition, seed)
    except RuntimeError as error:
        print(f"c{number:04d} {fault} {condition}: {error}", flush=True)
        return None


def usable(path: Path) -> bool:
    """True for a whole archive."""
    return path.is_file() and zipfile.is_zipfile(path)


def main() -> None:
    """Make what is asked for and not yet there."""
    parser = argparse.ArgumentParser(description="Labelled captures made with ngspice.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=len(plan()), help="how many, from the first on")
    parser.add_argument("--only", type=int, nargs="+", help="these numbers alone")
    parser.add_argument("--seed", type=int, default=20260)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    folder: Path = options.folder
    folder.mkdir(parents=True, exist_ok=True)
    index = folder / "labels.json"
    labels: dict[str, Params] = json.loads(index.read_text()) if index.is_file() else {}
    wanted = [
        (k, fault, condition)
        for k, (fault, condition) in enumerate(plan())
        if (k in options.only if options.only else k < options.count)
    ]
    left = [w for w in wanted if f"c{w[0]:04d}" not in labels or not usable(folder / f"c{w[0]:04d}.npz")]
    with ThreadPoolExecutor(options.workers) as pool:
        made = pool.map(lambda w: make_safely(folder, w[0], w[1], w[2], options.seed), left)
        for (number, *_), label in zip(left, made, strict=True):
            if label is not None:
                labels[f"c{number:04d}"] = label
                index.with_suffix(".part").write_text(json.dumps(dict(sorted(labels.items())), indent=1))
                index.with_suffix(".part").replace(index)
                print(f"c{number:04d} {label['label']} {label['fe']:.1f} Hz {label['mean_v']:.2f} V", flush=True)


if __name__ == "__main__":
    main()
