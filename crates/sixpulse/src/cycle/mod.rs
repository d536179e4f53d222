//! The electrical cycle: its frequency with candidates, tracked phase, mean cycle and orders.

mod averages;
mod codes;
mod ends;
mod evened;
mod expected;
mod lag;
mod lines;
mod steady;
mod stretch;
mod track;

use crate::angle::{OrderMeans, PhaseTrack};
use crate::error::Result;
use crate::levelled::Levelled;
use crate::pooled::Pooled;
use crate::rectifier::Pattern;
use crate::trace::{Samples, Trace};
use crate::vectors::{LANES, Work, cosine_and_sine, widest};
use averages::Averages;
pub use lag::{LAG_CYCLES_PER_E_FOLD, LAG_CYCLES_PER_E_FOLD_STD};
use rustfft::num_complex::Complex64;

/// Orders reported: 1 to 24.
pub const ORDERS: usize = 24;
/// Points of the mean cycle.
pub const POINTS_PER_CYCLE: usize = 192;

/// One electrical frequency that fits the capture.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
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
#[non_exhaustive]
pub struct Cycle {
    /// Name of the trace it was read on; empty when there is no supply trace.
    pub trace: String,
    /// Mean electrical frequency of the machine over the record, hertz: the ripple's, and what the ripple falls behind
    /// the rotor while the speed changes ([`LAG_CYCLES_PER_E_FOLD`]); `None` with a `reason` when no cycle was found.
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
    /// Frequency of the ripple's cycle at those times, hertz.
    pub track_electrical_hz: Vec<f64>,
    /// (highest - lowest) / mean of the track.
    pub speed_change: Option<f64>,
    /// What else fits, the most probable first; the first is the one reported.
    pub candidates: Vec<FrequencyCandidate>,
}

impl CycleHypothesis {
    /// Mean electrical frequency of the machine over the record, hertz (see [`Cycle::electrical_hz`]).
    #[must_use]
    pub fn electrical_hz(&self) -> f64 {
        self.track.mean_hz() + lag::lost_cycles(&self.track).0 / self.track.duration_s()
    }

    /// Lays the whole track against the trace once more, for the mean frequency; the orders stay as they were read.
    pub(crate) fn stretch(&mut self, trace: &Trace) {
        (self.track, self.unseen_ends_s) = stretch::fit(trace, &self.track, self.line_order);
    }
}

impl Cycle {
    /// No cycle, with the reason.
    #[must_use]
    pub fn none(trace: &str, reason: &str, candidates: Vec<FrequencyCandidate>) -> Self {
        Self {
            trace: trace.into(),
            electrical_hz: None,
            electrical_hz_std: None,
            reason: Some(reason.into()),
            cycle_count: 0,
            order_amplitudes_v: Vec::new(),
            order_amplitudes_v_std: Vec::new(),
            order_phases_rad: Vec::new(),
            order_dispersion_v: Vec::new(),
            mean_cycle_v: Vec::new(),
            cycle_std_v: Vec::new(),
            track_time_s: Vec::new(),
            track_electrical_hz: Vec::new(),
            speed_change: None,
            candidates,
        }
    }

    /// The cycle of an accepted hypothesis.
    #[must_use]
    pub fn of(trace: &str, hypothesis: &CycleHypothesis, candidates: Vec<FrequencyCandidate>) -> Self {
        let spectra = &hypothesis.spectra;
        let stds: Vec<f64> = (0..spectra.mean.len()).map(|i| spectra.mean_std(i)).collect();
        let (track_time_s, track_electrical_hz) = speed_points(&hypothesis.track);
        let mean_hz = hypothesis.electrical_hz();
        let (low, high) = track_electrical_hz.iter().fold((f64::MAX, f64::MIN), |(l, h), &f| (l.min(f), h.max(f)));
        Self {
            trace: trace.into(),
            electrical_hz: Some(mean_hz),
            electrical_hz_std: Some(mean_hz_std(hypothesis)),
            reason: None,
            cycle_count: spectra.cycle_count,
            order_amplitudes_v: spectra.mean.iter().map(|a| a.norm()).collect(),
            order_amplitudes_v_std: stds,
            order_phases_rad: spectra.mean.iter().map(|a| a.arg()).collect(),
            order_dispersion_v: spectra.dispersion.clone(),
            mean_cycle_v: mean_cycle(hypothesis),
            cycle_std_v: hypothesis.points_std.clone(),
            track_time_s,
            track_electrical_hz,
            speed_change: Some((high - low) / mean_hz),
            candidates,
        }
    }
}

/// Uncertainty of the angle at either end of a record, in cycles: what the ripple's shape and lag change with load and
/// speed (0.009 cycle r.m.s. between both ends of simulated captures without a ramp).
const END_OF_TRACK_CYCLES: f64 = 0.006;
/// Points of the speed track: at most this many.
const SPEED_POINTS: usize = 200;

/// Times and mean frequencies of equal stretches of the track, each at least an electrical cycle long.
fn speed_points(track: &PhaseTrack) -> (Vec<f64>, Vec<f64>) {
    let count = track.whole_cycles().1.clamp(1, SPEED_POINTS);
    let step = track.duration_s() / count as f64;
    let hz = |i: usize| (track.cycles_at((i + 1) as f64 * step) - track.cycles_at(i as f64 * step)) / step;
    ((0..count).map(|i| (i as f64 + 0.5) * step).collect(), (0..count).map(hz).collect())
}

/// Standard uncertainty of the mean frequency: the phase at each end of the record is known to the scatter of the
/// strongest order about the mean cycle, over the cycles that the smoothing of the track joins (four, as a bound), and to
/// [`END_OF_TRACK_CYCLES`]; the lag behind the rotor adds its own, and so does each end that no ripple shows.
fn mean_hz_std(hypothesis: &CycleHypothesis) -> f64 {
    let spectra = &hypothesis.spectra;
    let phase = spectra
        .mean
        .iter()
        .enumerate()
        .map(|(i, a)| spectra.scatter[i] / (a.norm() * (i + 1) as f64).max(1e-12))
        .fold(f64::MAX, f64::min);
    let one_end_cycles = (phase / (2.0 * std::f64::consts::PI) / 2.0).hypot(END_OF_TRACK_CYCLES);
    let lag_cycles = lag::lost_cycles(&hypothesis.track).1;
    let ends_cycles = (one_end_cycles * std::f64::consts::SQRT_2).hypot(continued_cycles_std(hypothesis));
    ends_cycles.hypot(lag_cycles) / hypothesis.track.duration_s()
}

/// Standard uncertainty of the cycles in the ends that no ripple shows. The track goes on there as it came: what it does not
/// tell is a change of the acceleration, half of the one that it shows on average, or [`UNSEEN_ACCELERATION_PER_S`].
fn continued_cycles_std(hypothesis: &CycleHypothesis) -> f64 {
    let track = &hypothesis.track;
    let duration_s = track.duration_s();
    let change_hz = track.hz_at(duration_s) - track.hz_at(0.0);
    let per_s = (0.5 * change_hz.abs() / duration_s).max(UNSEEN_ACCELERATION_PER_S * track.mean_hz());
    let cycles = hypothesis.unseen_ends_s.map(|s| 0.5 * per_s * s * s);
    cycles[0].hypot(cycles[1])
}

/// Relative change of the speed in a second that an engine held at a speed may make unseen: 10 %, common experience.
const UNSEEN_ACCELERATION_PER_S: f64 = 0.1;

/// Mean of the cycles, level removed and the high-pass before the search undone.
fn mean_cycle(hypothesis: &CycleHypothesis) -> Vec<f64> {
    let points = &hypothesis.mean_points;
    let level = points.iter().sum::<f64>() / points.len() as f64;
    let restored = at_points(&hypothesis.restored, points.len());
    points.iter().zip(restored).map(|(x, restored)| x + restored - level).collect()
}

/// Sum of orders (order 1 first) at the middle of each of so many points of a cycle.
fn at_points(orders: &[Complex64], points: usize) -> Vec<f64> {
    widest(AtPoints { orders, points })
}

struct AtPoints<'a> {
    orders: &'a [Complex64],
    points: usize,
}

impl Work for AtPoints<'_> {
    type Output = Vec<f64>;
    #[inline(always)]
    fn call(self) -> Vec<f64> {
        let Self { orders, points } = self;
        let mut out = vec![[0.0; LANES]; points.div_ceil(LANES)];
        for (k, out) in out.iter_mut().enumerate() {
            let (mut cos, mut sin) = ([0.0; LANES], [0.0; LANES]);
            for lane in 0..LANES {
                (cos[lane], sin[lane]) = cosine_and_sine(((k * LANES + lane) as f64 + 0.5) / points as f64);
            }
            // By Horner's rule, from the highest order down.
            let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
            for order in orders.iter().rev() {
                for lane in 0..LANES {
                    let (x, y) = (re[lane] + order.re, im[lane] + order.im);
                    re[lane] = x * cos[lane] - y * sin[lane];
                    im[lane] = x * sin[lane] + y * cos[lane];
                }
            }
            *out = re;
        }
        out.as_flattened()[..points].to_vec()
    }
}

/// Corner of the zero-phase high-pass through which cycles are looked for, hertz: takes out regulator swings and the
/// level's change in a ramp; at the lowest idle (100 Hz) it takes 4 % of order 1, which is put back.
pub const SEARCH_CORNER_HZ: f64 = 20.0;
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
/// Standard uncertainties within which a frequency counts as the expected one.
pub(crate) const EXPECTED_WITHIN: f64 = 3.0;
/// Two frequencies closer than this, relatively, are the same.
const SAME_HZ: f64 = 0.01;

/// One hypothesis on the electrical cycle: a tracked frequency with the orders it gives.
#[derive(Debug, Clone)]
pub struct CycleHypothesis {
    /// Electrical angle over the record.
    pub track: PhaseTrack,
    /// Mean over the cycles at [`POINTS_PER_CYCLE`] equal angles, as read through the high-pass of the search.
    pub mean_points: Vec<f64>,
    /// Standard deviation of the cycles about it, point by point.
    pub points_std: Vec<f64>,
    /// Orders 1 to 24, as far as the sample rate goes.
    pub spectra: OrderMeans,
    /// What the high-pass before the search and the instrument's coupling had taken from each order: the amplitudes in
    /// `spectra` contain it, the points do not.
    pub restored: Vec<Complex64>,
    /// Which order of this cycle the strongest line is.
    pub line_order: u32,
    /// How many lines were taken out of the record before this one was found.
    pub rank: usize,
    /// Power of the line against the strongest one of the record.
    pub relative_power: f64,
    /// Seconds at the beginning and at the end of the record in which no ripple shows: the track is continued there. Known
    /// of the hypothesis that was chosen, else 0.
    pub unseen_ends_s: [f64; 2],
}

/// Every hypothesis worth judging: the strongest lines of the record, each taken as order 1, 2, 3, 6 and 12 of the cycle.
///
/// The trace is read through a zero-phase high-pass at [`SEARCH_CORNER_HZ`], which is divided out of the orders again,
/// as is the instrument's AC coupling where its corner is known. An empty list means that nothing in the record repeats.
///
/// # Errors
/// [`crate::Error::AboveNyquist`] for a sample rate below twice the corner.
pub fn hypotheses(trace: &Trace) -> Result<Vec<CycleHypothesis>> {
    let view = Levelled::new(trace, SEARCH_CORNER_HZ)?;
    let skimmed = Skimmed::new(&view);
    let coarse_step_v = skimmed.coarse(crate::quality::step(trace));
    Ok(hypotheses_in(&view, skimmed, coarse_step_v, 6))
}

/// As [`hypotheses`] (which are for six pulses), for a trace that is already seen through the high-pass at
/// [`SEARCH_CORNER_HZ`]. `coarse_step_v` is the converter's step where it is coarse (see [`Skimmed::coarse`]).
pub(crate) fn hypotheses_in(
    view: &Levelled<'_>,
    skimmed: Skimmed,
    coarse_step_v: Option<f64>,
    pulse_number: u32,
) -> Vec<CycleHypothesis> {
    let Skimmed { mut search, search_rate_hz, .. } = skimmed;
    let mut found: Vec<CycleHypothesis> = Vec::new();
    let mut strongest = 0.0;
    let mut kept = lines::Kept::default();
    for rank in 0..SEARCHES {
        if search.len() < 64 {
            break;
        }
        let pyramid = lines::Pyramid::new(&search, search_rate_hz, &mut kept);
        let path = lines::Picture::path_through(&pyramid, &mut kept);
        if rank == 0 {
            strongest = path.power;
        }
        if path.power <= FAINTEST * strongest {
            break;
        }
        let Ok(line) = track::follow(&pyramid, &path).and_then(|line| track::refine(&pyramid, line, 3)) else { break };
        pyramid.leave_to(&mut kept);
        // Twelve pulses make a line so high and small that noise alone can lose some of them.
        let loses_pulses = coarse_step_v.is_some() || pulse_number == 12;
        let line = if loses_pulses { steady::instead(&search, search_rate_hz, line) } else { line };
        let facts = LineFacts { rank, relative_power: path.power / strongest, coarse_step_v };
        for h in of_line(view, &line, &LINE_ORDERS, facts) {
            if !found.iter().any(|f| (f.track.mean_hz() / h.track.mean_hz() - 1.0).abs() < SAME_HZ) {
                found.push(h);
            }
        }
        if rank + 1 < SEARCHES && track::remove_synchronous(&mut search, search_rate_hz, &line).is_err() {
            break;
        }
    }
    found
}

/// Hypotheses at lines of the pulses' order near the electrical frequency that was told (with its relative standard
/// uncertainty), looked for along every steady course of the speed, beside those already `found`; none where such a line
/// does not stand out.
pub(crate) fn expected_in(
    view: &Levelled<'_>,
    found: &[CycleHypothesis],
    coarse_step_v: Option<f64>,
    pulse_number: u32,
    (hz, relative_std): (f64, f64),
) -> Vec<CycleHypothesis> {
    let Skimmed { search, search_rate_hz, .. } = Skimmed::new(view);
    let expected = (f64::from(pulse_number) * hz, relative_std);
    let duration_s = (search.len() as f64 - 1.0) / search_rate_hz;
    let of_a_comb = |line: &PhaseTrack| {
        found
            .iter()
            .any(|f| expected::is_harmonic(line.mean_hz(), f.track.mean_hz() * f64::from(f.line_order), duration_s))
    };
    let mut lines = expected::lines(&search, search_rate_hz, expected);
    lines.retain(|(line, _)| !of_a_comb(line));
    let strongest = found.first().map_or(0.0, line_power);
    let mut list: Vec<CycleHypothesis> = Vec::new();
    for (line, power) in lines {
        let relative_power = if strongest > 0.0 { (power / strongest).min(1.0) } else { 1.0 };
        let facts = LineFacts { rank: SEARCHES - 1, relative_power, coarse_step_v };
        let known = |h: &CycleHypothesis| {
            found.iter().chain(&list).any(|f| (f.track.mean_hz() / h.track.mean_hz() - 1.0).abs() < SAME_HZ)
        };
        let new = of_line(view, &line, &[pulse_number], facts).into_iter().find(|h| !known(h));
        list.extend(new);
    }
    list
}

/// Mean square of the line that a hypothesis rests on.
fn line_power(h: &CycleHypothesis) -> f64 {
    h.spectra.mean.get(h.line_order as usize - 1).map_or(0.0, |a| 0.5 * a.norm_sqr())
}

/// What is known of a line besides its track.
#[derive(Clone, Copy)]
struct LineFacts {
    rank: usize,
    relative_power: f64,
    coarse_step_v: Option<f64>,
}

/// The line taken as each of some orders of the cycle, where that can be an electrical cycle of this record.
fn of_line(view: &Levelled<'_>, line: &PhaseTrack, line_orders: &[u32], facts: LineFacts) -> Vec<CycleHypothesis> {
    let can_be = |track: &PhaseTrack| {
        (LOWEST_ELECTRICAL_HZ..=HIGHEST_ELECTRICAL_HZ).contains(&track.mean_hz())
            && track.whole_cycles().1 >= FEWEST_CYCLES
    };
    let tracks: Vec<(u32, PhaseTrack)> = line_orders
        .iter()
        .copied()
        .filter_map(|order| Some((order, line.scaled(1.0 / f64::from(order)).ok()?)))
        .filter(|(_, track)| can_be(track))
        .collect();
    let orders: Vec<u32> = tracks.iter().map(|(order, _)| *order).collect();
    let read = averages::read(view, view.sample_rate_hz(), line, &orders);
    tracks
        .into_iter()
        .zip(read)
        .filter_map(|((order, track), read)| hypothesis(view, track, order, read?, facts))
        .collect()
}

/// The hypothesis of one track; `None` for too few cycles.
fn hypothesis(
    view: &Levelled<'_>,
    track: PhaseTrack,
    line_order: u32,
    read: Averages,
    facts: LineFacts,
) -> Option<CycleHypothesis> {
    let Averages { points: mut mean_points, points_std, orders: mut read } = read;
    if read.cycle_count < FEWEST_CYCLES {
        return None;
    }
    let track = ends::fasten(view, view.sample_rate_hz(), track, &read);
    let coarse_step_v = facts.coarse_step_v;
    if let Some(fitted) = coarse_step_v.and_then(|step| codes::fitted_orders(view.trace(), &track, step, &read.mean)) {
        let orders: Vec<Complex64> =
            fitted.iter().enumerate().map(|(i, a)| a * seen(view, (i + 1) as f64 * read.mean_hz)).collect();
        replace_orders(&mut mean_points, &mut read, &orders);
    }
    let spectra = read.divided_by(|hz| passed(view, hz));
    let restored = spectra.mean.iter().zip(&read.mean).map(|(a, b)| a - b).collect();
    let LineFacts { rank, relative_power, .. } = facts;
    let unseen_ends_s = [0.0; 2];
    Some(CycleHypothesis {
        track,
        mean_points,
        points_std,
        spectra,
        restored,
        line_order,
        rank,
        relative_power,
        unseen_ends_s,
    })
}

/// Puts better values for the first orders in the place of the averaged ones; the scatter from cycle to cycle stays.
fn replace_orders(points: &mut [f64], read: &mut OrderMeans, orders: &[Complex64]) {
    let changes: Vec<Complex64> = orders.iter().zip(&read.mean).map(|(new, old)| new - old).collect();
    let changed = at_points(&changes, points.len());
    points.iter_mut().zip(changed).for_each(|(x, change)| *x += change);
    read.mean.iter_mut().zip(&changes).for_each(|(mean, change)| *mean += change);
}

/// Ripple of fewer r.m.s. steps of the converter than this is read from its codes. Over 23 simulated captures below it
/// the error of orders 1 to 12 (r.m.s., against their size, at most 1) fell from 0.35 to 0.22 on average, the median from
/// 0.18 to 0.13; where a cycle crosses only a handful of edges nothing can bring it to zero. Above, averages are as good.
const COARSE_STEPS: f64 = 1.2;
/// Noise of more r.m.s. steps than this makes the rounding of the codes harmless.
const DITHERED_STEPS: f64 = 1.0;

/// What the zero-phase high-pass before the search lets through.
fn seen(view: &Levelled<'_>, frequency_hz: f64) -> f64 {
    1.0 / (1.0 + (view.corner_hz() / frequency_hz).powi(2))
}

/// What the zero-phase high-pass before the search, and the instrument's coupling where known, let through.
pub(crate) fn passed(view: &Levelled<'_>, frequency_hz: f64) -> Complex64 {
    let zero_phase = seen(view, frequency_hz);
    match view.trace().coupling_corner_hz() {
        None => Complex64::from(zero_phase),
        Some(corner_hz) => zero_phase / Complex64::new(1.0, -corner_hz / frequency_hz),
    }
}

/// The record read once: what the search needs of it.
pub(crate) struct Skimmed {
    /// Means of as many samples as bring the rate down to [`SEARCH_RATE_HZ`] at least.
    search: Pooled<f32>,
    search_rate_hz: f64,
    /// R.m.s. of the samples, volts.
    pub(crate) ac_rms_v: f64,
    /// R.m.s. of white noise that the differences from sample to sample would need, volts: little of it is ripple where
    /// a cycle is sampled many times.
    pub(crate) noise_rms_v: f64,
}

impl Skimmed {
    pub(crate) fn new(view: &Levelled<'_>) -> Self {
        let factor = ((view.sample_rate_hz() / SEARCH_RATE_HZ) as usize).max(1);
        let mut search = Pooled::with_capacity(view.len() / factor);
        let mut rest: Vec<f64> = Vec::with_capacity(factor.min(view.len()));
        let (mut squares, mut steps, mut previous) = (0.0, 0.0, None);
        crate::trace::for_each_block(view, |_, block| {
            let here = widest(SquaresAndSteps(block));
            squares += here.0;
            steps += here.1 + previous.zip(block.first()).map_or(0.0, |(p, x): (f64, &f64)| (x - p) * (x - p));
            previous = block.last().copied();
            // A mean may begin in one block and end in the next.
            let (head, body) = block.split_at(((factor - rest.len()) % factor).min(block.len()));
            rest.extend(head);
            if rest.len() == factor {
                search.push((rest.iter().sum::<f64>() / factor as f64) as f32);
                rest.clear();
            }
            let whole = body.len() / factor * factor;
            rest.extend(&body[whole..]);
            let first = search.len();
            search.resize(first + whole / factor, 0.0);
            widest(Means { samples: &body[..whole], factor, out: &mut search[first..] });
        });
        let n = view.len() as f64;
        Self {
            search,
            search_rate_hz: view.sample_rate_hz() / factor as f64,
            ac_rms_v: (squares / n).sqrt(),
            noise_rms_v: (0.5 * steps / n).sqrt(),
        }
    }

    /// See [`coarse`].
    pub(crate) fn coarse(&self, step_v: Option<f64>) -> Option<f64> {
        coarse(step_v, self.ac_rms_v, self.noise_rms_v)
    }
}

/// Step of the converter where it is coarse against the ripple and no noise spreads the codes.
pub(crate) fn coarse(step_v: Option<f64>, ac_rms_v: f64, noise_rms_v: f64) -> Option<f64> {
    step_v.filter(|step| ac_rms_v < COARSE_STEPS * step && noise_rms_v < DITHERED_STEPS * step)
}

/// Means of so many samples each.
struct Means<'a> {
    samples: &'a [f64],
    factor: usize,
    out: &'a mut [f32],
}

impl Means<'_> {
    /// In lanes, for a number of samples that the compiler knows.
    #[inline(always)]
    fn of<const N: usize>(self) {
        for (mean, samples) in self.out.iter_mut().zip(self.samples.as_chunks::<N>().0) {
            *mean = (samples.iter().fold(0.0, |sum, x| sum + x) / N as f64) as f32;
        }
    }
}

impl Work for Means<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        match self.factor {
            1 => self.of::<1>(),
            2 => self.of::<2>(),
            4 => self.of::<4>(),
            5 => self.of::<5>(),
            factor => {
                for (mean, samples) in self.out.iter_mut().zip(self.samples.chunks_exact(factor)) {
                    *mean = (samples.iter().sum::<f64>() / factor as f64) as f32;
                }
            }
        }
    }
}

/// Sum of squares, and of squared differences from one sample to the next; in eight running sums each.
struct SquaresAndSteps<'a>(&'a [f64]);

impl Work for SquaresAndSteps<'_> {
    type Output = (f64, f64);
    #[inline(always)]
    fn call(self) -> (f64, f64) {
        let block = self.0;
        let (mut squares, mut steps) = ([0.0; 8], [0.0; 8]);
        let after = block.get(1..).unwrap_or_default();
        let pairs = block.as_chunks::<8>().0.iter().zip(after.as_chunks::<8>().0);
        let done = 8 * pairs.len();
        // One after the other: of both in one loop the compiler makes pairs, not lanes.
        for (x, _) in pairs.clone() {
            for lane in 0..8 {
                squares[lane] += x[lane] * x[lane];
            }
        }
        for (x, y) in pairs {
            for lane in 0..8 {
                let step = y[lane] - x[lane];
                steps[lane] += step * step;
            }
        }
        let rest = &block[done..];
        let squares = squares.iter().sum::<f64>() + rest.iter().map(|x| x * x).sum::<f64>();
        let steps = steps.iter().sum::<f64>() + rest.windows(2).map(|w| (w[1] - w[0]) * (w[1] - w[0])).sum::<f64>();
        (squares, steps)
    }
}

#[cfg(test)]
mod tests;
