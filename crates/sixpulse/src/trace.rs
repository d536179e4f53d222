//! A trace as it was captured, validated once; a capture of several traces.
//!
//! A [`Trace`] keeps its samples in the form they came (counts with a scale, `f32` or `f64`) and hands them out in
//! blocks of `f64`, in its own unit. Nothing else in the crate checks samples again: what holds a `Trace` holds finite,
//! non-empty samples at a positive sample rate.

mod quantiser;

use std::sync::{Arc, OnceLock};

pub(crate) use quantiser::Quantiser;

use crate::error::{Error, Result, check_positive};
use crate::scratch::with_buffer;
use crate::vectors::{SumsAbout, Work, widest};

/// Samples handed out block by block, so that no record has to be widened to `f64` as a whole.
pub trait Samples {
    /// Number of samples.
    fn len(&self) -> usize;
    /// True when there is no sample; never the case for a [`Trace`].
    fn is_empty(&self) -> bool {
        self.len() == 0
    }
    /// Writes samples `start .. start + out.len()` to `out`.
    ///
    /// The caller keeps the range inside the record.
    fn read(&self, start: usize, out: &mut [f64]);
    /// Refuses what a [`Trace`] refuses as samples; does nothing for records that have passed that door.
    ///
    /// # Errors
    /// [`Error::NonFinite`]; [`Error::OutOfRange`] for a value beyond [`LARGEST_VALUE`].
    fn check(&self, parameter: &str) -> Result<()> {
        let mut checked = Ok(());
        for_each_block(self, |start, block| {
            if checked.is_ok() {
                checked = check_values(parameter, start, block.iter().copied());
            }
        });
        checked
    }
}

impl Samples for [f64] {
    fn len(&self) -> usize {
        <[f64]>::len(self)
    }
    fn read(&self, start: usize, out: &mut [f64]) {
        out.copy_from_slice(&self[start..start + out.len()]);
    }
}

impl Samples for [f32] {
    fn len(&self) -> usize {
        <[f32]>::len(self)
    }
    fn read(&self, start: usize, out: &mut [f64]) {
        widest(Widened { samples: &self[start..start + out.len()], out });
    }
}

/// Samples in double precision.
struct Widened<'a> {
    samples: &'a [f32],
    out: &'a mut [f64],
}

impl Work for Widened<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        for (y, x) in self.out.iter_mut().zip(self.samples) {
            *y = f64::from(*x);
        }
    }
}

/// A converter's counts as what they stand for.
struct Scaled<'a> {
    counts: &'a [i16],
    scale: f64,
    offset: f64,
    out: &'a mut [f64],
}

impl Work for Scaled<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        for (y, count) in self.out.iter_mut().zip(self.counts) {
            *y = f64::from(*count) * self.scale + self.offset;
        }
    }
}

/// Block length used when a whole record is walked: 2048 `f64` stay in the first-level cache.
pub const BLOCK: usize = 2048;

/// Calls `visit(start, block)` for consecutive blocks of at most [`BLOCK`] samples.
pub fn for_each_block<S: Samples + ?Sized>(samples: &S, mut visit: impl FnMut(usize, &[f64])) {
    with_buffer(BLOCK.min(samples.len()), |buffer| {
        let mut start = 0;
        while start < samples.len() {
            let n = BLOCK.min(samples.len() - start);
            samples.read(start, &mut buffer[..n]);
            visit(start, &buffer[..n]);
            start += n;
        }
    });
}

/// How the instrument's input was coupled when the trace was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Coupling {
    /// The level is in the samples.
    Dc,
    /// A high-pass in the front end removed the level.
    Ac,
}

/// Where the probe was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum Role {
    /// The alternator's output terminal, against the alternator's case.
    ChargingPost,
    /// The battery's positive post, against its negative post.
    BatteryPost,
    /// An analogue speed sensor (variable reluctance).
    SpeedSensor,
    /// A sensor with a switched output (Hall, active).
    EdgeSensor,
    /// Current in the charging cable.
    ChargingCurrent,
    /// Current into the battery.
    BatteryCurrent,
    /// Any other circuit.
    Other,
}

macro_rules! words {
    ($type:ty, $parameter:literal, $($word:literal => $variant:path),+ $(,)?) => {
        impl $type {
            /// The word used for it in files, in JSON and in Python.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $($variant => $word),+ }
            }
        }
        impl std::fmt::Display for $type {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }
        impl ::std::str::FromStr for $type {
            type Err = $crate::Error;
            fn from_str(word: &str) -> $crate::Result<Self> {
                match word {
                    $($word => Ok($variant),)+
                    _ => Err($crate::Error::UnknownName {
                        parameter: $parameter.into(),
                        expected: [$($word),+].join(", "),
                        actual: word.into(),
                    }),
                }
            }
        }
    };
}
pub(crate) use words;

words!(Coupling, "coupling", "dc" => Coupling::Dc, "ac" => Coupling::Ac);
words!(Role, "role",
    "charging_post" => Role::ChargingPost,
    "battery_post" => Role::BatteryPost,
    "speed_sensor" => Role::SpeedSensor,
    "edge_sensor" => Role::EdgeSensor,
    "charging_current" => Role::ChargingCurrent,
    "battery_current" => Role::BatteryCurrent,
    "other" => Role::Other,
);

impl Role {
    /// True for the two supply voltages, on which the rectifier's ripple is read.
    #[must_use]
    pub fn is_supply_voltage(self) -> bool {
        matches!(self, Self::ChargingPost | Self::BatteryPost)
    }
    /// Unit of a trace in this role, `"V"` or `"A"`; for [`Role::Other`] the one that holds where no other is named.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::ChargingCurrent | Self::BatteryCurrent => "A",
            Self::ChargingPost | Self::BatteryPost | Self::SpeedSensor | Self::EdgeSensor | Self::Other => "V",
        }
    }
    /// True for the circuits that are tested for contamination by the ripple.
    #[must_use]
    pub fn is_sensor(self) -> bool {
        matches!(self, Self::SpeedSensor | Self::EdgeSensor | Self::Other)
    }
}

/// Largest magnitude of a sample, in the trace's unit: far beyond any probe, and small enough that sums of squares and
/// fourth powers over a whole record stay finite.
pub const LARGEST_VALUE: f64 = 1e9;

/// Samples in the form in which they were captured.
#[derive(Debug, Clone, PartialEq)]
pub enum RawSamples {
    /// Counts of a converter: value = `counts * scale + offset`.
    I16 {
        /// The counts.
        counts: Vec<i16>,
        /// Units per count; finite, not 0.
        scale: f64,
        /// Value of count 0.
        offset: f64,
    },
    /// Single-precision values in the trace's unit.
    F32(Vec<f32>),
    /// Double-precision values in the trace's unit.
    F64(Vec<f64>),
}

impl RawSamples {
    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        match self {
            Self::I16 { counts, .. } => counts.len(),
            Self::F32(v) => v.len(),
            Self::F64(v) => v.len(),
        }
    }
    /// True when there is no sample.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn check(&self) -> Result<()> {
        if self.is_empty() {
            return Err(Error::EmptyInput { parameter: "samples".into() });
        }
        match self {
            Self::I16 { scale, offset, .. } => check_scaling(*scale, *offset),
            Self::F32(v) => check_values("samples", 0, v.iter().map(|&x| f64::from(x))),
            Self::F64(v) => check_values("samples", 0, v.iter().copied()),
        }
    }
}

fn check_scaling(scale: f64, offset: f64) -> Result<()> {
    if !scale.is_finite() || scale == 0.0 {
        return Err(Error::out_of_range("scale", "a finite number other than 0", scale));
    }
    if !offset.is_finite() {
        return Err(Error::out_of_range("offset", "a finite number", offset));
    }
    if 32_768.0 * scale.abs() + offset.abs() > LARGEST_VALUE {
        return Err(Error::out_of_range("scale", "counts that stay within 1e9 in magnitude", scale));
    }
    Ok(())
}

/// Refuses the first of the values, from index `start` on, that no record may hold.
fn check_values(parameter: &str, start: usize, mut values: impl Iterator<Item = f64> + Clone) -> Result<()> {
    let good = |x: f64| x.abs() <= LARGEST_VALUE;
    // Side by side, for nearly every record is good throughout; one after the other only to find the value for the message.
    if values.clone().fold(true, |all, x| all & good(x)) {
        return Ok(());
    }
    let Some(index) = values.clone().position(|x| !good(x)) else { return Ok(()) };
    match values.nth(index) {
        Some(x) if x.is_finite() => Err(Error::out_of_range(parameter, "values within 1e9 in magnitude", x)),
        _ => Err(Error::NonFinite { parameter: parameter.into(), index: start + index }),
    }
}

/// Samples with what was found out about them.
#[derive(Debug)]
struct Record {
    samples: RawSamples,
    /// Found when it is first asked for: quality, cycle, ripple and contamination all ask.
    quantiser: OnceLock<Option<Quantiser>>,
    /// Mean and mean square about it.
    moments: OnceLock<(f64, f64)>,
}

impl PartialEq for Record {
    fn eq(&self, other: &Self) -> bool {
        self.samples == other.samples
    }
}

/// One probe's record.
///
/// ```
/// use sixpulse::{Coupling, Role, Samples, Trace};
/// let post = Trace::from_counts(vec![100, 101, 99], 0.14, 0.0, 50_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let mut volts = [0.0; 3];
/// post.read(0, &mut volts);
/// assert!((volts[1] - 14.14).abs() < 1e-12);
/// # Ok::<(), sixpulse::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    // Shared, so that a clone of a long record costs nothing.
    record: Arc<Record>,
    sample_rate_hz: f64,
    coupling: Coupling,
    role: Role,
    unit: String,
    coupling_corner_hz: Option<f64>,
}

impl Trace {
    /// Validates the samples and the rate.
    ///
    /// # Errors
    /// [`Error::EmptyInput`], [`Error::NonFinite`] for the samples; [`Error::OutOfRange`] for a sample beyond
    /// [`LARGEST_VALUE`], the rate (hertz, above 0), the scale (not 0) or the offset.
    pub fn new(samples: RawSamples, sample_rate_hz: f64, coupling: Coupling, role: Role) -> Result<Self> {
        samples.check()?;
        check_positive("sample_rate_hz", sample_rate_hz)?;
        if !(samples.len() as f64 / sample_rate_hz).is_finite() {
            return Err(Error::out_of_range("sample_rate_hz", "a rate at which the record ends", sample_rate_hz));
        }
        let record = Arc::new(Record { samples, quantiser: OnceLock::new(), moments: OnceLock::new() });
        Ok(Self { record, sample_rate_hz, coupling, role, unit: role.unit().into(), coupling_corner_hz: None })
    }

    /// A trace of `f64` values in volts (amperes for the two current roles).
    ///
    /// # Errors
    /// As [`Trace::new`].
    pub fn from_f64(samples: Vec<f64>, sample_rate_hz: f64, coupling: Coupling, role: Role) -> Result<Self> {
        Self::new(RawSamples::F64(samples), sample_rate_hz, coupling, role)
    }

    /// A trace of converter counts: value = `count * scale + offset`.
    ///
    /// # Errors
    /// As [`Trace::new`].
    pub fn from_counts(
        counts: Vec<i16>,
        scale: f64,
        offset: f64,
        sample_rate_hz: f64,
        coupling: Coupling,
        role: Role,
    ) -> Result<Self> {
        Self::new(RawSamples::I16 { counts, scale, offset }, sample_rate_hz, coupling, role)
    }

    /// The same trace with its unit named. Only the role `Other` may be in a unit of its own (a label: nothing is
    /// converted); everywhere else the values are volts or amperes ([`Role::unit`]), and a verdict rests on it.
    ///
    /// # Errors
    /// [`Error::InvalidCombination`] for a unit that is not the role's.
    pub fn with_unit(mut self, unit: &str) -> Result<Self> {
        if self.role != Role::Other && unit != self.role.unit() {
            return Err(Error::InvalidCombination {
                parameter: "unit".into(),
                reason: format!(
                    "a trace of the role {} is in {}, not in \"{unit}\": convert the samples, or their scale",
                    self.role,
                    self.role.unit()
                ),
            });
        }
        self.unit = unit.into();
        Ok(self)
    }

    /// The same trace with the corner frequency of the instrument's AC coupling, where it is known.
    ///
    /// # Errors
    /// [`Error::InvalidCombination`] for a DC-coupled trace; [`Error::OutOfRange`] or [`Error::AboveNyquist`] for a
    /// corner outside (0, half the sample rate).
    pub fn with_coupling_corner_hz(mut self, corner_hz: f64) -> Result<Self> {
        if self.coupling == Coupling::Dc {
            return Err(Error::InvalidCombination {
                parameter: "coupling_corner_hz".into(),
                reason: "a DC-coupled trace has no coupling corner".into(),
            });
        }
        crate::error::check_frequency("coupling_corner_hz", corner_hz, self.sample_rate_hz)?;
        self.coupling_corner_hz = Some(corner_hz);
        Ok(self)
    }

    /// Mean and mean square about it, found once; sums are taken about the first sample.
    pub(crate) fn moments(&self) -> (f64, f64) {
        *self.record.moments.get_or_init(|| {
            let mut first = [0.0];
            self.read(0, &mut first);
            let (mut sum, mut squares) = (0.0, 0.0);
            for_each_block(self, |_, block| {
                let sums = widest(SumsAbout { samples: block, level: first[0] });
                sum += sums.0;
                squares += sums.1;
            });
            let n = self.len() as f64;
            (first[0] + sum / n, squares / n - (sum / n).powi(2))
        })
    }

    /// Samples per second.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }
    /// How the input was coupled.
    #[must_use]
    pub fn coupling(&self) -> Coupling {
        self.coupling
    }
    /// Where the probe was.
    #[must_use]
    pub fn role(&self) -> Role {
        self.role
    }
    /// Unit of the values.
    #[must_use]
    pub fn unit(&self) -> &str {
        &self.unit
    }
    /// Corner of the instrument's AC coupling, in hertz, where it is known.
    #[must_use]
    pub fn coupling_corner_hz(&self) -> Option<f64> {
        self.coupling_corner_hz
    }
    /// The samples in the form they were captured.
    #[must_use]
    pub fn raw(&self) -> &RawSamples {
        &self.record.samples
    }
    /// The converter's step and levels; `None` where the trace does not look quantised, or does not move.
    pub(crate) fn quantiser(&self) -> Option<Quantiser> {
        *self.record.quantiser.get_or_init(|| Quantiser::of(&self.record.samples))
    }
    /// Length of the record in seconds: number of samples / sample rate.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        self.record.samples.len() as f64 / self.sample_rate_hz
    }
    /// All samples as `f64`; a copy eight bytes a sample long.
    #[must_use]
    pub fn to_f64(&self) -> Vec<f64> {
        let mut out = vec![0.0; self.record.samples.len()];
        self.read(0, &mut out);
        out
    }
    /// Mean of the samples, in the trace's unit.
    pub(crate) fn mean(&self) -> f64 {
        self.moments().0
    }
}

impl Samples for Trace {
    fn len(&self) -> usize {
        self.record.samples.len()
    }
    fn read(&self, start: usize, out: &mut [f64]) {
        match &self.record.samples {
            RawSamples::I16 { counts, scale, offset } => {
                let counts = &counts[start..start + out.len()];
                widest(Scaled { counts, scale: *scale, offset: *offset, out });
            }
            RawSamples::F32(v) => v.as_slice().read(start, out),
            RawSamples::F64(v) => v.as_slice().read(start, out),
        }
    }
    fn check(&self, _parameter: &str) -> Result<()> {
        Ok(())
    }
}

/// Traces taken together: same sample rate, same start, same length, each under a name of the user's.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    traces: Vec<(String, Trace)>,
    engine_rpm: Option<f64>,
    battery_temperature_c: Option<f64>,
}

impl Capture {
    /// Validates that the traces belong together.
    ///
    /// # Errors
    /// [`Error::EmptyInput`] without traces; [`Error::RateMismatch`], [`Error::LengthMismatch`] naming the trace that
    /// differs from the first; [`Error::InvalidCombination`] for a name given twice.
    pub fn new(traces: Vec<(String, Trace)>) -> Result<Self> {
        let Some((_, first)) = traces.first() else {
            return Err(Error::EmptyInput { parameter: "traces".into() });
        };
        for (i, (name, trace)) in traces.iter().enumerate() {
            #[allow(clippy::float_cmp, reason = "rates of one capture come from one setting and are equal exactly")]
            if trace.sample_rate_hz != first.sample_rate_hz {
                return Err(Error::RateMismatch {
                    parameter: format!("traces[\"{name}\"]"),
                    expected_hz: first.sample_rate_hz,
                    actual_hz: trace.sample_rate_hz,
                });
            }
            if trace.len() != first.len() {
                return Err(Error::LengthMismatch {
                    parameter: format!("traces[\"{name}\"]"),
                    expected: first.len(),
                    actual: trace.len(),
                });
            }
            if traces[..i].iter().any(|(other, _)| other == name) {
                return Err(Error::InvalidCombination {
                    parameter: "traces".into(),
                    reason: format!("the name \"{name}\" is given twice"),
                });
            }
        }
        Ok(Self { traces, engine_rpm: None, battery_temperature_c: None })
    }

    /// The same capture with the engine's speed in revolutions per minute (0 or more).
    ///
    /// # Errors
    /// [`Error::OutOfRange`].
    pub fn with_engine_rpm(mut self, engine_rpm: f64) -> Result<Self> {
        if !(engine_rpm.is_finite() && engine_rpm >= 0.0) {
            return Err(Error::out_of_range("engine_rpm", "a finite number of 0 or more (1/min)", engine_rpm));
        }
        self.engine_rpm = Some(engine_rpm);
        Ok(self)
    }

    /// The same capture with the battery's temperature in degrees Celsius (-60 to 120).
    ///
    /// # Errors
    /// [`Error::OutOfRange`].
    pub fn with_battery_temperature_c(mut self, temperature_c: f64) -> Result<Self> {
        if !(-60.0..=120.0).contains(&temperature_c) {
            return Err(Error::out_of_range("battery_temperature_c", "-60 to 120 degrees Celsius", temperature_c));
        }
        self.battery_temperature_c = Some(temperature_c);
        Ok(self)
    }

    /// The traces with their names, in the order given.
    #[must_use]
    pub fn traces(&self) -> &[(String, Trace)] {
        &self.traces
    }
    /// The trace of that name.
    #[must_use]
    pub fn trace(&self, name: &str) -> Option<&Trace> {
        self.traces.iter().find(|(n, _)| n == name).map(|(_, t)| t)
    }
    /// The first trace with that role, with its name.
    #[must_use]
    pub fn by_role(&self, role: Role) -> Option<(&str, &Trace)> {
        self.traces.iter().find(|(_, t)| t.role == role).map(|(n, t)| (n.as_str(), t))
    }
    /// Samples per second of every trace.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.traces[0].1.sample_rate_hz
    }
    /// Engine speed in 1/min, where known.
    #[must_use]
    pub fn engine_rpm(&self) -> Option<f64> {
        self.engine_rpm
    }
    /// Battery temperature in degrees Celsius, where known.
    #[must_use]
    pub fn battery_temperature_c(&self) -> Option<f64> {
        self.battery_temperature_c
    }
}

/// What is known of the alternator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Machine {
    pole_pairs: Option<u32>,
    pulley_ratio: Option<f64>,
    pulse_number: u32,
}

impl Machine {
    /// `pole_pairs` 1 to 24, `pulley_ratio` (alternator speed / engine speed) 0.2 to 10, `pulse_number` 6 or 12.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] naming the parameter.
    pub fn new(pole_pairs: Option<u32>, pulley_ratio: Option<f64>, pulse_number: u32) -> Result<Self> {
        if let Some(p) = pole_pairs
            && !(1..=24).contains(&p)
        {
            return Err(Error::out_of_range("pole_pairs", "1 to 24", f64::from(p)));
        }
        if let Some(r) = pulley_ratio
            && !(0.2..=10.0).contains(&r)
        {
            return Err(Error::out_of_range("pulley_ratio", "0.2 to 10", r));
        }
        if pulse_number != 6 && pulse_number != 12 {
            return Err(Error::out_of_range("pulse_number", "6 or 12", f64::from(pulse_number)));
        }
        Ok(Self { pole_pairs, pulley_ratio, pulse_number })
    }

    /// Pole pairs, where known.
    #[must_use]
    pub fn pole_pairs(&self) -> Option<u32> {
        self.pole_pairs
    }
    /// Alternator speed / engine speed, where known.
    #[must_use]
    pub fn pulley_ratio(&self) -> Option<f64> {
        self.pulley_ratio
    }
    /// Pulses in each electrical cycle: 6, or 12 for two stators 30 degrees apart.
    #[must_use]
    pub fn pulse_number(&self) -> u32 {
        self.pulse_number
    }

    /// Electrical frequency in hertz at an engine speed: `engine_rpm / 60 * pulley_ratio * pole_pairs`; `None` when the
    /// ratio or the pole pairs are not known, or the engine stands.
    #[must_use]
    pub fn electrical_hz(&self, engine_rpm: f64) -> Option<f64> {
        let f = engine_rpm / 60.0 * self.pulley_ratio? * f64::from(self.pole_pairs?);
        (f > 0.0).then_some(f)
    }
}

impl Default for Machine {
    /// Nothing known but six pulses a cycle.
    fn default() -> Self {
        Self { pole_pairs: None, pulley_ratio: None, pulse_number: 6 }
    }
}
