//! Contamination of a circuit by the supply's ripple for Python; the documentation is in `sixpulse/contamination.py`.

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;
use sixpulse::Result;
use sixpulse::angle::PhaseTrack;
use sixpulse::contamination::speed::{self, PulseConditioner, PulseConstant, Threshold};
use sixpulse::contamination::{self, Contamination, assess, assess_untracked, check_pair};

use crate::error::{float_argument, optional_float, text_argument, to_py};
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

/// A conditioner from its settings: `arming_v` for a fixed threshold, else those of an adaptive one.
fn conditioner(settings: &Bound<'_, PyAny>) -> PyResult<PulseConditioner> {
    let number = |name: &str| float_argument(name, &settings.getattr(name)?);
    let fixed = settings.hasattr("arming_v")?;
    let threshold = if fixed {
        Threshold::Fixed { arming_v: number("arming_v")? }
    } else {
        Threshold::Adaptive {
            fraction: number("fraction")?,
            minimum_v: number("minimum_v")?,
            decay_s: number("decay_s")?,
        }
    };
    let watchdog = if fixed { None } else { Some(settings.getattr("watchdog_s")?).filter(|w| !w.is_none()) };
    let watchdog_s = optional_float("watchdog_s", watchdog.as_ref())?;
    let reference = text_argument("reference", &settings.getattr("reference")?)?;
    let reference = reference.parse().map_err(to_py)?;
    let made = PulseConditioner::new(threshold, number("release_v")?).and_then(|c| c.with_watchdog_s(watchdog_s));
    Ok(made.map_err(to_py)?.with_reference(reference))
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

/// What a conditioner counts with the ripple and without, and the margin, as a dictionary.
#[pyfunction]
#[pyo3(signature = (circuit, supply, *, found, conditioner))]
pub fn count_pulses<'py>(
    py: Python<'py>,
    circuit: PyTrace,
    supply: PyTrace,
    found: &Bound<'py, PyAny>,
    conditioner: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let found: Contamination = pythonize::depythonize(found)?;
    let settings = self::conditioner(conditioner)?;
    let counted = py.detach(|| contamination::count(&circuit.0, &supply.0, &found, &settings)).map_err(to_py)?;
    Ok(pythonize::pythonize(py, &counted)?)
}

/// Circuits in the order in which they deserve attention, as a list of dictionaries.
#[pyfunction]
#[pyo3(signature = (found, /))]
pub fn rank_victims<'py>(py: Python<'py>, found: Vec<(String, Bound<'py, PyAny>)>) -> PyResult<Bound<'py, PyAny>> {
    let found: Vec<(String, Contamination)> =
        found.into_iter().map(|(name, c)| Ok((name, pythonize::depythonize(&c)?))).collect::<PyResult<_>>()?;
    Ok(pythonize::pythonize(py, &contamination::rank(&found))?)
}

/// Pulses a kilometre of an instrument stated in pulses a mile.
#[pyfunction]
#[pyo3(signature = (pulses_per_mile, /))]
pub fn pulses_per_km_of_mile(pulses_per_mile: &Bound<'_, PyAny>) -> PyResult<f64> {
    let pulses = float_argument("pulses_per_mile", pulses_per_mile)?;
    Ok(PulseConstant::per_mile(pulses).map_err(to_py)?.pulses_per_km())
}

/// Pulses a kilometre from teeth, gearing and tyre.
#[pyfunction]
#[pyo3(signature = (*, pulses_per_revolution, gear_ratio, rolling_circumference_m))]
pub fn pulses_per_km_of_gearing(
    pulses_per_revolution: &Bound<'_, PyAny>,
    gear_ratio: &Bound<'_, PyAny>,
    rolling_circumference_m: &Bound<'_, PyAny>,
) -> PyResult<f64> {
    let made = PulseConstant::from_gearing(
        float_argument("pulses_per_revolution", pulses_per_revolution)?,
        float_argument("gear_ratio", gear_ratio)?,
        float_argument("rolling_circumference_m", rolling_circumference_m)?,
    );
    Ok(made.map_err(to_py)?.pulses_per_km())
}

/// Speed an instrument shows, miles an hour.
#[pyfunction]
#[pyo3(signature = (indicated_hz, *, pulses_per_km))]
pub fn indicated_speed_mph(indicated_hz: &Bound<'_, PyAny>, pulses_per_km: &Bound<'_, PyAny>) -> PyResult<f64> {
    let hz = float_argument("indicated_hz", indicated_hz)?;
    let instrument = PulseConstant::per_km(float_argument("pulses_per_km", pulses_per_km)?);
    instrument.and_then(|c| c.speed_mph(hz)).map_err(to_py)
}
