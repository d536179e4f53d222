//! The Python binding: convert, copy, detach, call, wrap. One file per topic; nothing is computed here.
use pyo3::prelude::*;

mod compare;
mod contamination;
mod coupling;
mod envelope;
mod error;
mod examine;
mod exercise;
mod ideal;
mod meter;
mod monitor;
mod plan;
mod quality;
mod read;
mod rectifier;
mod ripple;
mod simulate;
mod spectrum;
mod tone;
mod trace;

/// Compiled part of `sixpulse`.
#[pymodule(gil_used = false)]
mod _core {
    #[pymodule_export]
    const VERSION: &str = sixpulse::VERSION;
    /// Stable codes of the core's errors.
    #[pymodule_export]
    const ERROR_CODES: [&str; sixpulse::error::CODES.len()] = sixpulse::error::CODES;
    #[pymodule_export]
    use crate::compare::{compare_interventions, compare_points};
    #[pymodule_export]
    use crate::contamination::{
        assess_contamination, check_conditioner, count_pulses, indicated_hz, indicated_speed_km_h, indicated_speed_mph,
        own_signal, pulse_times_s, pulses_per_km_of_gearing, pulses_per_km_of_mile, rank_victims,
    };
    #[pymodule_export]
    use crate::coupling::{PyHighPass, ac_couple, attenuation, half_period_droop, phase_lead_rad, settling_s};
    /// Stable codes of the readers' errors.
    #[pymodule_export]
    const READ_ERROR_CODES: [&str; sixpulse_io::error::CODES.len()] = sixpulse_io::error::CODES;
    #[pymodule_export]
    use crate::envelope::envelope;
    #[pymodule_export]
    use crate::examine::{examine, examine_many};
    #[pymodule_export]
    use crate::exercise::_exercise;
    #[pymodule_export]
    use crate::ideal::{ideal_values, ideal_waveform, pulse_order_ratio};
    #[pymodule_export]
    use crate::meter::{check_meter, handheld_meters, meter_of_cycle, meter_reading};
    #[pymodule_export]
    use crate::monitor::PyMonitor;
    #[pymodule_export]
    use crate::plan::{check_instrument, plan};
    #[pymodule_export]
    use crate::quality::{assess_quality, judge_level, level_window, supply_trace};
    #[pymodule_export]
    use crate::read::{PyCsvDialect, assemble, detect_format, read_file, sniff, write_csv};
    #[pymodule_export]
    use crate::rectifier::{
        rectifier_figure_names, rectifier_figures, rectifier_record_names, rectifier_training_record,
    };
    #[pymodule_export]
    use crate::ripple::{measure_ripple, ripple_numbers};
    #[pymodule_export]
    use crate::simulate::_sim;
    #[pymodule_export]
    use crate::spectrum::{
        auto_spectrum, coherence, coherence_significance, cross_spectrum, effective_averages, window_figures,
        window_samples,
    };
    #[pymodule_export]
    use crate::tone::{
        amplitude_bound, harmonic_fit, harmonic_fit_known, harmonic_frequency_bound_hz, sine_fit, sine_fit_known,
        sine_frequency_bound_hz,
    };
    #[pymodule_export]
    use crate::trace::{PyCapture, PyMachine, PyTrace};
}
