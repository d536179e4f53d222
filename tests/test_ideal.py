"""Ideal rectifier circuits: closed forms against a construction in NumPy, a reference table, and handbook values."""

from __future__ import annotations

import csv
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sixpulse import errors
from sixpulse.ideal import CIRCUITS, IdealWaveform, pulse_order_ratio, values, waveform

TABLE = (
    Path(os.environ.get("SIXPULSE_REFERENCE", Path(__file__).parents[1] / ".." / "shared" / "data"))
    / "ideal_orders.csv"
)
TABLE_NAMES = {
    "healthy_6pulse": "six_pulse",
    "one_diode_open": "one_diode_open",
    "open_phase": "open_phase",
    "two_open_same_rail": "two_open_same_rail",
    "two_open_opposite_rails": "two_open_opposite_rails",
    "ref_12pulse_series": "twelve_pulse",
    "ref_3pulse_half_wave": "three_pulse",
    "ref_1phase_full_wave": "single_phase_bridge",
    "ref_1phase_half_wave": "single_phase_half_wave",
}


def constructed(circuit: str, theta: Any) -> Any:
    """The output from the conduction rule alone: the highest phase a positive diode reaches, less the lowest a
    negative one does."""
    e = {phase: np.cos(theta - k * 2 * np.pi / 3) for k, phase in enumerate("abc")}

    def bridge(top: str, bottom: str) -> Any:
        return np.max([e[p] for p in top], axis=0) - np.min([e[p] for p in bottom], axis=0)

    if circuit == "twelve_pulse":
        return constructed("six_pulse", theta) + constructed("six_pulse", theta - np.pi / 6)
    return {
        "single_phase_half_wave": lambda: np.maximum(e["a"], 0),
        "single_phase_bridge": lambda: np.abs(e["a"]),
        "three_pulse": lambda: np.max(list(e.values()), axis=0),
        "six_pulse": lambda: bridge("abc", "abc"),
        "one_diode_open": lambda: bridge("bc", "abc"),
        "open_phase": lambda: bridge("bc", "bc"),
        "two_open_same_rail": lambda: bridge("c", "abc"),
        "two_open_opposite_rails": lambda: bridge("bc", "ac"),
    }[circuit]()


@pytest.mark.parametrize("circuit", CIRCUITS)
def test_closed_forms_equal_the_construction(circuit: Any) -> None:
    """Fourier coefficients by FFT on nested grids, extrapolated (Richardson): corners make aliasing fall as 1/n^2, the
    next term as 1/n^4; all corners lie on the grids."""

    def coefficients(n: int) -> Any:
        theta = 2 * np.pi * np.arange(n) / n
        return np.fft.rfft(constructed(circuit, theta))[:25] / n

    n = 24 * 2**12
    coarse, fine = coefficients(n), coefficients(2 * n)
    exact = fine + (fine - coarse) / 3
    w = waveform(circuit)
    assert w.mean == pytest.approx(exact[0].real, abs=1e-9)
    phasors = w.order_amplitudes * np.exp(1j * w.order_phases_rad)
    np.testing.assert_allclose(phasors, 2 * exact[1:], atol=1e-9, rtol=0)
    # Mean square: trapezoidal rule, the same extrapolation.
    squares = [np.mean(constructed(circuit, 2 * np.pi * np.arange(k) / k) ** 2) for k in (n, 2 * n)]
    assert w.rms**2 == pytest.approx(squares[1] + (squares[1] - squares[0]) / 3, abs=1e-9)
    theta = 2 * np.pi * np.arange(n) / n
    assert w.maximum == pytest.approx(constructed(circuit, theta).max(), abs=1e-9)
    assert w.minimum == pytest.approx(constructed(circuit, theta).min(), abs=1e-9)
    np.testing.assert_allclose(values(circuit, theta_rad=theta), constructed(circuit, theta), atol=1e-12, rtol=0)


@pytest.mark.skipif(not TABLE.is_file(), reason="the reference table is not beside this clone")
def test_closed_forms_equal_the_reference_table() -> None:
    with TABLE.open(newline="") as file:
        rows = {row["case"]: row for row in csv.DictReader(file)}
    checked = 0
    for case, circuit in TABLE_NAMES.items():
        row, w = rows[case], waveform(circuit)  # type: ignore[arg-type]
        figures = {
            "mean_over_Vm": w.mean,
            "rms_over_Vm": w.rms,
            "ac_rms_over_Vm": w.ac_rms,
            "ripple_factor": w.ripple_factor,
            "form_factor": w.form_factor,
            "max_over_Vm": w.maximum,
            "min_over_Vm": w.minimum,
            "pp_over_Vm": w.peak_to_peak,
        } | {f"c{n}_over_Vm": w.order_amplitudes[n - 1] for n in range(1, 13)}
        for name, figure in figures.items():
            # The table prints eight significant digits.
            assert figure == pytest.approx(float(row[name]), rel=1e-7, abs=1e-12), (case, name)
            checked += 1
    assert checked == 9 * 20


@pytest.mark.parametrize(
    ("circuit", "ripple_factor", "digits"),
    # Tables of ripple factors in power-electronics handbooks (Rashid, Power Electronics Handbook, "Diode Rectifiers";
    # reference from memory): six-pulse 0.042, three-pulse 0.183, single-phase bridge 0.48, half-wave 1.21.
    [
        ("six_pulse", 0.042, 3),
        ("three_pulse", 0.1827, 4),
        ("single_phase_bridge", 0.4834, 4),
        ("single_phase_half_wave", 1.21, 2),
        ("twelve_pulse", 0.010, 3),
    ],
)
def test_handbook_ripple_factors(circuit: Any, ripple_factor: float, digits: int) -> None:
    assert round(waveform(circuit).ripple_factor, digits) == ripple_factor


def test_parity_tells_the_faults_apart() -> None:
    present = {c: {n for n in (1, 2, 3, 4) if waveform(c).order_amplitudes[n - 1] > 1e-12} for c in CIRCUITS}
    assert present["six_pulse"] == set()
    assert present["one_diode_open"] == {1, 2, 3, 4}
    assert present["open_phase"] == {2, 4}
    assert present["two_open_same_rail"] == {1, 3}
    assert present["two_open_opposite_rails"] == {1, 2, 4}


def test_plain_data_and_pulse_law() -> None:
    w = waveform("six_pulse")
    assert IdealWaveform.from_json(w.to_json()) == w
    for n, amplitude in enumerate(w.order_amplitudes, start=1):
        assert amplitude / w.mean == pytest.approx(pulse_order_ratio(pulse_number=6, order=n), abs=1e-15)


def test_bad_input() -> None:
    with pytest.raises(errors.UnknownNameError):
        waveform("nine_pulse")  # type: ignore[arg-type]
    with pytest.raises(errors.WrongTypeError):
        waveform(6)  # type: ignore[arg-type]
    with pytest.raises(errors.EmptyInputError):
        values("six_pulse", theta_rad=[])
    with pytest.raises(errors.NonFiniteError):
        values("six_pulse", theta_rad=[0.0, float("inf")])
    for arguments, error in [
        ({"pulse_number": 1, "order": 1}, errors.OutOfRangeError),
        ({"pulse_number": 6, "order": 0}, errors.OutOfRangeError),
        ({"pulse_number": 6, "order": -6}, errors.OutOfRangeError),
        ({"pulse_number": 6.5, "order": 6}, errors.WrongTypeError),
    ]:
        with pytest.raises(error):
            pulse_order_ratio(**arguments)  # type: ignore[arg-type]
