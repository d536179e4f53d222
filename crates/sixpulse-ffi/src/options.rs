//! What is known besides the capture.

use crate::failure::{Status, guard};
use crate::pointers::{exclusive, free, write};
use sixpulse::{ExamineOptions, Machine};

/// What is known besides the capture; what is not set is not known.
#[derive(Debug)]
pub struct OptionsHandle(pub(crate) ExamineOptions);

/// Makes options in which nothing is known.
///
/// # Safety
/// `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_options_new(out: *mut *mut OptionsHandle) -> Status {
    guard(|| {
        let made = Box::into_raw(Box::new(OptionsHandle(ExamineOptions::default())));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// Tells the electrical frequency, hertz (soft evidence; checked against the sample rate when a capture is examined).
///
/// # Safety
/// `options` is a live handle that nobody else uses meanwhile.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_options_set_electrical_hz(options: *mut OptionsHandle, electrical_hz: f64) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        unsafe { exclusive("options", options)? }.0.electrical_hz = Some(electrical_hz);
        Ok(())
    })
}

/// Tells what is known of the alternator.
///
/// `pole_pairs`: 1 to 24, null where not known. `pulley_ratio`: alternator speed / engine speed, 0.2 to 10, null where not
/// known. `pulse_number`: 6 or 12.
///
/// # Safety
/// `options` is a live handle that nobody else uses meanwhile; the pointers are null or may be read.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_options_set_machine(
    options: *mut OptionsHandle,
    pole_pairs: *const u32,
    pulley_ratio: *const f64,
    pulse_number: u32,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let (options, pole_pairs, pulley_ratio) =
            unsafe { (exclusive("options", options)?, pole_pairs.as_ref(), pulley_ratio.as_ref()) };
        options.0.machine = Machine::new(pole_pairs.copied(), pulley_ratio.copied(), pulse_number)?;
        Ok(())
    })
}

/// Frees options.
///
/// # Safety
/// `options` is null or a live handle that nobody uses any more.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_options_free(options: *mut OptionsHandle) {
    // SAFETY: as promised by the caller.
    unsafe { free(options) }
}
