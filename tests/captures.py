"""Captures made by formula for tests of the package's own behaviour; accuracy is tested elsewhere, on other data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import sixpulse

SAMPLE_RATE_HZ = 50_000.0
ELECTRICAL_HZ = 200.0


def bridge_v(*, fault: bool, count: int = 20_000) -> NDArray[np.float64]:
    """Return an ideal bridge's output about 14 V, with one diode of the positive rail missing where there is a fault.

    Highest of the phases that conduct - lowest phase (REFERENCE-VALUES A1, A2: the closed form on a resistive load),
    scaled to an amplitude that a vehicle shows.
    """
    angle = 2.0 * np.pi * ELECTRICAL_HZ * np.arange(count) / SAMPLE_RATE_HZ
    phases = np.cos(angle - np.array([[0.0], [2.0 * np.pi / 3.0], [4.0 * np.pi / 3.0]]))
    highest = phases[1:].max(axis=0) if fault else phases.max(axis=0)
    ripple = highest - phases.min(axis=0)
    return np.asarray(14.2 + 0.6 * (ripple - ripple.mean()))


def sprayer(*, fault: bool = True, coupling: str = "dc", count: int = 20_000) -> sixpulse.Capture:
    """Return a parked sprayer: charging post, battery, and a ground-speed sensor with a quarter of the ripple."""
    noise = np.random.default_rng(20_261_125).normal(0.0, 0.004, (3, count))
    volts = bridge_v(fault=fault, count=count)
    level = volts.mean()
    shown = volts if coupling == "dc" else volts - level
    common = {"sample_rate_hz": SAMPLE_RATE_HZ}
    post = np.round((shown + noise[0]) / 0.002).astype(np.int16)
    battery = 0.6 * (volts - level) + (level if coupling == "dc" else 0.0) + noise[1]
    sensor = 0.25 * (volts - level) + noise[2]
    return sixpulse.Capture(
        {
            "post": sixpulse.Trace(post, scale=0.002, coupling=coupling, role="charging_post", **common),
            "battery": sixpulse.Trace(battery, coupling=coupling, role="battery_post", **common),
            "ground_speed": sixpulse.Trace(sensor, coupling="dc", role="speed_sensor", **common),
        },
        engine_rpm=800.0,
    )


def stored(path: Path, *, engine_rpm: float | None = None) -> sixpulse.Capture:
    """A circuit-simulated capture of an NPZ file: the supply's two channels as the file says, the sensor DC-coupled."""
    roles = {"post": "charging_post", "battery": "battery_post", "sensor": "speed_sensor"}
    return sixpulse.read(path, roles=roles, coupling={"sensor": "dc"}, engine_rpm=engine_rpm)
