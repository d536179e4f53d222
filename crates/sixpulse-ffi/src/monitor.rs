//! The monitor: a stream of samples in chunks of any size, rolling figures out, in fixed memory.

use crate::capture::CaptureHandle;
use crate::examination::ExaminationHandle;
use crate::failure::{Failure, Status, guard};
use crate::monitor_settings::MonitorSettingsHandle;
use crate::options::OptionsHandle;
use crate::pointers::{exclusive, free, invalid, shared, slice, write, write_wanted};
use crate::reading::ReadingHandle;
use sixpulse::monitor::{Chunk, JudgementDue, Monitor, Pushed};

/// Rolling figures of one stream.
#[derive(Debug)]
pub struct MonitorHandle {
    monitor: Monitor,
    /// Room for the chunks of one push, empty in between: pushing allocates nothing.
    chunks: Vec<Chunk<'static>>,
}

/// Samples that arrive together on one channel, in the form that the channel was set up for; the other two pointers are null.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub struct ChannelSamples {
    /// Values in the channel's unit.
    pub f64: *const f64,
    /// Values in the channel's unit.
    pub f32: *const f32,
    /// Counts of the converter.
    pub i16: *const i16,
}

impl ChannelSamples {
    /// # Safety
    /// The pointer that is not null points to `count` values that nobody changes while the result is used.
    unsafe fn chunk(&self, count: usize) -> Result<Chunk<'static>, Failure> {
        // SAFETY: as promised by the caller.
        unsafe {
            match (self.f64.is_null(), self.f32.is_null(), self.i16.is_null()) {
                (false, true, true) => Ok(Chunk::F64(slice("chunks", self.f64, count)?)),
                (true, false, true) => Ok(Chunk::F32(slice("chunks", self.f32, count)?)),
                (true, true, false) => Ok(Chunk::I16(slice("chunks", self.i16, count)?)),
                _ => Err(Failure::new(Status::InvalidPointer, "chunks: exactly one pointer of a channel is not null")),
            }
        }
    }
}

/// Why a judgement is due.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Due {
    /// None is.
    Nothing = 0,
    /// The window is full for the first time since the start or the last gap.
    FirstWindow = 1,
    /// The time set between judgements is over.
    Interval = 2,
    /// The cycle that was followed is lost.
    CycleLost = 3,
}

/// What a push did.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PushResult {
    /// Samples pushed on each channel so far, and lost in gaps.
    pub position: u64,
    /// Hops that this push completed: the reading is new where it is not 0.
    pub updates: u64,
    /// Why `sixpulse_monitor_judge` should be called, where it should.
    pub judgement_due: Due,
}

impl From<Pushed> for PushResult {
    fn from(pushed: Pushed) -> Self {
        let judgement_due = match pushed.judgement_due {
            None => Due::Nothing,
            Some(JudgementDue::FirstWindow) => Due::FirstWindow,
            Some(JudgementDue::Interval) => Due::Interval,
            Some(JudgementDue::CycleLost) => Due::CycleLost,
        };
        Self { position: pushed.position, updates: pushed.updates, judgement_due }
    }
}

/// Makes a monitor: allocates everything that pushing will need. The settings may be freed afterwards, or used again.
///
/// `options`: null where nothing else is known; with an electrical frequency the cycle is followed from the first sample.
///
/// # Safety
/// `settings` is a live handle and `options` null or one, which nobody changes meanwhile; `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_new(
    settings: *const MonitorSettingsHandle,
    options: *const OptionsHandle,
    out: *mut *mut MonitorHandle,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let (settings, options) = unsafe { (shared("settings", settings)?, options.as_ref()) };
        let monitor = settings.built(options)?;
        let chunks = Vec::with_capacity(monitor.channels().count());
        let made = Box::into_raw(Box::new(MonitorHandle { monitor, chunks }));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// Takes the next samples of every channel: `chunks` in the order in which the channels were added, `samples` of each.
/// Allocates nothing when it succeeds. After a refusal the monitor is as it was.
///
/// `chunk_count`: how many channels `chunks` describes. `samples` may be 0. `pushed`: may be null.
///
/// # Safety
/// `monitor` is a live handle that nobody else uses meanwhile; `chunks` points to `chunk_count` entries, of which the pointer
/// that is not null points to `samples` values; `pushed` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_push(
    monitor: *mut MonitorHandle,
    chunks: *const ChannelSamples,
    chunk_count: usize,
    samples: usize,
    pushed: *mut PushResult,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { push(monitor, (chunks, chunk_count, samples), pushed, Monitor::push) })
}

/// As `sixpulse_monitor_push`, with the time of the first sample in seconds, on any clock that does not run backwards: later
/// than the end of the chunk before by more than the tolerance is a gap.
///
/// # Safety
/// As `sixpulse_monitor_push`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_push_at(
    monitor: *mut MonitorHandle,
    chunks: *const ChannelSamples,
    chunk_count: usize,
    samples: usize,
    start_s: f64,
    pushed: *mut PushResult,
) -> Status {
    let timed = |monitor: &mut Monitor, chunks: &[Chunk<'_>]| monitor.push_at(chunks, start_s);
    // SAFETY: as promised by the caller.
    guard(|| unsafe { push(monitor, (chunks, chunk_count, samples), pushed, timed) })
}

/// # Safety
/// As `sixpulse_monitor_push`.
unsafe fn push(
    monitor: *mut MonitorHandle,
    (chunks, chunk_count, samples): (*const ChannelSamples, usize, usize),
    pushed: *mut PushResult,
    take: impl FnOnce(&mut Monitor, &[Chunk<'_>]) -> sixpulse::Result<Pushed>,
) -> Result<(), Failure> {
    // SAFETY: as promised by the caller.
    let (MonitorHandle { monitor, chunks: room }, chunks) =
        unsafe { (exclusive("monitor", monitor)?, slice("chunks", chunks, chunk_count)?) };
    let expected = room.capacity();
    if chunk_count > expected {
        let mismatch = sixpulse::Error::LengthMismatch { parameter: "chunks".into(), expected, actual: chunk_count };
        return Err(mismatch.into());
    }
    // Before the samples are taken: what fails changes nothing.
    if !pushed.is_aligned() {
        return Err(invalid("pushed"));
    }
    room.clear();
    for chunk in chunks {
        // SAFETY: as promised by the caller; the room is emptied before the call ends, and never read after a panic.
        room.push(unsafe { chunk.chunk(samples) }?);
    }
    let done = take(monitor, room);
    room.clear();
    // SAFETY: as promised by the caller.
    unsafe { write_wanted("pushed", pushed, done?.into()) }
}

/// Tells that samples are missing: the window begins anew behind them, the cycle is taken up again at the frequency it had,
/// the last judgement stays and grows old. 0 changes nothing.
///
/// # Safety
/// `monitor` is a live handle that nobody else uses meanwhile.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_gap(monitor: *mut MonitorHandle, lost_samples: u64) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| Ok(unsafe { exclusive("monitor", monitor)? }.monitor.gap(lost_samples)?))
}

/// Goes on at another sample rate: everything begins anew; positions, events and the last judgement stay. Allocates.
///
/// # Safety
/// As `sixpulse_monitor_gap`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_change_rate(monitor: *mut MonitorHandle, sample_rate_hz: f64) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| Ok(unsafe { exclusive("monitor", monitor)? }.monitor.change_rate(sample_rate_hz)?))
}

/// Begins with another stream: positions, counters, events and the last judgement go; channels and settings stay. Allocates.
///
/// # Safety
/// As `sixpulse_monitor_gap`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_reset(monitor: *mut MonitorHandle) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| Ok(unsafe { exclusive("monitor", monitor)? }.monitor.reset()?))
}

/// Tells the engine's speed from now on, 1/min; null where it is no longer known.
///
/// # Safety
/// As `sixpulse_monitor_gap`; `engine_rpm` is null or may be read.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_set_engine_rpm(
    monitor: *mut MonitorHandle,
    engine_rpm: *const f64,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let (monitor, rpm) = unsafe { (exclusive("monitor", monitor)?, engine_rpm.as_ref()) };
        Ok(monitor.monitor.set_engine_rpm(rpm.copied())?)
    })
}

/// Tells the battery's temperature from now on, degrees Celsius; null where it is no longer known.
///
/// # Safety
/// As `sixpulse_monitor_gap`; `temperature_c` is null or may be read.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_set_battery_temperature_c(
    monitor: *mut MonitorHandle,
    temperature_c: *const f64,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let (monitor, temperature_c) = unsafe { (exclusive("monitor", monitor)?, temperature_c.as_ref()) };
        Ok(monitor.monitor.set_battery_temperature_c(temperature_c.copied())?)
    })
}

/// Examines the window that the reading covers, and takes the verdicts over into the reading. Takes the time and the memory
/// of one `sixpulse_examine` of the window; refused (`too_short`) until a hop is complete.
///
/// `out`: the whole examination; null where only the reading is wanted.
///
/// # Safety
/// As `sixpulse_monitor_gap`; `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_judge(
    monitor: *mut MonitorHandle,
    out: *mut *mut ExaminationHandle,
) -> Status {
    guard(|| {
        if !out.is_aligned() {
            return Err(invalid("out"));
        }
        // SAFETY: as promised by the caller.
        let found = unsafe { exclusive("monitor", monitor)? }.monitor.judge()?;
        if out.is_null() {
            return Ok(());
        }
        let made = Box::into_raw(Box::new(ExaminationHandle::new(&found)?));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// The window that the reading covers, as a capture: to be examined elsewhere while the stream goes on, or kept.
///
/// # Safety
/// `monitor` is a live handle that nobody changes meanwhile; `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_window(
    monitor: *const MonitorHandle,
    out: *mut *mut CaptureHandle,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let window = unsafe { shared("monitor", monitor)? }.monitor.window()?;
        let made = Box::into_raw(Box::new(CaptureHandle::from(window)));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// A copy of the newest figures, which stays as it is while the stream goes on; free it with `sixpulse_reading_free`.
/// Its entries are those of the published schema `monitor_reading-1`. Allocates.
///
/// # Safety
/// As `sixpulse_monitor_window`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_reading(
    monitor: *const MonitorHandle,
    out: *mut *mut ReadingHandle,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let reading = ReadingHandle::new(unsafe { shared("monitor", monitor)? }.monitor.reading())?;
        let made = Box::into_raw(Box::new(reading));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// The newest events, at most 64, as a reading that is a list, the oldest first: `/0/kind` (`gap`, `rate_change`,
/// `cycle_found`, `cycle_lost`, `pattern_changed`), `/0/sequence`, `/0/at_sample`, `/0/lost_samples`, `/0/pattern`,
/// `/0/frequency_hz`; the empty pointer counts them.
///
/// # Safety
/// As `sixpulse_monitor_window`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_events(
    monitor: *const MonitorHandle,
    out: *mut *mut ReadingHandle,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let monitor = unsafe { shared("monitor", monitor)? };
        let events: Vec<_> = monitor.monitor.events().collect();
        let made = Box::into_raw(Box::new(ReadingHandle::new(&events)?));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// Bytes of the buffers that were allocated when the monitor was made; pushing adds none.
///
/// # Safety
/// As `sixpulse_monitor_window`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_buffer_bytes(monitor: *const MonitorHandle, out: *mut usize) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { write("out", out, shared("monitor", monitor)?.monitor.buffer_bytes()) })
}

/// Frees a monitor.
///
/// # Safety
/// `monitor` is null or a live handle that nobody uses any more.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_monitor_free(monitor: *mut MonitorHandle) {
    // SAFETY: as promised by the caller.
    unsafe { free(monitor) }
}
