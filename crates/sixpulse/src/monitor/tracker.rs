//! Follows the electrical cycle and reads its orders cycle by cycle, without allocating.
//!
//! Every channel is cut at the same boundaries of equal angle into [`POINTS`] means a cycle, as [`crate::angle`] does it
//! (means of the piecewise-linear interpolant between boundaries), and every cycle is transformed to its orders. The
//! supply's orders `a_n` are matched against the mean pattern `R_n` of the cycles before: the angle `phi` that maximises
//! `Re sum R_n* a_n exp(-i n phi)`, the least-squares estimate in white noise, by Newton's method from the angle predicted.
//!
//! The loop is an alpha-beta filter. Of the angle's innovation (what was not predicted) the part `alpha` moves the angle
//! and `beta = alpha^2 / (2 - alpha)` the frequency; the next cycle is cut shorter or longer to catch up. `alpha` is
//! the part of the innovation that is not noise, `1 - v_n / v` (Wiener), within limits: `v` is the innovation's variance and
//! `v_n` that of the angle by the noise of the orders, `sigma^2 / (2 sum n^2 |R_n|^2)`. An engine that turns unevenly is
//! followed from cycle to cycle where the ripple is clear; a ripple in noise is averaged over some ten cycles. Sums and
//! pattern take every cycle turned back by the angle it still has, again as far as that is not noise.

use crate::angle::highest_order;
use crate::cycle::{FEWEST_CYCLES, HIGHEST_ELECTRICAL_HZ, LOWEST_ELECTRICAL_HZ, ORDERS};
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use super::settings::HOPS;

/// Points of a cycle: four to a period of order 24.
const POINTS: usize = 4 * ORDERS;
/// Least and most of the innovation that moves the angle.
const LEAST_ALPHA: f64 = 0.2;
const MOST_ALPHA: f64 = 0.7;
/// Largest angle believed, radians of order 1: just less than half a pulse of order 6.
const LARGEST_ANGLE: f64 = 0.5;
/// Steps of Newton's method: from 0.3 rad of order 1 they leave less than 1e-6 rad where order 6 rules.
const NEWTON_STEPS: usize = 4;
/// Cycles over which the pattern is averaged, at most and at first.
const PATTERN_CYCLES: f64 = 32.0;
const FIRST_PATTERN_CYCLES: f64 = 8.0;
/// Smoothing of the two variances.
const VARIANCE_SHARE: f64 = 1.0 / 16.0;
/// Smoothing of the agreement, and the agreement below which the cycle is lost: 1 in lock, 0 for a stranger.
const AGREEMENT_SHARE: f64 = 1.0 / 24.0;
const LEAST_AGREEMENT: f64 = 0.3;

/// One channel cut into points.
#[derive(Debug, Clone)]
struct Lane {
    /// The last sample of the block before, then the block.
    samples: Vec<f64>,
    /// Integral of the interpolant from the block's begin (one sample before its first) to each of its samples.
    integral: Vec<f64>,
    /// The same integral at the last boundary; negative where that lies in an earlier block.
    base: f64,
    points: Vec<f64>,
    orders: [Complex64; ORDERS],
    /// Mean of the cycle before.
    mean: f64,
}

impl Lane {
    fn new(block: usize) -> Self {
        Self {
            samples: vec![0.0; block + 1],
            integral: vec![0.0; block + 1],
            base: 0.0,
            points: vec![0.0; POINTS],
            orders: [Complex64::ZERO; ORDERS],
            mean: 0.0,
        }
    }

    fn integrate(&mut self) {
        let mut sum = 0.0;
        for (out, pair) in self.integral[1..].iter_mut().zip(self.samples.windows(2)) {
            sum += 0.5 * (pair[0] + pair[1]);
            *out = sum;
        }
    }

    /// Integral up to a place between the samples; -1 is the last sample of the block before.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the block")]
    fn integral_at(&self, place: f64) -> f64 {
        let whole = (place + 1.0).floor();
        let (i, u) = (whole as usize, place + 1.0 - whole);
        match self.samples.get(i..i + 2) {
            Some(&[x, next]) => self.integral[i] + u * (x + 0.5 * u * (next - x)),
            _ => self.integral[self.integral.len() - 1],
        }
    }

    /// Means up to boundaries `range` of the cycle that began at `start`.
    fn cut(&mut self, range: std::ops::Range<usize>, start: f64, step: f64) {
        for k in range {
            let here = self.integral_at(start + k as f64 * step);
            self.points[k - 1] = (here - self.base) / step;
            self.base = here;
        }
    }

    fn end_block(&mut self) {
        let last = self.samples.len() - 1;
        self.base -= self.integral[last];
        self.samples[0] = self.samples[last];
    }
}

/// Transform of one cycle; the ramp that a moving level adds is taken out.
struct Transform {
    plan: Arc<dyn RealToComplex<f64>>,
    input: Vec<f64>,
    output: Vec<Complex64>,
    scratch: Vec<Complex64>,
    factors: [Complex64; ORDERS],
    /// Orders of a ramp that rises by 1 in a cycle.
    ramp: [Complex64; ORDERS],
}

impl std::fmt::Debug for Transform {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Transform").finish_non_exhaustive()
    }
}

impl Transform {
    fn new() -> Self {
        let plan = RealFftPlanner::<f64>::new().plan_fft_forward(POINTS);
        let mut factors = [Complex64::ZERO; ORDERS];
        for (i, f) in factors.iter_mut().enumerate() {
            // Peak amplitude, phase at the middle of the points, averaging over a point undone.
            let part = (i + 1) as f64 / POINTS as f64;
            *f = Complex64::from_polar(2.0 / (POINTS as f64 * sinc(part)), -PI * part);
        }
        let (input, output, scratch) = (plan.make_input_vec(), plan.make_output_vec(), plan.make_scratch_vec());
        let mut new = Self { plan, input, output, scratch, factors, ramp: [Complex64::ZERO; ORDERS] };
        let ramp: Vec<f64> = (0..POINTS).map(|k| (k as f64 + 0.5) / POINTS as f64).collect();
        let mut orders = [Complex64::ZERO; ORDERS];
        new.orders(&ramp, 0.0, &mut orders);
        new.ramp = orders;
        new
    }

    /// Orders of a cycle's points whose level rises by `rise` in it; the mean.
    fn orders(&mut self, points: &[f64], rise: f64, out: &mut [Complex64; ORDERS]) -> f64 {
        self.input.copy_from_slice(points);
        // Lengths are those the plan made: it cannot refuse them.
        let done = self.plan.process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch);
        debug_assert!(done.is_ok());
        for (((a, raw), f), ramp) in out.iter_mut().zip(&self.output[1..]).zip(&self.factors).zip(&self.ramp) {
            *a = raw * f - rise * ramp;
        }
        self.output[0].re / POINTS as f64
    }
}

/// Sums over the cycles that ended in one hop.
#[derive(Debug, Clone)]
struct Sums {
    cycles: f64,
    /// Angle that the ripple went through, cycles, and the samples it took.
    angle: f64,
    samples: f64,
    /// Orders of every lane, lane by lane.
    orders: Vec<Complex64>,
    /// Squared magnitudes of the supply's orders.
    squares: [f64; ORDERS],
}

impl Sums {
    fn new(lanes: usize) -> Self {
        let orders = vec![Complex64::ZERO; lanes * ORDERS];
        Self { cycles: 0.0, angle: 0.0, samples: 0.0, orders, squares: [0.0; ORDERS] }
    }

    fn clear(&mut self) {
        (self.cycles, self.angle, self.samples) = (0.0, 0.0, 0.0);
        self.orders.fill(Complex64::ZERO);
        self.squares = [0.0; ORDERS];
    }

    fn add(&mut self, other: &Self) {
        self.cycles += other.cycles;
        self.angle += other.angle;
        self.samples += other.samples;
        self.orders.iter_mut().zip(&other.orders).for_each(|(a, b)| *a += b);
        self.squares.iter_mut().zip(&other.squares).for_each(|(a, b)| *a += b);
    }
}

/// What became of the cycle in a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Followed {
    /// No cycle is followed.
    Idle,
    /// It is followed.
    Locked,
    /// It was, up to this block.
    Lost,
}

/// The loop.
#[derive(Debug)]
pub(super) struct Tracker {
    sample_rate_hz: f64,
    /// Frequency that the loop has arrived at, hertz; `None` while no cycle is followed.
    hz: Option<f64>,
    /// The next block is the first.
    fresh: bool,
    /// Begin of the cycle in samples from the block's first, samples a point, next boundary.
    start: f64,
    step: f64,
    next: usize,
    lanes: Vec<Lane>,
    transform: Transform,
    pattern: [Complex64; ORDERS],
    /// Cycles followed, up to [`PATTERN_CYCLES`].
    seen: f64,
    agreement: f64,
    /// Angle by which the newest cycle was turned back, that predicted for the next, and the variances that weigh them.
    lag: f64,
    predicted: f64,
    innovation_variance: f64,
    noise_variance: f64,
    hops: Vec<Sums>,
    hop: usize,
    total: Sums,
}

impl Tracker {
    /// `lanes` channels, the first of which is the supply.
    pub(super) fn new(lanes: usize, block: usize, sample_rate_hz: f64) -> Self {
        Self {
            sample_rate_hz,
            hz: None,
            fresh: true,
            start: 0.0,
            step: 1.0,
            next: 1,
            lanes: vec![Lane::new(block); lanes],
            transform: Transform::new(),
            pattern: [Complex64::ZERO; ORDERS],
            seen: 0.0,
            agreement: 1.0,
            lag: 0.0,
            predicted: 0.0,
            innovation_variance: 0.0,
            noise_variance: 0.0,
            hops: vec![Sums::new(lanes); HOPS],
            hop: 0,
            total: Sums::new(lanes),
        }
    }

    pub(super) fn bytes(&self) -> usize {
        let sums = size_of::<Sums>() + self.total.orders.len() * size_of::<Complex64>();
        let lanes = self.lanes.iter().map(|l| 8 * (2 * l.samples.len() + POINTS) + size_of::<Lane>()).sum::<usize>();
        (HOPS + 1) * sums + lanes
    }

    /// Where the samples of a lane's next block belong.
    pub(super) fn block_mut(&mut self, lane: usize) -> &mut [f64] {
        &mut self.lanes[lane].samples[1..]
    }

    pub(super) fn hz(&self) -> Option<f64> {
        self.hz
    }

    /// Begins to follow a cycle of that frequency with the next block; `None` follows none.
    pub(super) fn follow(&mut self, hz: Option<f64>) {
        let ends = LOWEST_ELECTRICAL_HZ..=HIGHEST_ELECTRICAL_HZ;
        self.hz = hz.filter(|f| ends.contains(f) && highest_order(self.sample_rate_hz, *f, ORDERS) > 0);
        self.fresh = true;
        self.seen = 0.0;
        self.agreement = 1.0;
        (self.lag, self.predicted, self.innovation_variance, self.noise_variance) = (0.0, 0.0, 0.0, 0.0);
        self.hop = 0;
        self.hops.iter_mut().for_each(Sums::clear);
        self.total.clear();
    }

    /// Takes in the block that was put in place with [`Tracker::block_mut`].
    pub(super) fn process(&mut self) -> Followed {
        let followed = self.hz.is_some();
        if followed {
            self.lanes.iter_mut().for_each(Lane::integrate);
            if self.fresh {
                self.begin();
            }
            self.cut();
        }
        self.start -= (self.lanes[0].samples.len() - 1) as f64;
        self.lanes.iter_mut().for_each(Lane::end_block);
        match (followed, self.hz) {
            (false, _) => Followed::Idle,
            (true, Some(_)) if self.agreement >= LEAST_AGREEMENT => Followed::Locked,
            (true, _) => {
                self.follow(None);
                Followed::Lost
            }
        }
    }

    /// A cycle begins at the block's first sample.
    fn begin(&mut self) {
        self.fresh = false;
        (self.start, self.next) = (0.0, 1);
        self.step = self.points_apart(0.0);
        for lane in &mut self.lanes {
            lane.base = lane.integral_at(0.0);
        }
    }

    /// Samples between two boundaries, of a cycle that is to make good an angle (radians of order 1).
    fn points_apart(&self, catch_up: f64) -> f64 {
        let hz = self.hz.unwrap_or(LOWEST_ELECTRICAL_HZ);
        self.sample_rate_hz / (POINTS as f64 * hz) * (1.0 - catch_up / TAU)
    }

    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to the points of a cycle")]
    fn cut(&mut self) {
        let last = (self.lanes[0].samples.len() - 2) as f64;
        while self.hz.is_some() {
            let reached = ((last - self.start) / self.step).floor().clamp(0.0, POINTS as f64) as usize;
            let range = self.next..(reached + 1).max(self.next);
            for lane in &mut self.lanes {
                lane.cut(range.clone(), self.start, self.step);
            }
            self.next = range.end;
            if self.next <= POINTS {
                return;
            }
            let samples = POINTS as f64 * self.step;
            let catch_up = self.finish(samples);
            self.start += samples;
            self.step = self.points_apart(catch_up);
            self.next = 1;
        }
    }

    /// Reads a whole cycle; returns the angle that the next one is to make good.
    fn finish(&mut self, samples: f64) -> f64 {
        for lane in &mut self.lanes {
            let begin = lane.mean;
            // How far the level rises is known from the second cycle on.
            let level = lane.points.iter().sum::<f64>() / POINTS as f64;
            let rise = if self.seen > 0.0 { level - begin } else { 0.0 };
            lane.mean = self.transform.orders(&lane.points, rise, &mut lane.orders);
        }
        let hz = self.hz.unwrap_or(LOWEST_ELECTRICAL_HZ);
        let used = highest_order(self.sample_rate_hz, hz, ORDERS);
        let innovation = self.angle(used) - self.predicted;
        let part = self.part(used, innovation);
        let lag = self.predicted + part * innovation;
        self.update_pattern(used, lag);
        self.add_cycle(samples, lag);
        self.lag = lag;
        self.seen = (self.seen + 1.0).min(PATTERN_CYCLES);
        let alpha = part.clamp(LEAST_ALPHA, MOST_ALPHA);
        let beta = alpha * alpha / (2.0 - alpha);
        let next_hz = hz * (1.0 + beta * innovation / TAU);
        self.hz = Some(next_hz).filter(|f| (LOWEST_ELECTRICAL_HZ..=HIGHEST_ELECTRICAL_HZ).contains(f));
        // By the end of the next cycle the loop has caught up; in its middle half of it is left.
        let catch_up = (alpha + 0.5 * beta) * innovation;
        self.predicted = 0.5 * catch_up;
        catch_up
    }

    /// The angle of the newest cycle against the pattern, and how well it agrees where it was predicted.
    fn angle(&mut self, used: usize) -> f64 {
        if self.seen == 0.0 {
            return 0.0;
        }
        let weight = weight(&self.pattern[..used]);
        let (_, along) = self.slope(used, self.predicted);
        // A single stray cycle is worth no more than one in lock.
        self.agreement += AGREEMENT_SHARE * ((along / weight).clamp(-1.0, 1.0) - self.agreement);
        let mut angle = self.predicted;
        for _ in 0..NEWTON_STEPS {
            let (across, along) = self.slope(used, angle);
            // Far from the summit its curvature says nothing: there the pattern's own is taken.
            angle += across / along.max(0.5 * weight);
        }
        angle.clamp(-LARGEST_ANGLE, LARGEST_ANGLE)
    }

    /// Slope of the match at an angle, and its curvature downwards.
    fn slope(&self, used: usize, angle: f64) -> (f64, f64) {
        let back = Complex64::cis(-angle);
        let mut turn = back;
        let (mut across, mut along, mut n) = (0.0, 0.0, 1.0);
        for (a, r) in self.lanes[0].orders.iter().zip(&self.pattern).take(used) {
            let product = r.conj() * a * turn;
            across += n * product.im;
            along += n * n * product.re;
            turn *= back;
            n += 1.0;
        }
        (across, along)
    }

    /// The part of the innovation that is not noise.
    fn part(&mut self, used: usize, innovation: f64) -> f64 {
        if self.seen == 0.0 {
            return 1.0;
        }
        let back = Complex64::cis(-self.predicted - innovation);
        let mut turn = back;
        let mut off = 0.0;
        for (a, r) in self.lanes[0].orders.iter().zip(&self.pattern).take(used) {
            off += (a * turn - r).norm_sqr();
            turn *= back;
        }
        let noise = off / (2.0 * used as f64 * weight(&self.pattern[..used]));
        let share = VARIANCE_SHARE.max(1.0 / self.seen);
        self.noise_variance += share * (noise - self.noise_variance);
        self.innovation_variance += share * (innovation * innovation - self.innovation_variance);
        if self.noise_variance < self.innovation_variance {
            1.0 - self.noise_variance / self.innovation_variance
        } else {
            0.0
        }
    }

    /// The newest cycle, turned back by its angle, moves the pattern; the pattern's own angle stays.
    fn update_pattern(&mut self, used: usize, angle: f64) {
        let share = if self.seen == 0.0 { 1.0 } else { 1.0 / (self.seen + FIRST_PATTERN_CYCLES).min(PATTERN_CYCLES) };
        let back = Complex64::cis(-angle);
        let mut turn = back;
        for (r, a) in self.pattern.iter_mut().zip(&self.lanes[0].orders).take(used) {
            *r += share * (a * turn - *r);
            turn *= back;
        }
    }

    fn add_cycle(&mut self, samples: f64, lag: f64) {
        let sums = &mut self.hops[self.hop];
        sums.cycles += 1.0;
        sums.angle += 1.0 + (lag - self.lag) / TAU;
        sums.samples += samples;
        let back = Complex64::cis(-lag);
        for (lane, out) in self.lanes.iter().zip(sums.orders.chunks_exact_mut(ORDERS)) {
            let mut turn = back;
            for (sum, a) in out.iter_mut().zip(&lane.orders) {
                *sum += a * turn;
                turn *= back;
            }
        }
        for (sum, a) in sums.squares.iter_mut().zip(&self.lanes[0].orders) {
            *sum += a.norm_sqr();
        }
    }

    /// Ends a hop: sums up the window, and makes room for the next hop.
    pub(super) fn end_hop(&mut self) -> Option<Window<'_>> {
        self.total.clear();
        for sums in &self.hops {
            self.total.add(sums);
        }
        self.hop = (self.hop + 1) % HOPS;
        self.hops[self.hop].clear();
        let hz = self.hz?;
        let total = &self.total;
        if total.cycles < FEWEST_CYCLES as f64 {
            return None;
        }
        let electrical_hz = total.angle * self.sample_rate_hz / total.samples;
        let used = highest_order(self.sample_rate_hz, electrical_hz.max(hz), ORDERS);
        Some(Window { sums: total, electrical_hz, latest_hz: hz, used, sample_rate_hz: self.sample_rate_hz })
    }
}

/// The cycles of the window.
pub(super) struct Window<'a> {
    sums: &'a Sums,
    /// Mean over the window, hertz.
    pub(super) electrical_hz: f64,
    /// What the loop has arrived at, hertz.
    pub(super) latest_hz: f64,
    /// Orders below 90 % of the Nyquist frequency.
    pub(super) used: usize,
    sample_rate_hz: f64,
}

impl Window<'_> {
    pub(super) fn cycles(&self) -> f64 {
        self.sums.cycles
    }

    /// Mean complex peak amplitude of order index `i` on a lane; what the interpolation took is put back.
    pub(super) fn order(&self, lane: usize, i: usize) -> Complex64 {
        self.sums.orders[lane * ORDERS + i] * (self.restore(i) / self.sums.cycles)
    }

    /// Standard uncertainty of the supply's order, from the scatter over the cycles.
    pub(super) fn order_std(&self, i: usize) -> f64 {
        let n = self.sums.cycles;
        let scatter = (self.sums.squares[i] / n - (self.sums.orders[i] / n).norm_sqr()).max(0.0);
        self.restore(i) * (scatter / (n - 1.0).max(1.0)).sqrt()
    }

    fn restore(&self, i: usize) -> f64 {
        sinc((i + 1) as f64 * self.electrical_hz / self.sample_rate_hz).powi(-2)
    }
}

/// `sum n^2 |R_n|^2`, above 0.
fn weight(pattern: &[Complex64]) -> f64 {
    let sum = pattern.iter().enumerate().map(|(i, r)| ((i + 1) * (i + 1)) as f64 * r.norm_sqr()).sum::<f64>();
    sum.max(f64::MIN_POSITIVE)
}

/// `sin(pi x) / (pi x)`.
fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 50_000.0;
    const BLOCK: usize = 200;

    /// Feeds `cycles(t)` of a pattern and returns the window after the last hop.
    fn fed(tracker: &mut Tracker, seconds: f64, value: impl Fn(f64) -> [f64; 2]) -> Option<(f64, f64, Vec<Complex64>)> {
        let (mut i, mut last) = (0usize, None);
        for block in 0..(seconds * RATE) as usize / BLOCK {
            for k in 0..BLOCK {
                let values = value(i as f64 / RATE);
                for (lane, v) in values.iter().enumerate() {
                    tracker.block_mut(lane)[k] = *v;
                }
                i += 1;
            }
            tracker.process();
            if block % 8 == 7 {
                last = tracker.end_hop().map(|w| {
                    let orders = (0..w.used).flat_map(|i| [w.order(0, i), w.order(1, i)]).collect();
                    (w.electrical_hz, w.latest_hz, orders)
                });
            }
        }
        last
    }

    fn ripple(cycles: f64) -> f64 {
        let th = TAU * cycles;
        0.5 * (th + 0.3).cos() + 0.2 * (2.0 * th - 1.0).cos() + 0.05 * (6.0 * th).cos() + 0.01 * (24.0 * th).cos()
    }

    #[test]
    fn orders_and_frequency_come_out_as_put_in() {
        let mut tracker = Tracker::new(2, BLOCK, RATE);
        // 2 % off: further than a judgement one hop old can be at 40 % a second.
        tracker.follow(Some(187.3 * 1.02));
        let (mean_hz, latest_hz, orders) =
            fed(&mut tracker, 1.5, |t| [14.0 + ripple(187.3 * t), 0.25 * ripple(187.3 * t)]).unwrap();
        assert!(
            (mean_hz / 187.3 - 1.0).abs() < 1e-6 && (latest_hz / 187.3 - 1.0).abs() < 1e-4,
            "{mean_hz} {latest_hz}"
        );
        for (n, expect) in [(1, 0.5), (2, 0.2), (3, 0.0), (6, 0.05), (12, 0.0), (24, 0.01)] {
            let (supply, circuit) = (orders[2 * n - 2], orders[2 * n - 1]);
            // Images of the linear interpolant, as in `angle`.
            assert!((supply.norm() - expect).abs() < 3e-4, "order {n}: {}", supply.norm());
            assert!((circuit - 0.25 * supply).norm() < 1e-9);
        }
    }

    #[test]
    fn a_speed_that_ramps_is_followed() {
        let mut tracker = Tracker::new(2, BLOCK, RATE);
        tracker.follow(Some(200.0));
        // 40 % in a second, then steady.
        let cycles = |t: f64| if t < 1.0 { 200.0 * t + 40.0 * t * t } else { 240.0 + 280.0 * (t - 1.0) };
        let found = |tracker: &mut Tracker, s| fed(tracker, s, |t| [ripple(cycles(t)), 0.0]);
        let (_, latest_hz, orders) = found(&mut tracker, 1.0).unwrap();
        // The loop lags by the cycles in which it settles, ten at most: 1.2 %.
        assert!((latest_hz / 280.0 - 1.0).abs() < 0.012, "{latest_hz}");
        assert!((orders[0].norm() / 0.5 - 1.0).abs() < 0.01, "{}", orders[0].norm());
        assert!((orders[10].norm() / 0.05 - 1.0).abs() < 0.05, "{}", orders[10].norm());
    }

    #[test]
    fn a_cycle_that_goes_is_lost() {
        let mut tracker = Tracker::new(1, BLOCK, RATE);
        tracker.follow(Some(150.0));
        let mut states = Vec::new();
        for block in 0..300 {
            for k in 0..BLOCK {
                let i = block * BLOCK + k;
                let t = i as f64 / RATE;
                let hiss = ((i.wrapping_mul(2_654_435_761)) % 1009) as f64 / 1009.0 - 0.5;
                tracker.block_mut(0)[k] = 0.05 * hiss + if t < 0.4 { ripple(150.0 * t) } else { 0.0 };
            }
            states.push(tracker.process());
        }
        assert_eq!(states[90], Followed::Locked);
        let lost = states.iter().position(|s| *s == Followed::Lost).unwrap();
        // 24 cycles of smoothing, times ln(1 / 0.3), are 29 cycles or 48 blocks.
        assert!((100..170).contains(&lost), "{lost}");
        assert_eq!((states[299], tracker.hz()), (Followed::Idle, None));
    }

    #[test]
    fn a_frequency_that_no_machine_has_is_not_followed() {
        let mut tracker = Tracker::new(1, BLOCK, RATE);
        for hz in [1.0, 5000.0] {
            tracker.follow(Some(hz));
            assert_eq!(tracker.hz(), None);
        }
    }
}
