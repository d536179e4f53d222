//! Contamination of a circuit by the supply's ripple for Python; the documentation is in `sixpulse/contamination.py`.

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;
use sixpulse::Result;
use sixpulse::angle::PhaseTrack;
use sixpulse::contamination::speed::{self, PulseConditioner, Threshold};
use sixpulse::contamination::{self, Contamination, assess, assess_untracked, check_pair};

use crate::error::{float_argument, optional_float, to_py};
use crate::trace::PyTrace;

fn examine_pair(circuit: &PyTrace, supply: &PyTrace, electrical_hz: Option<f64>) -> Result<Contamination> {
    let (circuit, supply) = (&circuit.0, &supply.0);
    check_pair(circuit, supply)?;
    match electrical_hz {
        Some(hz) => Ok(assess(circuit, supply, &PhaseTrack::constant(hz, supply.duration_s())?)),
        None => Ok(assess_untracked(circuit, supply)),
    }
}

/// The result as a dictionary with the keys of the Rust struct.
#[pyfunction]
#[pyo3(signature = (circuit, supply, *, electrical_hz=None))]
pub fn assess_contamination<'py>(
    py: Python<'py>,
    circuit: PyTrace,
    supply: PyTrace,
    electrical_hz: Option<&Bound<'py, PyAny>>,
) -> PyResult<Bound<'py, PyAny>> {
    let hz = optional_float("electrical_hz", electrical_hz)?;
    let found = py.detach(|| examine_pair(&circuit, &supply, hz)).map_err(to_py)?;
    Ok(pythonize::pythonize(py, &found)?)
}

/// The circuit's trace without the ripple that a result states.
#[pyfunction]
#[pyo3(signature = (circuit, supply, *, found))]
pub fn own_signal<'py>(
    py: Python<'py>,
    circuit: PyTrace,
    supply: PyTrace,
    found: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyArray1<f64>>> {
    let found: Contamination = pythonize::depythonize(found)?;
    let out = py.detach(|| contamination::own_signal(&circuit.0, &supply.0, &found)).map_err(to_py)?;
    Ok(out.into_pyarray(py))
}

/// A conditioner from its settings: `arming_v` alone for a fixed threshold, the other three for an adaptive one.
fn conditioner(settings: &Bound<'_, PyAny>) -> PyResult<PulseConditioner> {
    let number = |name: &str| float_argument(name, &settings.getattr(name)?);
    let threshold = if settings.hasattr("arming_v")? {
        Threshold::Fixed { arming_v: number("arming_v")? }
    } else {
        Threshold::Adaptive {
            fraction: number("fraction")?,
            minimum_v: number("minimum_v")?,
            decay_s: number("decay_s")?,
        }
    };
    PulseConditioner::new(threshold, number("release_v")?).map_err(to_py)
}

/// Refuses settings that make no conditioner.
#[pyfunction]
#[pyo3(signature = (settings, /))]
pub fn check_conditioner(settings: &Bound<'_, PyAny>) -> PyResult<()> {
    conditioner(settings).map(|_| ())
}

/// Times of a conditioner's pulses, seconds.
#[pyfunction]
#[pyo3(signature = (circuit, *, conditioner))]
pub fn pulse_times_s<'py>(
    py: Python<'py>,
    circuit: PyTrace,
    conditioner: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyArray1<f64>>> {
    let settings = self::conditioner(conditioner)?;
    Ok(py.detach(|| settings.pulse_times_s(&circuit.0)).into_pyarray(py))
}

/// Frequency a counter behind a conditioner shows, hertz.
#[pyfunction]
#[pyo3(signature = (circuit, *, conditioner))]
pub fn indicated_hz(py: Python<'_>, circuit: PyTrace, conditioner: &Bound<'_, PyAny>) -> PyResult<f64> {
    let settings = self::conditioner(conditioner)?;
    Ok(py.detach(|| settings.indicated_hz(&circuit.0)))
}

/// Speed an instrument shows, km/h.
#[pyfunction]
#[pyo3(signature = (indicated_hz, *, pulses_per_km))]
pub fn indicated_speed_km_h(indicated_hz: &Bound<'_, PyAny>, pulses_per_km: &Bound<'_, PyAny>) -> PyResult<f64> {
    let hz = float_argument("indicated_hz", indicated_hz)?;
    speed::indicated_speed_km_h(hz, float_argument("pulses_per_km", pulses_per_km)?).map_err(to_py)
}
