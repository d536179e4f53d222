//! What a monitor is built from: channels and settings, checked once.

use crate::cycle::SEARCH_CORNER_HZ;
use crate::error::{Error, Result, check_frequency, check_positive};
use crate::level;
use crate::quality;
use crate::trace::{Capture, Coupling, Machine, RawSamples, Role, Trace};

/// Shortest window, seconds: eight cycles at a slow idle.
pub const SHORTEST_WINDOW_S: f64 = 0.1;
/// Longest window, seconds.
pub const LONGEST_WINDOW_S: f64 = 60.0;
/// Fewest samples in a window.
pub const LEAST_WINDOW_SAMPLES: usize = 256;
/// Most samples in a window: what `examine` keeps its memory bounded for.
pub const MOST_WINDOW_SAMPLES: usize = 10_000_000;
/// Hops in a window: the figures are brought up to date this many times in a window.
pub const HOPS: usize = 16;
/// Longest block, seconds: short against the 32 ms in which the ripple's high-pass settles.
const LONGEST_BLOCK_S: f64 = 0.004;
/// Shortest block, samples.
const LEAST_BLOCK_SAMPLES: f64 = 8.0;
/// A time stamp may be off by this many sample intervals, unless another tolerance is set.
const TIME_TOLERANCE_SAMPLES: f64 = 2.0;

/// The form in which a channel's samples arrive, and in which the window keeps them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SampleFormat {
    /// Double-precision values in the channel's unit: 8 bytes a sample. Takes `f32` chunks too.
    F64,
    /// Single-precision values in the channel's unit: 4 bytes a sample.
    F32,
    /// Counts of a converter: value = `count * scale + offset`; 2 bytes a sample.
    Counts {
        /// Units per count; finite, not 0.
        scale: f64,
        /// Value of count 0.
        offset: f64,
    },
}

/// One channel of the instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    pub(super) name: String,
    pub(super) role: Role,
    pub(super) coupling: Coupling,
    pub(super) format: SampleFormat,
    pub(super) coupling_corner_hz: Option<f64>,
    pub(super) range: Option<(f64, f64)>,
}

impl Channel {
    /// A channel whose samples are `f64` values in volts (amperes for the two current roles).
    #[must_use]
    pub fn new(name: &str, role: Role, coupling: Coupling) -> Self {
        let name = name.to_owned();
        Self { name, role, coupling, format: SampleFormat::F64, coupling_corner_hz: None, range: None }
    }

    /// The same channel with samples of another form.
    #[must_use]
    pub fn with_format(mut self, format: SampleFormat) -> Self {
        self.format = format;
        self
    }

    /// The same channel with the corner of the instrument's AC coupling, hertz (AC-coupled channels only).
    #[must_use]
    pub fn with_coupling_corner_hz(mut self, corner_hz: f64) -> Self {
        self.coupling_corner_hz = Some(corner_hz);
        self
    }

    /// The same channel with the ends of its input's range, in its unit: samples at or beyond them count as clipped.
    /// Without a range, counts at the ends of 16 bits do, and values never.
    #[must_use]
    pub fn with_range(mut self, low: f64, high: f64) -> Self {
        self.range = Some((low, high));
        self
    }

    /// Name of the channel.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }
    /// Where the probe is.
    #[must_use]
    pub fn role(&self) -> Role {
        self.role
    }
    /// How the input is coupled.
    #[must_use]
    pub fn coupling(&self) -> Coupling {
        self.coupling
    }
    /// The form in which samples arrive.
    #[must_use]
    pub fn format(&self) -> SampleFormat {
        self.format
    }

    /// Samples of this channel as a trace, in the form in which the window keeps them.
    pub(super) fn trace(&self, samples: RawSamples, sample_rate_hz: f64) -> Result<Trace> {
        let trace = Trace::new(samples, sample_rate_hz, self.coupling, self.role)?;
        match self.coupling_corner_hz {
            Some(corner_hz) => trace.with_coupling_corner_hz(corner_hz),
            None => Ok(trace),
        }
    }

    fn check(&self, sample_rate_hz: f64) -> Result<(String, Trace)> {
        let samples = match self.format {
            SampleFormat::F64 => RawSamples::F64(vec![0.0]),
            SampleFormat::F32 => RawSamples::F32(vec![0.0]),
            SampleFormat::Counts { scale, offset } => RawSamples::I16 { counts: vec![0], scale, offset },
        };
        if let Some((low, high)) = self.range
            && !(low.is_finite() && high.is_finite() && low < high)
        {
            let parameter = format!("channels[\"{}\"].range", self.name);
            return Err(Error::out_of_range(&parameter, "two finite ends, the lower first", high));
        }
        Ok((self.name.clone(), self.trace(samples, sample_rate_hz)?))
    }
}

/// What a monitor is told beside its channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonitorSettings {
    pub(super) sample_rate_hz: f64,
    pub(super) window_s: f64,
    pub(super) judge_every_s: Option<f64>,
    pub(super) time_tolerance_s: Option<f64>,
    pub(super) machine: Machine,
    pub(super) electrical_hz: Option<f64>,
    pub(super) engine_rpm: Option<f64>,
    pub(super) battery_temperature_c: Option<f64>,
}

impl MonitorSettings {
    /// Samples per second of every channel, and the length of the window in seconds (0.1 to 60).
    #[must_use]
    pub fn new(sample_rate_hz: f64, window_s: f64) -> Self {
        Self {
            sample_rate_hz,
            window_s,
            judge_every_s: None,
            time_tolerance_s: None,
            machine: Machine::default(),
            electrical_hz: None,
            engine_rpm: None,
            battery_temperature_c: None,
        }
    }

    /// Seconds after which another judgement is due; one window when not set. Rounded up to whole hops.
    #[must_use]
    pub fn with_judge_every_s(mut self, judge_every_s: f64) -> Self {
        self.judge_every_s = Some(judge_every_s);
        self
    }
    /// Seconds by which a time stamp may be off before it means a gap; two sample intervals when not set.
    #[must_use]
    pub fn with_time_tolerance_s(mut self, time_tolerance_s: f64) -> Self {
        self.time_tolerance_s = Some(time_tolerance_s);
        self
    }
    /// What is known of the alternator.
    #[must_use]
    pub fn with_machine(mut self, machine: Machine) -> Self {
        self.machine = machine;
        self
    }
    /// Electrical frequency in hertz, where known: soft evidence for judgements, as in `ExamineOptions`, and where the
    /// cycle is followed from the first sample on.
    #[must_use]
    pub fn with_electrical_hz(mut self, electrical_hz: f64) -> Self {
        self.electrical_hz = Some(electrical_hz);
        self
    }
    /// Engine speed in 1/min, where known.
    #[must_use]
    pub fn with_engine_rpm(mut self, engine_rpm: f64) -> Self {
        self.engine_rpm = Some(engine_rpm);
        self
    }
    /// Battery temperature in degrees Celsius, where known.
    #[must_use]
    pub fn with_battery_temperature_c(mut self, temperature_c: f64) -> Self {
        self.battery_temperature_c = Some(temperature_c);
        self
    }

    /// Samples per second.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }
    /// Length of the window that was asked for, seconds.
    #[must_use]
    pub fn window_s(&self) -> f64 {
        self.window_s
    }
    /// What is known of the alternator.
    #[must_use]
    pub fn machine(&self) -> Machine {
        self.machine
    }
    /// Electrical frequency, hertz, where known.
    #[must_use]
    pub fn electrical_hz(&self) -> Option<f64> {
        self.electrical_hz
    }
    /// Engine speed, 1/min, where known.
    #[must_use]
    pub fn engine_rpm(&self) -> Option<f64> {
        self.engine_rpm
    }
    /// Battery temperature, degrees Celsius, where known.
    #[must_use]
    pub fn battery_temperature_c(&self) -> Option<f64> {
        self.battery_temperature_c
    }

    /// Refuses settings and channels that make no monitor; returns which channel carries the rectifier's ripple, and which
    /// the level.
    pub(super) fn check(&self, channels: &[Channel]) -> Result<(usize, Option<usize>)> {
        check_positive("sample_rate_hz", self.sample_rate_hz)?;
        check_frequency("search_corner_hz", SEARCH_CORNER_HZ, self.sample_rate_hz)?;
        if !(SHORTEST_WINDOW_S..=LONGEST_WINDOW_S).contains(&self.window_s) {
            return Err(Error::out_of_range("window_s", "0.1 to 60 s", self.window_s));
        }
        let samples = self.window_s * self.sample_rate_hz;
        if samples < LEAST_WINDOW_SAMPLES as f64 || samples > MOST_WINDOW_SAMPLES as f64 {
            return Err(Error::out_of_range("window_s", "a window of 256 to 10 million samples", self.window_s));
        }
        if let Some(every_s) = self.judge_every_s {
            check_positive("judge_every_s", every_s)?;
        }
        if let Some(tolerance_s) = self.time_tolerance_s {
            check_positive("time_tolerance_s", tolerance_s)?;
        }
        if let Some(hz) = self.electrical_hz {
            check_frequency("electrical_hz", hz, self.sample_rate_hz)?;
        }
        let traces = channels.iter().map(|c| c.check(self.sample_rate_hz)).collect::<Result<Vec<_>>>()?;
        let capture = self.describe(Capture::new(traces)?)?;
        let place = |name: &str| channels.iter().position(|c| c.name == name);
        let supply = quality::supply_trace(&capture).and_then(place).ok_or_else(|| Error::InvalidCombination {
            parameter: "channels".into(),
            reason: "a monitor needs a channel at the charging post or the battery post".into(),
        })?;
        Ok((supply, level::carrier(&capture).and_then(|(name, _)| place(name))))
    }

    /// The capture with what is known of the engine and the battery.
    pub(super) fn describe(&self, mut capture: Capture) -> Result<Capture> {
        if let Some(rpm) = self.engine_rpm {
            capture = capture.with_engine_rpm(rpm)?;
        }
        if let Some(temperature_c) = self.battery_temperature_c {
            capture = capture.with_battery_temperature_c(temperature_c)?;
        }
        Ok(capture)
    }

    pub(super) fn tolerance_s(&self) -> f64 {
        self.time_tolerance_s.unwrap_or(TIME_TOLERANCE_SAMPLES / self.sample_rate_hz)
    }
}

/// How the stream is divided: blocks, whole hops of blocks, a window of [`HOPS`] hops.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Grid {
    pub(super) block: usize,
    pub(super) blocks_per_hop: usize,
}

impl Grid {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked: at most ten million samples")]
    pub(super) fn new(settings: &MonitorSettings) -> Self {
        let hop = settings.window_s * settings.sample_rate_hz / HOPS as f64;
        let most = (LONGEST_BLOCK_S * settings.sample_rate_hz).max(LEAST_BLOCK_SAMPLES);
        let blocks_per_hop = (hop / most).ceil().max(1.0);
        Self { block: (hop / blocks_per_hop).round() as usize, blocks_per_hop: blocks_per_hop as usize }
    }
    pub(super) fn hop(self) -> usize {
        self.block * self.blocks_per_hop
    }
    pub(super) fn window(self) -> usize {
        HOPS * self.hop()
    }
    pub(super) fn window_blocks(self) -> usize {
        HOPS * self.blocks_per_hop
    }
    /// Blocks that the ring holds: the window and the hop that is coming in.
    pub(super) fn ring_blocks(self) -> usize {
        (HOPS + 1) * self.blocks_per_hop
    }
}
