//! First-order filters, exact for an input that runs straight between its samples.
//!
//! With y' = (x - y) / tau and x linear over a step h, the step is closed:
//! y1 = y0 + k (x0 - y0) + w (x1 - x0), k = 1 - exp(-h / tau), w = 1 - k tau / h (the first-order-hold equivalent):
//! no bilinear warping, stable for any h / tau.
//!
//! What preceded the record is stated by `repeat`: its first `repeat` points are taken to have come again and again
//! before it (whole cycles of a steady ripple), so that filters and delays start settled. 0: the first value held.

use std::f64::consts::TAU;

/// Low-pass of first order; the high-pass is the input minus it.
#[derive(Debug, Clone, Copy)]
struct FirstOrder {
    toward: f64,
    ahead: f64,
    input: f64,
    output: f64,
}

impl FirstOrder {
    /// A low-pass over `x`, settled on what preceded it.
    fn settled(x: &[f64], corner_hz: f64, rate_hz: f64, repeat: usize) -> Self {
        let lag = rate_hz / (TAU * corner_hz);
        let toward = -libm::expm1(-1.0 / lag);
        // The difference cancels for a slow filter; its series is exact there to 1e-13.
        let ahead = if lag > 1e4 { (0.5 - 1.0 / (6.0 * lag)) / lag } else { 1.0 - toward * lag };
        let repeat = repeat.min(x.len());
        let input = x.get(repeat.saturating_sub(1)).copied().unwrap_or(0.0);
        let mut filter = Self { toward, ahead, input, output: input };
        if repeat > 0 {
            // One period maps the state y to a y + b; its fixed point is the settled state.
            x[..repeat].iter().for_each(|v| {
                filter.step(*v);
            });
            #[allow(clippy::cast_precision_loss, reason = "a count of points")]
            let forgotten = -libm::expm1(-(repeat as f64) / lag);
            filter.output = input + (filter.output - input) / forgotten;
        }
        filter
    }

    /// The output at the next sample.
    fn step(&mut self, x: f64) -> f64 {
        self.output += self.toward * (self.input - self.output) + self.ahead * (x - self.input);
        self.input = x;
        self.output
    }
}

/// Low-pass over a whole record.
pub(crate) fn low_pass(x: &mut [f64], corner_hz: f64, rate_hz: f64, repeat: usize) {
    let mut filter = FirstOrder::settled(x, corner_hz, rate_hz, repeat);
    x.iter_mut().for_each(|v| *v = filter.step(*v));
}

/// High-pass over a whole record.
pub(crate) fn high_pass(x: &mut [f64], corner_hz: f64, rate_hz: f64, repeat: usize) {
    let mut filter = FirstOrder::settled(x, corner_hz, rate_hz, repeat);
    x.iter_mut().for_each(|v| *v -= filter.step(*v));
}

/// The record `shift` points later (fractions of a point by straight lines).
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "delays are checked to be 0 or more")]
pub(crate) fn delayed(x: &[f64], shift: f64, repeat: usize) -> Vec<f64> {
    let whole = libm::floor(shift);
    let fraction = shift - whole;
    let whole = whole as usize;
    let before = |i: usize, back: usize| match i.checked_sub(back) {
        Some(at) => x[at],
        None if repeat == 0 => x[0],
        None => x[(repeat - 1) - (back - i - 1) % repeat],
    };
    (0..x.len())
        .map(|i| {
            let left = before(i, whole);
            left + fraction * (before(i, whole + 1) - left)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_lags_by_the_time_constant() {
        // y = x - tau m once the start has died out: exact for a ramp at any step.
        let rate = 1000.0;
        let mut x: Vec<f64> = (0..5000).map(|i| f64::from(i) / rate).collect();
        low_pass(&mut x, 2.0, rate, 0);
        let tau = 1.0 / (TAU * 2.0);
        assert!((x[4999] - (4.999 - tau)).abs() < 1e-12);
    }

    #[test]
    fn repeating_waves_are_settled_from_the_first_sample() {
        // 20 cycles of 1000 points repeat; |H| at f = f_c is sqrt(1/2), the phase lead of the high-pass pi/4.
        let (rate, f) = (1e6, 1000.0);
        let mut x: Vec<f64> = (0..20_000).map(|i| 14.0 + (TAU * f * f64::from(i) / rate).sin()).collect();
        high_pass(&mut x, f, rate, 20_000);
        for (i, v) in x.iter().enumerate() {
            let law = 0.5_f64.sqrt() * (TAU * f * i as f64 / rate + TAU / 8.0).sin();
            // Straight lines between 1000 points a cycle: (2 pi / 1000)^2 / 12 = 3.3e-6.
            assert!((v - law).abs() < 1e-5, "{i}: {v} {law}");
        }
    }

    #[test]
    fn a_low_corner_settles_on_the_mean() {
        let mut x: Vec<f64> = (0..20_000).map(|i| 14.0 + (TAU * 0.001 * f64::from(i)).sin()).collect();
        low_pass(&mut x, 1e-3, 1e6, 20_000);
        // Ripple behind a corner a million times lower: 1e-6.
        assert!(x.iter().all(|v| (v - 14.0).abs() < 2e-6));
    }

    #[test]
    fn delay_shifts_and_interpolates() {
        let x: Vec<f64> = (0..10).map(f64::from).collect();
        let y = delayed(&x, 2.25, 0);
        assert!((y[9] - 6.75).abs() < 1e-15 && y[0] == 0.0);
        let y = delayed(&x, 13.0, 10);
        assert_eq!((y[0], y[2], y[3], y[9]), (7.0, 9.0, 0.0, 6.0));
    }
}
