//! A monitor for instruments that run all day: chunks of any size in, rolling figures out, in fixed memory.
//!
//! # Two paths
//!
//! - [`Monitor::push`] takes samples and brings level, ripple, electrical frequency, order amplitudes and the ripple in
//!   other circuits up to date. It allocates nothing (a test counts), and [`Monitor::reading`] only lends what it keeps.
//! - [`Monitor::judge`] runs the whole examination ([`crate::examine()`]: the fitted rectifier model, the contamination
//!   test, quality, findings) on the samples of the window. It allocates: a copy of the window, and what `examine` needs
//!   besides, about 60 bytes a sample and channel at most, all of it freed again. [`Pushed::judgement_due`] says
//!   when to call it; a caller with a deadline calls it from another task's time.
//!
//! The cycle is found by a judgement (or given by [`MonitorSettings::with_electrical_hz`]) and from then on followed from
//! cycle to cycle.
//!
//! # Time
//!
//! The stream is divided into hops, sixteen to a window; figures are those of the last sixteen whole hops. Nothing depends
//! on how the stream is cut into chunks: a block is computed when its last sample is there. A judgement is that of the
//! window that the reading covers, and what it finds takes effect with the next hop, so that it does not matter where
//! within a hop it is called.
//!
//! | what | latency |
//! |---|---|
//! | level, ripple, orders | a change shows in part after a hop, in full after the window and a hop |
//! | `latest_electrical_hz` | two to ten electrical cycles, by the ripple's clearness |
//! | pattern, contamination | while a change lies inside the window the verdict is that of a mixture; it holds from one window, one hop and one interval between judgements after the change |
//!
//! # Running for long
//!
//! No sum runs on: every figure is computed from blocks of the window, angles and integrals are counted from the
//! block's or the cycle's begin, counters are 64-bit integers. After 10^10 samples the figures are those of the first
//! window of the same signal (tests: exactly, but for the followed cycle, which agrees to 1e-9).
//!
//! # Gaps
//!
//! [`Monitor::gap`], or a time stamp that jumps ([`Monitor::push_at`]), empties the window; the cycle is taken up again at
//! the frequency it had. The last judgement stays, with its age. [`Monitor::change_rate`] begins everything anew but what has
//! been counted; [`Monitor::reset`] begins with another stream.

mod blocks;
mod judgement;
mod reading;
mod ring;
mod settings;
mod stream;
mod tracker;

use std::collections::VecDeque;

use crate::cycle::Cycle;
use crate::error::{Error, Result};
use crate::examine::{Examination, ExamineOptions, examine};
use crate::rectifier::Pattern;
use crate::trace::Capture;
use blocks::{Block, Blocks, Figures};
use ring::Ring;
use settings::Grid;
use tracker::{Followed, Tracker};

pub use reading::{
    EventKind, JudgementDue, MONITOR_READING_VERSION, MonitorChannel, MonitorContamination, MonitorCycle, MonitorEvent,
    MonitorLevel, MonitorReading, MonitorRectifier, MonitorRipple, Pushed,
};
pub use ring::Chunk;
pub use settings::{
    Channel, HOPS, LEAST_WINDOW_SAMPLES, LONGEST_WINDOW_S, MOST_WINDOW_SAMPLES, MonitorSettings, SHORTEST_WINDOW_S,
    SampleFormat,
};

/// Events kept until they are read.
pub const EVENTS_KEPT: usize = 64;
/// A judged frequency this near to the followed one is the same cycle.
const SAME_CYCLE: f64 = 0.02;
/// Fewest points of a judged track's quarter that show whether the speed changes.
const LEAST_IN_A_QUARTER: usize = 3;

/// What is kept of one channel.
#[derive(Debug)]
struct Input {
    channel: Channel,
    ring: Ring,
    blocks: Blocks,
    rails: (f64, f64),
    /// Its place in the tracker, where its orders are read.
    lane: Option<usize>,
    figures: Option<Figures>,
}

/// What the next hop begins with.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Found {
    hz: f64,
    /// A verdict rests on it: it may replace the cycle that is followed.
    certain: bool,
}

/// Rolling figures of a stream of samples. See the [module](self) for what it promises.
///
/// One monitor belongs to one stream: it is `Send`, and its methods take `&mut self`, so two threads cannot push at once.
///
/// ```
/// use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorSettings};
/// use sixpulse::rectifier::Pattern;
/// use sixpulse::{Coupling, Role};
/// # fn main() -> sixpulse::Result<()> {
/// let post = Channel::new("post", Role::ChargingPost, Coupling::Dc);
/// let mut monitor = Monitor::new(vec![post], MonitorSettings::new(50_000.0, 0.2))?;
/// // An ideal bridge at 200 Hz on 14 V, in chunks of 1000 samples.
/// for chunk in 0..20 {
///     let volts: Vec<f64> = (0..1000)
///         .map(|i| {
///             let theta = std::f64::consts::TAU * 200.0 * f64::from(1000 * chunk + i) / 50_000.0;
///             let phase = |k: f64| (theta - k * std::f64::consts::TAU / 3.0).cos();
///             let (a, b, c) = (phase(0.0), phase(1.0), phase(2.0));
///             14.0 + a.max(b).max(c) - a.min(b).min(c)
///         })
///         .collect();
///     if monitor.push(&[Chunk::F64(&volts)])?.judgement_due.is_some() {
///         monitor.judge()?;
///     }
/// }
/// let reading = monitor.reading();
/// assert!((reading.level.mean_v.unwrap_or(0.0) - 15.65).abs() < 0.01);
/// assert!((reading.cycle.electrical_hz.unwrap_or(0.0) - 200.0).abs() < 0.1);
/// // A bridge on a resistor is not what the model has learned: it does not name a pattern lightly.
/// assert!(reading.rectifier.end_sample.is_some());
/// # Ok(())
/// # }
/// ```
#[derive(Debug)]
pub struct Monitor {
    settings: MonitorSettings,
    grid: Grid,
    supply: usize,
    /// The channel that carries the level.
    level: Option<usize>,
    inputs: Vec<Input>,
    tracker: Tracker,
    scratch: Vec<f64>,
    /// Blocks and samples since the last restart, modulo the ring.
    ring_block: usize,
    fill: usize,
    /// Whole hops since the last restart, up to a window.
    hops: usize,
    blocks_in_hop: usize,
    /// Hops until a judgement is due, and why one is.
    hops_to_judge: usize,
    due: Option<JudgementDue>,
    judged_since_restart: bool,
    /// The cycle was lost within this hop.
    lost: bool,
    found: Option<Found>,
    /// Samples before the last change of rate, and the time they took.
    before: (u64, f64),
    expected_s: Option<f64>,
    /// Time of the newest sample that was judged, on the reading's clock.
    judged_at_s: Option<f64>,
    events: VecDeque<MonitorEvent>,
    reading: MonitorReading,
}

impl Monitor {
    /// Allocates everything the monitor will need for pushing.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], [`Error::AboveNyquist`], [`Error::EmptyInput`], [`Error::InvalidCombination`] naming the
    /// channel or the setting at fault; one channel must be at the charging post or the battery post.
    pub fn new(channels: Vec<Channel>, settings: MonitorSettings) -> Result<Self> {
        let (supply, level) = settings.check(&channels)?;
        let grid = Grid::new(&settings);
        let rate = settings.sample_rate_hz;
        let mut lanes = 1;
        let inputs: Vec<Input> = channels
            .into_iter()
            .enumerate()
            .map(|(i, channel)| {
                let lane = if i == supply {
                    Some(0)
                } else if channel.role.is_sensor() {
                    lanes += 1;
                    Some(lanes - 1)
                } else {
                    None
                };
                Input::new(channel, lane, grid, rate)
            })
            .collect();
        let mut new = Self {
            reading: empty_reading(&inputs, level, grid, rate),
            tracker: Tracker::new(lanes, grid.block, rate),
            scratch: vec![0.0; grid.block],
            events: VecDeque::with_capacity(EVENTS_KEPT),
            hops_to_judge: HOPS,
            settings,
            grid,
            supply,
            level,
            inputs,
            ring_block: 0,
            fill: 0,
            hops: 0,
            blocks_in_hop: 0,
            due: None,
            judged_since_restart: false,
            lost: false,
            found: None,
            before: (0, 0.0),
            expected_s: None,
            judged_at_s: None,
        };
        new.follow(settings.electrical_hz);
        Ok(new)
    }
}

impl Input {
    fn new(channel: Channel, lane: Option<usize>, grid: Grid, sample_rate_hz: f64) -> Self {
        let ring = Ring::new(channel.format, grid.ring_blocks() * grid.block);
        let rails = channel.range.or_else(|| ring.rails()).unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
        let blocks = Blocks::new(grid.window_blocks(), grid.block, sample_rate_hz);
        Self { channel, ring, blocks, rails, lane, figures: None }
    }
}

fn empty_reading(inputs: &[Input], level: Option<usize>, grid: Grid, sample_rate_hz: f64) -> MonitorReading {
    let names: Vec<&str> = inputs.iter().map(|i| i.channel.name()).collect();
    let circuits: Vec<&str> =
        inputs.iter().filter(|i| i.lane.is_some_and(|l| l > 0)).map(|i| i.channel.name()).collect();
    let level = level.map_or("", |i| inputs[i].channel.name());
    let seconds = (grid.window() as f64 / sample_rate_hz, grid.hop() as f64 / sample_rate_hz);
    MonitorReading::empty(&names, &circuits, level, seconds)
}
