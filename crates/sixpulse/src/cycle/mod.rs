//! The electrical cycle: its frequency with candidates, tracked phase, mean cycle and orders.

mod lines;
mod track;

use crate::angle::{self, OrderSpectra, PhaseTrack};
use crate::error::Result;
use crate::rectifier::Pattern;
use crate::trace::Samples;
use ndarray::Array2;

/// Orders reported: 1 to 24.
pub const ORDERS: usize = 24;
/// Points of the mean cycle.
pub const POINTS_PER_CYCLE: usize = 192;

/// One electrical frequency that fits the capture.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct FrequencyCandidate {
    /// Mean electrical frequency over the record, hertz.
    pub electrical_hz: f64,
    /// Probability of this frequency, all patterns taken together (0 to 1).
    pub probability: f64,
    /// The pattern the capture would show at this frequency.
    pub pattern: Pattern,
}

/// The electrical cycle found in the supply trace.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Cycle {
    /// Name of the trace it was read on; empty when there is no supply trace.
    pub trace: String,
    /// Mean electrical frequency over the record, hertz; `None` with a `reason` when no cycle was found.
    pub electrical_hz: Option<f64>,
    /// Standard uncertainty of it.
    pub electrical_hz_std: Option<f64>,
    /// Why no cycle was found.
    pub reason: Option<String>,
    /// Whole cycles averaged.
    pub cycle_count: usize,
    /// Peak amplitudes of orders 1 to 24 (index 0 is order 1), volts; empty without a cycle. Orders above the Nyquist
    /// frequency are left out, so the list may be shorter.
    pub order_amplitudes_v: Vec<f64>,
    /// Standard uncertainty of each amplitude, from the scatter over the cycles.
    pub order_amplitudes_v_std: Vec<f64>,
    /// Phase of each order at the start of the mean cycle, radians (-pi to pi): order n is `c_n cos(n theta + phase_n)`.
    pub order_phases_rad: Vec<f64>,
    /// Standard deviation of each order's amplitude from cycle to cycle, volts.
    pub order_dispersion_v: Vec<f64>,
    /// Mean electrical cycle, 192 points of equal angle, volts, level removed; empty without a cycle.
    pub mean_cycle_v: Vec<f64>,
    /// Standard deviation of the cycles about it, point by point.
    pub cycle_std_v: Vec<f64>,
    /// Times at which the track is given, seconds from the start of the record.
    pub track_time_s: Vec<f64>,
    /// Electrical frequency at those times, hertz.
    pub track_electrical_hz: Vec<f64>,
    /// (highest - lowest) / mean of the track.
    pub speed_change: Option<f64>,
    /// What else fits, the most probable first; the first is the one reported.
    pub candidates: Vec<FrequencyCandidate>,
}

/// Rate to which the record is averaged down for the search of lines; enough for order 6 at the highest speeds.
const SEARCH_RATE_HZ: f64 = 40_000.0;
/// How often the strongest line is looked for, each time after taking the one before out of the record: a switched
/// load can be stronger than the ripple.
const SEARCHES: usize = 3;
/// A later line weaker than this, in power against the first, is not followed.
const FAINTEST: f64 = 3e-4;
/// Electrical frequencies considered, hertz: slow idle of a two-pole-pair machine to the highest speeds.
pub const LOWEST_ELECTRICAL_HZ: f64 = 30.0;
/// See [`LOWEST_ELECTRICAL_HZ`].
pub const HIGHEST_ELECTRICAL_HZ: f64 = 3_000.0;
/// Fewest whole electrical cycles from which an average is made.
pub const FEWEST_CYCLES: usize = 4;
/// Orders of the cycle that the strongest line may be.
const LINE_ORDERS: [u32; 5] = [1, 2, 3, 6, 12];
/// Two frequencies closer than this, relatively, are the same.
const SAME_HZ: f64 = 0.01;

/// One hypothesis on the electrical cycle: a tracked frequency with the orders it gives.
#[derive(Debug, Clone)]
pub struct CycleHypothesis {
    /// Electrical angle over the record.
    pub track: PhaseTrack,
    /// Cycles at equal angles, [`POINTS_PER_CYCLE`] points each.
    pub grid: Array2<f64>,
    /// Orders 1 to 24, as far as the sample rate goes.
    pub spectra: OrderSpectra,
    /// Which order of this cycle the strongest line is.
    pub line_order: u32,
    /// How many lines were taken out of the record before this one was found.
    pub rank: usize,
    /// Power of the line against the strongest one of the record.
    pub relative_power: f64,
}

/// Every hypothesis worth judging: the strongest lines of the record, each taken as order 1, 2, 3 and 6 of the cycle
/// (and 12 for a machine with twelve pulses).
///
/// `samples` has the level removed (an [`crate::coupling::AcView`]). An empty list means that nothing in the record
/// repeats.
///
/// # Errors
/// [`crate::Error::OutOfRange`] for a rate that is not above 0.
pub fn hypotheses<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    pulse_number: u32,
) -> Result<Vec<CycleHypothesis>> {
    crate::error::check_positive("sample_rate_hz", sample_rate_hz)?;
    let (mut search, search_rate_hz) = averaged_down(samples, sample_rate_hz);
    let mut found: Vec<CycleHypothesis> = Vec::new();
    let mut strongest = 0.0;
    for rank in 0..SEARCHES {
        if search.len() < 64 {
            break;
        }
        let path = lines::Picture::new(&search, search_rate_hz).strongest_path();
        if rank == 0 {
            strongest = path.power;
        }
        if path.power <= FAINTEST * strongest {
            break;
        }
        let Ok(line) = track::follow(&search, search_rate_hz, &path)
            .and_then(|line| track::refine(samples, sample_rate_hz, line, 3))
        else {
            break;
        };
        let relative_power = path.power / strongest;
        for line_order in LINE_ORDERS.into_iter().filter(|&m| m <= 6 || pulse_number == 12) {
            if let Some(h) = hypothesis(samples, sample_rate_hz, &line, line_order, rank, relative_power)
                && !found.iter().any(|f| (f.track.mean_hz() / h.track.mean_hz() - 1.0).abs() < SAME_HZ)
            {
                found.push(h);
            }
        }
        if rank + 1 < SEARCHES && track::remove_synchronous(&mut search, search_rate_hz, &line).is_err() {
            break;
        }
    }
    Ok(found)
}

/// The line taken as order `line_order` of the cycle; `None` where that cannot be an electrical cycle of this record.
fn hypothesis<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    line: &PhaseTrack,
    line_order: u32,
    rank: usize,
    relative_power: f64,
) -> Option<CycleHypothesis> {
    let track = line.scaled(1.0 / f64::from(line_order)).ok()?;
    if !(LOWEST_ELECTRICAL_HZ..=HIGHEST_ELECTRICAL_HZ).contains(&track.mean_hz())
        || track.whole_cycles().1 < FEWEST_CYCLES
    {
        return None;
    }
    let grid = angle::cycles(samples, sample_rate_hz, &track, POINTS_PER_CYCLE).ok()?;
    let spectra = angle::spectra_of_cycles(&grid, sample_rate_hz, &track, ORDERS).ok()?;
    (grid.nrows() >= FEWEST_CYCLES).then_some(CycleHypothesis {
        track,
        grid,
        spectra,
        line_order,
        rank,
        relative_power,
    })
}

/// Means of as many samples as bring the rate down to [`SEARCH_RATE_HZ`] at least, and the rate they have.
fn averaged_down<S: Samples + ?Sized>(samples: &S, sample_rate_hz: f64) -> (Vec<f64>, f64) {
    let factor = ((sample_rate_hz / SEARCH_RATE_HZ) as usize).max(1);
    let mut out = Vec::with_capacity(samples.len() / factor);
    let (mut sum, mut count) = (0.0, 0);
    crate::trace::for_each_block(samples, |_, block| {
        for x in block {
            sum += x;
            count += 1;
            if count == factor {
                out.push(sum / factor as f64);
                (sum, count) = (0.0, 0);
            }
        }
    });
    (out, sample_rate_hz / factor as f64)
}
