//! Planning captures, for Python; the documentation is in `sixpulse/planning.py`.

use pyo3::prelude::*;
use sixpulse::plan::{Instrument, Task};

use crate::error::{float_argument, optional_float, to_py, wrong_type};
use crate::trace::{PyMachine, whole_number};

/// An instrument from an object with its figures.
fn instrument_argument(given: &Bound<'_, PyAny>) -> PyResult<Instrument> {
    let get = |name: &str| given.getattr(name).map_err(|_| wrong_type("instrument", "an Instrument", given));
    let list = |name: &str| -> PyResult<Vec<f64>> {
        let values = get(name)?;
        values.extract().map_err(|_| wrong_type(name, "a sequence of numbers", &values))
    };
    let memory = get("memory_samples")?;
    let memory: usize = memory.extract().map_err(|_| wrong_type("memory_samples", "a whole number", &memory))?;
    let corner = get("ac_corner_hz")?;
    Instrument::new(
        whole_number("bits", "4 to 24", &get("bits")?)?,
        memory,
        &list("sample_rates_hz")?,
        &list("ranges_v")?,
        optional_float("ac_corner_hz", (!corner.is_none()).then_some(&corner))?,
        float_argument("probe_attenuation", &get("probe_attenuation")?)?,
        whole_number("channels", "1 to 64", &get("channels")?)?,
    )
    .map_err(to_py)
}

/// Refuses figures that make no instrument.
#[pyfunction]
#[pyo3(signature = (instrument, /))]
pub fn check_instrument(instrument: &Bound<'_, PyAny>) -> PyResult<()> {
    instrument_argument(instrument).map(|_| ())
}

/// The plan as plain data.
#[pyfunction]
#[pyo3(signature = (machine, *, engine_rpm_low, engine_rpm_high, system_v, highest_order, instrument))]
pub fn plan<'py>(
    py: Python<'py>,
    machine: &Bound<'py, PyAny>,
    engine_rpm_low: &Bound<'py, PyAny>,
    engine_rpm_high: &Bound<'py, PyAny>,
    system_v: &Bound<'py, PyAny>,
    highest_order: Option<&Bound<'py, PyAny>>,
    instrument: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let machine = machine.cast::<PyMachine>().map_err(|_| wrong_type("machine", "a Machine", machine))?.get().0;
    let speeds =
        (float_argument("engine_rpm_low", engine_rpm_low)?, float_argument("engine_rpm_high", engine_rpm_high)?);
    let system_v = whole_number("system_v", "12 or 24", system_v)?;
    let order = highest_order.map(|v| whole_number("highest_order", "1 to 24", v)).transpose()?;
    let task = Task::new(machine, speeds, system_v, order).map_err(to_py)?;
    let instrument = instrument_argument(instrument)?;
    let made = py.detach(|| sixpulse::plan::plan(&task, &instrument));
    Ok(pythonize::pythonize(py, &made)?)
}
