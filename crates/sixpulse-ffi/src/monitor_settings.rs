//! What a monitor is built from.

use crate::failure::{Failure, Status, guard};
use crate::options::OptionsHandle;
use crate::pointers::{exclusive, free, text, write};
use sixpulse::Error;
use sixpulse::monitor::{Channel, Monitor, MonitorSettings, SampleFormat};
use std::ffi::c_char;

/// What a monitor is built from: its channels, in the order in which their samples will be pushed, and its times.
#[derive(Debug)]
pub struct MonitorSettingsHandle {
    channels: Vec<Channel>,
    settings: MonitorSettings,
}

impl MonitorSettingsHandle {
    pub(crate) fn built(&self, options: Option<&OptionsHandle>) -> Result<Monitor, Failure> {
        let mut settings = self.settings;
        if let Some(OptionsHandle(known)) = options {
            settings = settings.with_machine(known.machine);
            if let Some(hz) = known.electrical_hz {
                settings = settings.with_electrical_hz(hz);
            }
        }
        Ok(Monitor::new(self.channels.clone(), settings)?)
    }

    fn change(&mut self, name: &str, change: impl FnOnce(Channel) -> Channel) -> Result<(), Failure> {
        if let Some(channel) = self.channels.iter_mut().find(|c| c.name() == name) {
            *channel = change(channel.clone());
            return Ok(());
        }
        let expected = self.channels.iter().map(Channel::name).collect::<Vec<_>>().join(", ");
        Err(Error::UnknownName { parameter: "name".into(), expected, actual: name.into() }.into())
    }
}

/// Makes settings without channels.
///
/// `sample_rate_hz`: samples per second of every channel. `window_s`: length of the window that the figures cover, 0.1 to
/// 60 s, and 256 to 10 million samples. Everything is checked when the monitor is made.
///
/// # Safety
/// `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_new(
    sample_rate_hz: f64,
    window_s: f64,
    out: *mut *mut MonitorSettingsHandle,
) -> Status {
    guard(|| {
        let settings = MonitorSettings::new(sample_rate_hz, window_s);
        let made = Box::into_raw(Box::new(MonitorSettingsHandle { channels: Vec::new(), settings }));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// Adds a channel that delivers values in volts (amperes for a current role), kept in 8 bytes each; single precision may be
/// pushed too.
///
/// `coupling`, `role`: as in `sixpulse_capture_add_f64`. One channel at least is at the charging post or the battery post.
///
/// # Safety
/// `settings` is a live handle that nobody else uses meanwhile; the texts end with a zero.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_add_f64(
    settings: *mut MonitorSettingsHandle,
    name: *const c_char,
    coupling: *const c_char,
    role: *const c_char,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { add(settings, name, (coupling, role), SampleFormat::F64) })
}

/// As `sixpulse_monitor_settings_add_f64`, for values in single precision, kept in 4 bytes each.
///
/// # Safety
/// As `sixpulse_monitor_settings_add_f64`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_add_f32(
    settings: *mut MonitorSettingsHandle,
    name: *const c_char,
    coupling: *const c_char,
    role: *const c_char,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { add(settings, name, (coupling, role), SampleFormat::F32) })
}

/// As `sixpulse_monitor_settings_add_f64`, for converter counts, kept in 2 bytes each: value = count * `scale` + `offset`;
/// `scale` is not 0.
///
/// # Safety
/// As `sixpulse_monitor_settings_add_f64`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_add_i16(
    settings: *mut MonitorSettingsHandle,
    name: *const c_char,
    scale: f64,
    offset: f64,
    coupling: *const c_char,
    role: *const c_char,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { add(settings, name, (coupling, role), SampleFormat::Counts { scale, offset }) })
}

/// # Safety
/// As `sixpulse_monitor_settings_add_f64`.
unsafe fn add(
    settings: *mut MonitorSettingsHandle,
    name: *const c_char,
    (coupling, role): (*const c_char, *const c_char),
    format: SampleFormat,
) -> Result<(), Failure> {
    // SAFETY: as promised by the caller.
    let (settings, name, coupling, role) = unsafe {
        (exclusive("settings", settings)?, text("name", name)?, text("coupling", coupling)?, text("role", role)?)
    };
    settings.channels.push(Channel::new(name, role.parse()?, coupling.parse()?).with_format(format));
    Ok(())
}

/// Tells the ends of a channel's range, in its unit: samples at or beyond them count as clipped. Without it, counts at the
/// ends of 16 bits do, and values never.
///
/// # Safety
/// `settings` is a live handle that nobody else uses meanwhile; `name` ends with a zero.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_set_range(
    settings: *mut MonitorSettingsHandle,
    name: *const c_char,
    low: f64,
    high: f64,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let (settings, name) = unsafe { (exclusive("settings", settings)?, text("name", name)?) };
        settings.change(name, |channel| channel.with_range(low, high))
    })
}

/// Tells the corner of the instrument's AC coupling, hertz (AC-coupled channels only).
///
/// # Safety
/// As `sixpulse_monitor_settings_set_range`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_set_coupling_corner_hz(
    settings: *mut MonitorSettingsHandle,
    name: *const c_char,
    corner_hz: f64,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let (settings, name) = unsafe { (exclusive("settings", settings)?, text("name", name)?) };
        settings.change(name, |channel| channel.with_coupling_corner_hz(corner_hz))
    })
}

/// Sets the time after which another judgement is due, seconds; one window unless set.
///
/// # Safety
/// `settings` is a live handle that nobody else uses meanwhile.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_set_judge_every_s(
    settings: *mut MonitorSettingsHandle,
    judge_every_s: f64,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let settings = unsafe { exclusive("settings", settings)? };
        settings.settings = settings.settings.with_judge_every_s(judge_every_s);
        Ok(())
    })
}

/// Sets by how much a time stamp may be off before it means a gap, seconds; two sample intervals unless set.
///
/// # Safety
/// As `sixpulse_monitor_settings_set_judge_every_s`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_set_time_tolerance_s(
    settings: *mut MonitorSettingsHandle,
    time_tolerance_s: f64,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let settings = unsafe { exclusive("settings", settings)? };
        settings.settings = settings.settings.with_time_tolerance_s(time_tolerance_s);
        Ok(())
    })
}

/// Frees settings.
///
/// # Safety
/// `settings` is null or a live handle that nobody uses any more.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_settings_free(settings: *mut MonitorSettingsHandle) {
    // SAFETY: as promised by the caller.
    unsafe { free(settings) }
}
