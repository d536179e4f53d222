//! The angle domain: electrical angle over time, cycles resampled to equal angles, order amplitudes cycle by cycle.
//!
//! Speed wanders, so orders are read against the angle, not against time. A cycle is cut into equal angles and the
//! trace is averaged over each of them (the exact integral of its piecewise-linear interpolant). That is one pass
//! over the samples, needs no anti-alias filter for white noise, and its response is known in closed form:
//! order `n` comes out multiplied by `sinc(n / P) * sinc(n f / fs)^2` (P points a cycle, `sinc(x) = sin(pi x)/(pi x)`),
//! which [`order_spectra`] divides out.

use crate::error::{Error, Result};
use crate::trace::{Samples, for_each_block};
use ndarray::{Array2, ArrayView1, Axis};
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Electrical angle over a record: cycles at equally spaced knots, linear between them.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseTrack {
    step_s: f64,
    cycles: Vec<f64>,
}

impl PhaseTrack {
    /// A track from its knots: `cycles[i]` is the angle in cycles at `i * step_s`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a step that is not above 0 or an angle that does not grow from knot to knot;
    /// [`Error::TooShort`] for fewer than two knots; [`Error::NonFinite`].
    pub fn new(step_s: f64, cycles: Vec<f64>) -> Result<Self> {
        crate::error::check_positive("step_s", step_s)?;
        crate::error::check_samples("cycles", &cycles)?;
        if cycles.len() < 2 {
            return Err(Error::TooShort { parameter: "cycles".into(), minimum: 2, actual: cycles.len() });
        }
        match cycles.windows(2).find(|w| w[1] <= w[0]) {
            Some(w) => Err(Error::out_of_range("cycles", "an angle that grows from knot to knot", w[1] - w[0])),
            None => Ok(Self { step_s, cycles }),
        }
    }

    /// A constant frequency over a record of `duration_s`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless both are finite and above 0.
    pub fn constant(frequency_hz: f64, duration_s: f64) -> Result<Self> {
        crate::error::check_positive("frequency_hz", frequency_hz)?;
        Self::new(duration_s, vec![0.0, frequency_hz * duration_s])
    }

    /// Seconds between knots.
    #[must_use]
    pub fn step_s(&self) -> f64 {
        self.step_s
    }
    /// The angle at the knots, in cycles.
    #[must_use]
    pub fn knots(&self) -> &[f64] {
        &self.cycles
    }
    /// Time of the last knot, seconds.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        (self.cycles.len() - 1) as f64 * self.step_s
    }
    /// Mean frequency over the track, hertz.
    #[must_use]
    pub fn mean_hz(&self) -> f64 {
        (self.last() - self.cycles[0]) / self.duration_s()
    }
    fn last(&self) -> f64 {
        self.cycles[self.cycles.len() - 1]
    }

    /// Angle in cycles at a time; the end pieces go on in a straight line outside the track.
    #[must_use]
    pub fn cycles_at(&self, time_s: f64) -> f64 {
        let position = time_s / self.step_s;
        let i = self.segment(position.floor());
        self.cycles[i] + (position - i as f64) * (self.cycles[i + 1] - self.cycles[i])
    }

    /// Frequency in hertz at a time.
    #[must_use]
    pub fn hz_at(&self, time_s: f64) -> f64 {
        let i = self.segment((time_s / self.step_s).floor());
        (self.cycles[i + 1] - self.cycles[i]) / self.step_s
    }

    /// Time in seconds at which the angle is reached.
    #[must_use]
    pub fn time_at(&self, cycles: f64) -> f64 {
        let after = self.cycles.partition_point(|&c| c <= cycles);
        self.time_in_segment(after.saturating_sub(1).min(self.cycles.len() - 2), cycles)
    }

    fn time_in_segment(&self, i: usize, cycles: f64) -> f64 {
        let (a, b) = (self.cycles[i], self.cycles[i + 1]);
        (i as f64 + (cycles - a) / (b - a)) * self.step_s
    }

    fn segment(&self, index: f64) -> usize {
        index.clamp(0.0, (self.cycles.len() - 2) as f64) as usize
    }

    /// The same track with the angle multiplied by `factor` (1/6: from the ripple's line to the electrical cycle).
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless `factor` is finite and above 0.
    pub fn scaled(&self, factor: f64) -> Result<Self> {
        crate::error::check_positive("factor", factor)?;
        Self::new(self.step_s, self.cycles.iter().map(|c| c * factor).collect())
    }

    /// First whole cycle of the track and the number of whole cycles.
    #[must_use]
    pub fn whole_cycles(&self) -> (f64, usize) {
        // A cycle that ends on the last knot belongs to the record; rounding must not lose it.
        let first = (self.cycles[0] - 1e-9).ceil();
        let count = (self.last() + 1e-9).floor() - first;
        (first, if count > 0.0 { count as usize } else { 0 })
    }
}

/// Yields the times of a growing sequence of angles in constant time each.
struct TimeCursor<'a> {
    track: &'a PhaseTrack,
    segment: usize,
}

impl TimeCursor<'_> {
    fn time_at(&mut self, cycles: f64) -> f64 {
        let knots = &self.track.cycles;
        while self.segment + 2 < knots.len() && knots[self.segment + 1] < cycles {
            self.segment += 1;
        }
        self.track.time_in_segment(self.segment, cycles)
    }
}

/// Resamples whole cycles to `points_per_cycle` equal angles: row = cycle, column `k` = mean over the angle from
/// `k` to `k + 1` points.
///
/// # Errors
/// [`Error::OutOfRange`] for fewer than 2 points a cycle or a rate that is not above 0; [`Error::TooShort`] when the
/// track holds no whole cycle inside the record.
pub fn cycles<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: &PhaseTrack,
    points_per_cycle: usize,
) -> Result<Array2<f64>> {
    crate::error::check_positive("sample_rate_hz", sample_rate_hz)?;
    if points_per_cycle < 2 {
        return Err(Error::out_of_range("points_per_cycle", "2 or more", points_per_cycle as f64));
    }
    let last_s = (samples.len().saturating_sub(1)) as f64 / sample_rate_hz;
    let (first, mut count) = track.whole_cycles();
    while count > 0 && track.time_at(first + count as f64) > last_s + 1e-12 {
        count -= 1;
    }
    if count == 0 {
        return Err(Error::TooShort {
            parameter: "samples".into(),
            minimum: (sample_rate_hz / track.mean_hz()).ceil() as usize + 1,
            actual: samples.len(),
        });
    }
    let means = bin_means(samples, sample_rate_hz, track, first, count, points_per_cycle);
    Array2::from_shape_vec((count, points_per_cycle), means)
        .map_err(|e| Error::Undetermined { parameter: "samples".into(), reason: e.to_string() })
}

/// Means of the piecewise-linear interpolant between consecutive angle boundaries.
fn bin_means<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: &PhaseTrack,
    first: f64,
    count: usize,
    points: usize,
) -> Vec<f64> {
    let boundaries = count * points;
    let boundary = |k: usize| first + k as f64 / points as f64;
    let mut cursor = TimeCursor { track, segment: 0 };
    let mut means = Vec::with_capacity(boundaries);
    // `integral` runs from the first sample to `previous`, in units of sample intervals.
    let (mut integral, mut previous, mut have_previous) = (0.0, 0.0, false);
    let mut next = 0;
    let mut next_at = cursor.time_at(boundary(0)) * sample_rate_hz;
    let (mut last_integral, mut last_at) = (0.0, 0.0);
    for_each_block(samples, |start, block| {
        for (offset, &x) in block.iter().enumerate() {
            let index = (start + offset) as f64;
            if have_previous {
                while next <= boundaries && next_at <= index {
                    let u = next_at - (index - 1.0);
                    let here = integral + u * (previous + 0.5 * u * (x - previous));
                    if next > 0 {
                        means.push((here - last_integral) / (next_at - last_at));
                    }
                    (last_integral, last_at) = (here, next_at);
                    next += 1;
                    next_at = cursor.time_at(boundary(next)) * sample_rate_hz;
                }
                integral += 0.5 * (previous + x);
            }
            (previous, have_previous) = (x, true);
        }
    });
    // A boundary on the very last sample can round past it; its mean then ends at the last sample.
    while means.len() < boundaries {
        let at = next_at.min((samples.len() - 1) as f64).max(last_at + 1e-9);
        means.push((integral - last_integral) / (at - last_at));
        (last_integral, last_at) = (integral, at);
    }
    means
}

/// `sin(pi x) / (pi x)`.
fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Order amplitudes of every cycle: order `n` of a cycle is `Re(a exp(i n theta))`, `a` the complex peak amplitude.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderSpectra {
    /// Row = cycle, column `n - 1` = order `n`.
    pub cycles: Array2<Complex64>,
    /// Mean over the cycles, order by order.
    pub mean: Vec<Complex64>,
    /// Standard deviation of one cycle's complex amplitude about the mean (both parts together).
    pub scatter: Vec<f64>,
    /// Mean frequency of order 1 over the cycles used, hertz.
    pub mean_hz: f64,
}

impl OrderSpectra {
    /// Standard uncertainty of the mean's complex amplitude at order index `i`: `scatter / sqrt(cycles)`.
    #[must_use]
    pub fn mean_std(&self, i: usize) -> f64 {
        self.scatter[i] / (self.cycles.nrows() as f64).sqrt()
    }

    /// The same spectra with a known response, by frequency in hertz, divided out of every order.
    #[must_use]
    pub fn divided_by(&self, response: impl Fn(f64) -> Complex64) -> Self {
        let mut out = self.clone();
        for i in 0..out.mean.len() {
            let factor = response((i + 1) as f64 * self.mean_hz).inv();
            out.mean[i] *= factor;
            out.scatter[i] *= factor.norm();
            out.cycles.column_mut(i).mapv_inplace(|a| a * factor);
        }
        out
    }
}

/// Highest order whose frequency stays below 90 % of the Nyquist frequency, at most `limit`.
#[must_use]
pub fn highest_order(sample_rate_hz: f64, electrical_hz: f64, limit: usize) -> usize {
    ((0.45 * sample_rate_hz / electrical_hz).floor() as usize).min(limit)
}

/// Order amplitudes 1 to `orders` of every whole cycle of the track.
///
/// Orders above 90 % of the Nyquist frequency at the fastest cycle are left out.
///
/// # Errors
/// As [`cycles`]; [`Error::OutOfRange`] when not even order 1 lies below the limit.
pub fn order_spectra<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: &PhaseTrack,
    orders: usize,
) -> Result<OrderSpectra> {
    let points = (4 * orders).max(32);
    let grid = cycles(samples, sample_rate_hz, track, points)?;
    spectra_of_cycles(&grid, sample_rate_hz, track, orders)
}

/// Order amplitudes of cycles that [`cycles`] cut.
///
/// # Errors
/// [`Error::OutOfRange`] when not even order 1 lies below 90 % of the Nyquist frequency, or when `orders` is more
/// than a third of the points of a cycle.
pub fn spectra_of_cycles(
    grid: &Array2<f64>,
    sample_rate_hz: f64,
    track: &PhaseTrack,
    orders: usize,
) -> Result<OrderSpectra> {
    let (count, points) = grid.dim();
    if 3 * orders > points {
        return Err(Error::out_of_range("orders", "at most a third of the points of a cycle", orders as f64));
    }
    let first = track.whole_cycles().0;
    let times: Vec<f64> = (0..=count).map(|j| track.time_at(first + j as f64)).collect();
    let fastest = times.windows(2).map(|w| 1.0 / (w[1] - w[0])).fold(0.0, f64::max);
    let orders = highest_order(sample_rate_hz, fastest, orders);
    if orders == 0 {
        return Err(Error::AboveNyquist {
            parameter: "track".into(),
            nyquist_hz: 0.5 * sample_rate_hz,
            frequency_hz: fastest,
        });
    }
    let mut amplitudes = Array2::zeros((count, orders));
    let mut fft = CycleTransform::new(points, orders);
    for (j, (row, mut out)) in grid.axis_iter(Axis(0)).zip(amplitudes.axis_iter_mut(Axis(0))).enumerate() {
        let relative = 1.0 / ((times[j + 1] - times[j]) * sample_rate_hz);
        for (n, (a, raw)) in out.iter_mut().zip(fft.orders(row)?).enumerate() {
            *a = *raw / sinc((n + 1) as f64 * relative).powi(2);
        }
    }
    Ok(summarise(amplitudes, count as f64 / (times[count] - times[0])))
}

fn summarise(amplitudes: Array2<Complex64>, mean_hz: f64) -> OrderSpectra {
    let count = amplitudes.nrows() as f64;
    let mean: Vec<Complex64> = amplitudes.axis_iter(Axis(1)).map(|c| c.sum() / count).collect();
    let scatter = amplitudes
        .axis_iter(Axis(1))
        .zip(&mean)
        .map(|(c, m)| (c.iter().map(|a| (a - m).norm_sqr()).sum::<f64>() / (count - 1.0).max(1.0)).sqrt())
        .collect();
    OrderSpectra { cycles: amplitudes, mean, scatter, mean_hz }
}

/// Plan and scratch for the transform of one cycle.
struct CycleTransform {
    plan: std::sync::Arc<dyn realfft::RealToComplex<f64>>,
    input: Vec<f64>,
    output: Vec<Complex64>,
    scratch: Vec<Complex64>,
    /// Per order: scale to peak amplitude, turn to the middle of the points, undo the averaging over a point.
    factors: Vec<Complex64>,
}

impl CycleTransform {
    fn new(points: usize, orders: usize) -> Self {
        let plan = RealFftPlanner::<f64>::new().plan_fft_forward(points);
        let factors = (1..=orders)
            .map(|n| {
                let part = n as f64 / points as f64;
                Complex64::from_polar(2.0 / (points as f64 * sinc(part)), -PI * part)
            })
            .collect();
        Self {
            input: plan.make_input_vec(),
            output: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
            factors,
        }
    }

    fn orders(&mut self, row: ArrayView1<'_, f64>) -> Result<&[Complex64]> {
        for (y, x) in self.input.iter_mut().zip(row) {
            *y = *x;
        }
        self.plan
            .process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch)
            .map_err(|e| Error::Undetermined { parameter: "samples".into(), reason: e.to_string() })?;
        let used = self.factors.len() + 1;
        for (a, f) in self.output[1..used].iter_mut().zip(&self.factors) {
            *a *= f;
        }
        Ok(&self.output[1..used])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 40 % ramp with firing irregularity; orders 1, 6 and 24 of known amplitude and phase.
    fn ramp() -> (Vec<f64>, f64, PhaseTrack) {
        let fs = 50_000.0;
        let cycles = |t: f64| 180.0 * t + 100.0 * t * t + 0.05 * (2.0 * PI * 30.0 * t).sin();
        let x = (0..15_000)
            .map(|i| {
                let th = 2.0 * PI * cycles(f64::from(i) / fs);
                0.5 * (th + 0.3).cos() + 0.1 * (6.0 * th - 1.0).cos() + 0.02 * (24.0 * th + 2.0).cos()
            })
            .collect();
        let step = 1e-4;
        let track = PhaseTrack::new(step, (0..=3000).map(|i| cycles(f64::from(i) * step)).collect()).unwrap();
        (x, fs, track)
    }

    #[test]
    fn orders_of_a_ramp_come_out_as_put_in() {
        let (x, fs, track) = ramp();
        let s = order_spectra(&x[..], fs, &track, 24).unwrap();
        let expect = [(1, 0.5, 0.3), (6, 0.1, -1.0), (24, 0.02, 2.0), (2, 0.0, 0.0), (12, 0.0, 0.0)];
        for (n, amplitude, phase) in expect {
            let got = s.mean[n - 1];
            // Images of the linear interpolant beat through a cycle; averaged over 63 cycles they leave 2e-4.
            assert!((got - Complex64::from_polar(amplitude, phase)).norm() < 4e-4, "order {n}: {got}");
        }
    }

    #[test]
    fn time_and_angle_are_inverse() {
        let (_, _, track) = ramp();
        for c in [0.0, 0.37, 11.0, 50.5] {
            assert!((track.cycles_at(track.time_at(c)) - c).abs() < 1e-9);
        }
    }

    #[test]
    fn a_track_must_grow() {
        assert_eq!(PhaseTrack::new(1.0, vec![0.0, 0.0]).unwrap_err().code(), "out_of_range");
        assert_eq!(PhaseTrack::new(1.0, vec![0.0]).unwrap_err().code(), "too_short");
        assert_eq!(PhaseTrack::new(0.0, vec![0.0, 1.0]).unwrap_err().code(), "out_of_range");
    }

    #[test]
    fn a_record_shorter_than_a_cycle_is_too_short() {
        let track = PhaseTrack::constant(10.0, 0.05).unwrap();
        assert_eq!(cycles(&[0.0; 50][..], 1000.0, &track, 16).unwrap_err().code(), "too_short");
    }
}
