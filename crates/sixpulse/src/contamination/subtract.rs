//! Takes the fitted ripple out of a circuit's trace and reads what is left: the circuit's own signal.

use super::transfer::{Model, Path};
use crate::scratch::with_buffer;
use crate::trace::{BLOCK, Samples, Trace};
use crate::vectors::{self, LANES, Work};
use std::f64::consts::PI;

/// Half length of the fractional-delay filter, samples.
const HALF: usize = 16;
/// Longest whole shift, samples.
const MOST_SHIFT: f64 = (1_u64 << 53) as f64;
/// A line stands out of the noise from this ratio of power in a bin: `exp(-30)` times the number of bins is the chance
/// of noise doing it, 1e-8 for 10^5 bins.
const LINE_TO_NOISE: f64 = 30.0;
/// The circuit's own signal must hold this share of what is left; a trickle of crosstalk is not a turning wheel.
const LEAST_SHARE: f64 = 0.2;
/// The own signal has at least this many periods in a segment of the spectra.
const LEAST_PERIODS: usize = 3;
/// Ripple left by an imperfect fit, up to twice its amplitude where it comes in with the wrong phase: a bin with less
/// than this multiple of the power that was taken out there is no own signal.
const RIPPLE_LEFT: f64 = 4.0;
/// A line below another counts as its fundamental from this distance in bins (the other's main lobe is over) and from
/// this share of its power on.
const FUNDAMENTAL: (f64, f64) = (5.0, 0.09);

/// The circuit's trace with the ripple taken out, block by block.
pub(super) struct Subtracted<'a> {
    supply: &'a Trace,
    circuit: &'a Trace,
    filter: DelayFilter,
    /// `None` where the path has no second low-pass.
    second: Option<Section>,
    /// `None` for equal couplings.
    shelf: Option<Shelf>,
    gain: f64,
    /// Change of the gain over the record, relative.
    drift: f64,
    supply_mean: f64,
}

impl<'a> Subtracted<'a> {
    pub(super) fn new(supply: &'a Trace, circuit: &'a Trace, model: &Model, drift: f64) -> Self {
        let rate = supply.sample_rate_hz();
        Self {
            supply,
            circuit,
            filter: DelayFilter::new(model.path, model.delay_s * rate),
            second: model.path.has_second().then(|| Section::new(model.second_s * rate, Pass::Low)),
            shelf: (model.corner_hz != 0.0).then(|| Shelf::new(model.corner_hz, rate)),
            gain: model.gain * model.scale(),
            drift,
            supply_mean: supply.mean(),
        }
    }

    /// Calls `visit(start, own, ripple)` for consecutive blocks of the circuit's own signal and of the ripple, volts.
    pub(super) fn for_each_block(mut self, mut visit: impl FnMut(usize, &[f64], &[f64])) {
        let n = self.circuit.len().min(self.supply.len());
        with_buffer(2 * BLOCK, |buffer| {
            let (own, ripple) = buffer.split_at_mut(BLOCK);
            for start in (0..n).step_by(BLOCK) {
                let count = BLOCK.min(n - start);
                let (own, ripple) = (&mut own[..count], &mut ripple[..count]);
                self.split(start, own, ripple);
                visit(start, own, ripple);
            }
        });
    }

    /// Splits the samples from `start` on, which follow those split before.
    fn split(&mut self, start: usize, own: &mut [f64], ripple: &mut [f64]) {
        let n = self.circuit.len().min(self.supply.len());
        self.circuit.read(start, own);
        self.filter.run(self.supply, start, self.supply_mean, ripple);
        if let Some(second) = &mut self.second {
            ripple.iter_mut().for_each(|x| *x = second.step(*x));
        }
        if let Some(shelf) = &mut self.shelf {
            ripple.iter_mut().for_each(|x| *x = shelf.step(*x));
        }
        let gain = self.gain * (1.0 + self.drift * (start as f64 / n as f64 - 0.5));
        vectors::widest(Scaled { own, ripple, gain, slope: self.gain * self.drift / n as f64 });
    }
}

/// A block's ripple times a gain that begins as it is given and grows by `slope` a sample, and taken off the block.
struct Scaled<'a> {
    own: &'a mut [f64],
    ripple: &'a mut [f64],
    gain: f64,
    slope: f64,
}

impl Work for Scaled<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { own, ripple, gain, slope } = self;
        for (i, (y, x)) in (0i32..).zip(own.iter_mut().zip(ripple)) {
            *x *= gain + slope * f64::from(i);
            *y -= *x;
        }
    }
}

/// What a first-order section lets through.
#[derive(Clone, Copy)]
enum Pass {
    Low,
    High,
}

/// The path of the ripple as a filter on samples.
enum DelayFilter {
    /// Taps applied to samples `i - shift - taps.len() / 2 ..`. Single precision: the ripple is kept so.
    Taps { shift: isize, taps: Vec<f32>, window: Vec<f32> },
    /// A low-pass or a high-pass.
    Pole(Section),
}

/// First-order low-pass by the bilinear rule, `y = (1 - 2 a) y' + a (x + x')`; `pass` says what of it is wanted.
struct Section {
    a: f64,
    before: f64,
    state: f64,
    pass: Pass,
}

impl Section {
    fn new(time_constant_samples: f64, pass: Pass) -> Self {
        Self { a: 1.0 / (1.0 + 2.0 * time_constant_samples), before: 0.0, state: 0.0, pass }
    }

    #[inline]
    fn step(&mut self, x: f64) -> f64 {
        self.state = (1.0 - 2.0 * self.a) * self.state + self.a * (x + self.before);
        self.before = x;
        match self.pass {
            Pass::Low => self.state,
            Pass::High => x - self.state,
        }
    }
}

impl DelayFilter {
    fn new(path: Path, delay_samples: f64) -> Self {
        let whole = delay_samples.floor();
        let part = delay_samples - whole;
        // No record is as long: whatever is further off reads the same, and sums of places stay within their type.
        let shift = whole.clamp(-MOST_SHIFT, MOST_SHIFT) as isize;
        match path {
            Path::InterpolatedDelay => Self::taps(shift, &[part, 1.0 - part]),
            Path::Delay => Self::taps(shift, &fractional_delay(part)),
            Path::FirstOrderLag | Path::SecondOrderLag => Self::Pole(Section::new(delay_samples, Pass::Low)),
            Path::FirstOrderHighPass | Path::BandPass => Self::Pole(Section::new(delay_samples, Pass::High)),
        }
    }

    fn taps(shift: isize, taps: &[f64]) -> Self {
        let window = Vec::with_capacity(BLOCK + taps.len());
        Self::Taps { shift, taps: taps.iter().map(|t| *t as f32).collect(), window }
    }

    fn run(&mut self, samples: &Trace, start: usize, mean: f64, out: &mut [f64]) {
        match self {
            Self::Pole(section) => {
                samples.read(start, out);
                out.iter_mut().for_each(|y| *y = section.step(*y - mean));
            }
            Self::Taps { shift, taps, window } => {
                let half = taps.len() / 2;
                with_buffer(out.len() + taps.len() - 1, |wide| {
                    read_clamped(samples, start as isize - *shift - half as isize, wide);
                    window.resize(wide.len(), 0.0);
                    vectors::widest(Filtered { wide, mean, window, taps, out });
                });
            }
        }
    }
}

/// `out[i]` = sum of `taps[j] (wide[i + j] - mean)`, in single precision; the long filter for many outputs side by side, in
/// registers.
struct Filtered<'a> {
    wide: &'a [f64],
    mean: f64,
    window: &'a mut [f32],
    taps: &'a [f32],
    out: &'a mut [f64],
}

impl Work for Filtered<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        /// Outputs side by side: `SETS` times as many as are multiplied at once.
        const SETS: usize = 4;
        const REACH: usize = 2 * HALF + SETS * LANES - 1;
        for (x, wide) in self.window.iter_mut().zip(self.wide) {
            *x = (wide - self.mean) as f32;
        }
        let mut done = 0;
        if let Ok(taps) = <&[f32; 2 * HALF]>::try_from(self.taps) {
            while let Some(reach) = self.window[done..].first_chunk::<REACH>() {
                if done + SETS * LANES > self.out.len() {
                    break;
                }
                let mut sums = [[0.0_f32; LANES]; SETS];
                for j in 0..2 * HALF {
                    let tap = taps[j];
                    for set in 0..SETS {
                        let Some(x) = reach[j + set * LANES..].first_chunk::<LANES>() else { break };
                        for lane in 0..LANES {
                            sums[set][lane] += tap * x[lane];
                        }
                    }
                }
                // Kept in single precision at first, over what is not read again: of sums that are widened at once the
                // compiler takes half as many side by side.
                self.window[done..done + SETS * LANES].copy_from_slice(sums.as_flattened());
                done += SETS * LANES;
            }
            for (y, x) in self.out.iter_mut().zip(&self.window[..done]) {
                *y = f64::from(*x);
            }
        }
        for (y, x) in self.out.iter_mut().zip(self.window.windows(self.taps.len())).skip(done) {
            *y = x.iter().zip(self.taps).map(|(x, t)| f64::from(x * t)).sum();
        }
    }
}

/// Windowed-sinc taps (Kaiser, beta 8) for a delay of `part` (0 to 1) samples, oldest sample first, unit sum.
///
/// Tap `j` multiplies sample `i - HALF + j`, so the delay of tap `j` is `HALF - j`.
fn fractional_delay(part: f64) -> Vec<f64> {
    let mut taps: Vec<f64> = (0..2 * HALF)
        .map(|j| {
            let t = HALF as f64 - j as f64 - part;
            let sinc = if t.abs() < 1e-12 { 1.0 } else { (PI * t).sin() / (PI * t) };
            let edge = 1.0 - (t / (HALF as f64 + 0.5)).powi(2);
            sinc * bessel_i0(8.0 * edge.max(0.0).sqrt())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    taps
}

/// Modified Bessel function of order 0, by its power series (arguments up to 8 here).
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..40 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}

/// Reads a range that may reach over the ends of the record; the end values are held there.
fn read_clamped(samples: &Trace, start: isize, out: &mut [f64]) {
    let n = samples.len() as isize;
    let end = start + out.len() as isize;
    let (from, to) = (start.clamp(0, n - 1), end.clamp(1, n));
    let (head, rest) = out.split_at_mut(((from - start).max(0) as usize).min(out.len()));
    let inside = ((to - from).max(0) as usize).min(rest.len());
    let (middle, tail) = rest.split_at_mut(inside);
    samples.read(from as usize, middle);
    let mut end_value = [0.0];
    samples.read(0, &mut end_value);
    head.fill(end_value[0]);
    samples.read((n - 1) as usize, &mut end_value);
    tail.fill(end_value[0]);
}

/// What the couplings differ by, bilinear. The supply's corner is the higher: `(s + 2 pi fc) / (s + 2 pi fc / 20)` gives
/// back what it took, down to a twentieth of the corner. The circuit's is (negative): `s / (s + 2 pi |fc|)` takes what it does.
struct Shelf {
    b: [f64; 2],
    a: f64,
    x: f64,
    y: f64,
}

impl Shelf {
    fn new(corner_hz: f64, rate_hz: f64) -> Self {
        let turn = PI * corner_hz / rate_hz;
        let (zero, pole) = if corner_hz > 0.0 { (turn, turn / 20.0) } else { (0.0, -turn) };
        let scale = 1.0 / (1.0 + pole);
        Self { b: [(1.0 + zero) * scale, (zero - 1.0) * scale], a: (1.0 - pole) * scale, x: 0.0, y: 0.0 }
    }
    fn step(&mut self, x: f64) -> f64 {
        self.y = self.b[0] * x + self.b[1] * self.x + self.a * self.y;
        self.x = x;
        self.y
    }
}

/// Frequency of the circuit's own signal, hertz, from the power left bin by bin; `None` at standstill.
///
/// The test: the strongest line of the residual stands [`LINE_TO_NOISE`] times above the noise about it, holds
/// [`LEAST_SHARE`] of the power left and is not ripple that an imperfect fit left behind.
pub(super) fn own_frequency_hz<'a>(residual: &'a [f64], removed: &'a [f64], bin_hz: f64) -> Option<f64> {
    let own = |k: usize| own_power(residual[k], removed.get(k).copied().unwrap_or(0.0));
    let inside = |of: &'a [f64]| of.get(LEAST_PERIODS..).unwrap_or_default();
    let (total, peak) = vectors::widest(Powers { residual: inside(residual), removed: inside(removed) });
    let peak = LEAST_PERIODS + peak?;
    let line = Line::at(residual, peak);
    // Ripple beside the line is no more the line's than it is of the total.
    let power: f64 = line.bins.clone().map(own).sum();
    if own(peak) <= 0.0 || line.to_noise < LINE_TO_NOISE || power < LEAST_SHARE * total {
        return None;
    }
    let strongest = line.position * bin_hz;
    // A wave rich in harmonics may have its strongest line above the fundamental.
    let fundamental = (2..=4).rev().find_map(|m| {
        let place = line.position / f64::from(m);
        if line.position - place < FUNDAMENTAL.0 {
            return None;
        }
        let k = place.round() as usize;
        let low =
            (k.saturating_sub(1)..=k + 1).filter(|&i| i >= LEAST_PERIODS).max_by(|&a, &b| own(a).total_cmp(&own(b)))?;
        let lower = Line::at(residual, low);
        (own(low) > 0.0 && lower.to_noise > LINE_TO_NOISE && lower.power > FUNDAMENTAL.1 * line.power)
            .then_some(strongest / f64::from(m))
    });
    Some(fundamental.unwrap_or(strongest))
}

/// Power of a bin that may be the circuit's own.
#[inline(always)]
fn own_power(left: f64, taken: f64) -> f64 {
    if left > RIPPLE_LEFT * taken { left } else { 0.0 }
}

/// Sum of the bins' own power, and the strongest of them, of equals the last; nothing need have been removed.
struct Powers<'a> {
    residual: &'a [f64],
    removed: &'a [f64],
}

impl Work for Powers<'_> {
    type Output = (f64, Option<usize>);
    #[inline(always)]
    fn call(self) -> Self::Output {
        let Self { residual, removed } = self;
        let nothing = [0.0; LANES];
        // The places are numbers as well: what is compared and what is chosen have one width then.
        let (mut sum, mut most, mut at) = ([0.0; LANES], [0.0; LANES], [-1.0; LANES]);
        let (sets, rest) = residual.as_chunks::<LANES>();
        let taken = removed.as_chunks::<LANES>().0;
        let mut place: [f64; LANES] = std::array::from_fn(|lane| lane as f64);
        for (k, set) in sets.iter().enumerate() {
            let taken = taken.get(k).unwrap_or(&nothing);
            for lane in 0..LANES {
                let own = own_power(set[lane], taken[lane]);
                sum[lane] += own;
                let higher = own >= most[lane];
                most[lane] = if higher { own } else { most[lane] };
                at[lane] = if higher { place[lane] } else { at[lane] };
                place[lane] += LANES as f64;
            }
        }
        let mut best = (0.0, -1.0);
        for candidate in most.into_iter().zip(at) {
            best = if candidate > best { candidate } else { best };
        }
        let mut total: f64 = sum.iter().sum();
        let last = removed.get(residual.len() - rest.len()..).unwrap_or_default();
        let last = last.iter().copied().chain(std::iter::repeat(0.0));
        for (k, (left, taken)) in (residual.len() - rest.len()..).zip(rest.iter().zip(last)) {
            let own = own_power(*left, taken);
            total += own;
            best = if own >= best.0 { (own, k as f64) } else { best };
        }
        (total, (best.1 >= 0.0).then_some(best.1 as usize))
    }
}

/// Peak amplitude of a steady tone that [`own_frequency_hz`] would find in a residual of this power, volts: it must
/// stand [`LINE_TO_NOISE`] above the noise in its bin and hold [`LEAST_SHARE`] of all that is left. The noise is that
/// of the noisiest thirty-second of the band, so that the limit holds wherever the tone lies.
pub(super) fn detection_limit_v(residual: &[f64]) -> f64 {
    let inside = residual.get(LEAST_PERIODS..).unwrap_or_default();
    let noise = inside
        .chunks(inside.len().div_ceil(32).max(1))
        .map(|part| super::transfer::noise_level(part, 0.3))
        .fold(0.0, f64::max);
    let share = LEAST_SHARE / (1.0 - LEAST_SHARE) * noise * inside.len() as f64;
    // A tone's power lies on about 1.5 bins of a Hann window, two thirds of it on the strongest.
    (2.0 * (1.5 * LINE_TO_NOISE * noise).max(share)).sqrt()
}

struct Line {
    /// Position in bins.
    position: f64,
    /// Bins that hold it.
    bins: std::ops::RangeInclusive<usize>,
    power: f64,
    to_noise: f64,
}

impl Line {
    fn at(power: &[f64], peak: usize) -> Self {
        let reach = ((0.01 * peak as f64) as usize).max(2);
        let (low, high) = (peak.saturating_sub(reach).max(1), (peak + reach).min(power.len() - 1));
        let far = power.get(peak.saturating_sub(32 + reach).max(1)..(peak + 32 + reach).min(power.len()));
        let mut around = far.unwrap_or_default().to_vec();
        around.sort_unstable_by(f64::total_cmp);
        let noise = around.get(around.len() * 3 / 10).map_or(0.0, |v| v / 0.357).max(f64::MIN_POSITIVE);
        let sum: f64 = power[low..=high].iter().sum();
        let core: f64 = power[peak.saturating_sub(1)..=(peak + 1).min(power.len() - 1)].iter().sum();
        let position = if core > 0.8 * sum { hann_peak(power, peak) } else { centroid(power, low, high) };
        Self { position, bins: low..=high, power: sum, to_noise: power[peak] / noise }
    }
}

/// Exact for one stationary line under a Hann window: with the amplitude ratio `r` of the larger neighbour to the
/// peak, the line lies `(2 r - 1) / (r + 1)` bins towards the neighbour.
fn hann_peak(power: &[f64], peak: usize) -> f64 {
    let (below, above) = (power[peak.saturating_sub(1)], power.get(peak + 1).copied().unwrap_or(0.0));
    let r = (below.max(above) / power[peak]).sqrt();
    let offset = (2.0 * r - 1.0) / (r + 1.0);
    peak as f64 + if above >= below { offset } else { -offset }
}

fn centroid(power: &[f64], low: usize, high: usize) -> f64 {
    let sum: f64 = power[low..=high].iter().sum();
    (low..=high).map(|k| k as f64 * power[k]).sum::<f64>() / sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Coupling, Role};

    #[test]
    fn delays_beyond_any_record_read_its_ends() {
        let samples: Vec<f64> = (0..100).map(f64::from).collect();
        let trace = Trace::from_f64(samples, 1e300, Coupling::Dc, Role::ChargingPost).unwrap();
        // 500 us of a record at 1e300 samples a second: its first value, held; as far ahead its last.
        for (delay_samples, value) in [(5e296, 0.0), (-1e296, 99.0), (1e4, 0.0)] {
            for path in [Path::Delay, Path::InterpolatedDelay] {
                let mut out = [f64::NAN; 100];
                DelayFilter::new(path, delay_samples).run(&trace, 0, 0.0, &mut out);
                // Taps of single precision sum to 1 within some of its rounding.
                assert!(out.iter().all(|v| (v - value).abs() < 1e-4), "{path:?}, {delay_samples}: {out:?}");
            }
        }
    }

    #[test]
    fn ripple_beside_a_line_is_none_of_its_power() {
        // A line that the speed's wander spreads over 11 bins is taken out but for a third; between two of them the supply had
        // a gap where the circuit had none.
        let noise = |k: usize| 1e-9 * (1.5 + (k as f64 * 0.7).sin());
        let residual = |in_gap: f64| {
            let at = |k: usize| match k {
                1005 => in_gap,
                1000..=1010 => 0.3e-4,
                _ => noise(k),
            };
            (0..4000).map(at).collect::<Vec<f64>>()
        };
        let removed: Vec<f64> = (0..4000).map(|k| if (1000..=1010).contains(&k) { 1e-4 } else { 0.0 }).collect();
        let gap = |k: usize| if k == 1005 { 1e-9 } else { removed[k] };
        let removed: Vec<f64> = (0..4000).map(gap).collect();
        // 4000 bins of noise hold 6e-6: the gap's 1e-6 is no fifth of the total, the ripple's 3e-4 beside it would be.
        assert_eq!(own_frequency_hz(&residual(1e-6), &removed, 1.0), None);
        // A wheel there is one.
        let hz = own_frequency_hz(&residual(1e-3), &removed, 1.0);
        assert!(hz.is_some_and(|hz| (hz - 1005.0).abs() < 1.0), "{hz:?}");
    }
}
