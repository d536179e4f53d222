//! Transform plans and windows, made once in a thread and kept for the captures that follow.

use realfft::{ComplexToReal, FftNum, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};
use std::cell::RefCell;
use std::f64::consts::PI;
use std::rc::Rc;
use std::sync::Arc;

/// Lengths kept, in samples together: beyond it all are made anew. A plan holds about 24 bytes a sample.
const MOST_KEPT: usize = 1 << 19;

/// What was made for each length, kept for the next time.
///
/// Each length has a planner of its own: one that has planned others would start from their parts where it can, and the
/// last bits of a transform would depend on what the thread examined before.
struct Kept<P>(Vec<(usize, P)>);

impl<P> Default for Kept<P> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<P> Kept<P> {
    fn planned(&self) -> usize {
        self.0.iter().map(|(length, _)| length).sum()
    }

    /// What is kept for that length, or what `make` makes.
    fn at(&mut self, length: usize, make: impl FnOnce() -> P) -> &mut P {
        let place = self.0.iter().position(|(planned, _)| *planned == length).unwrap_or_else(|| {
            if self.planned() + length > MOST_KEPT {
                self.0.clear();
            }
            self.0.push((length, make()));
            self.0.len() - 1
        });
        &mut self.0[place].1
    }
}

#[derive(Default)]
struct Plans {
    planners: Kept<RealFftPlanner<f64>>,
    complex: Kept<Arc<dyn Fft<f64>>>,
    complex_single: Kept<Arc<dyn Fft<f32>>>,
    windows: Vec<Rc<[f64]>>,
}

thread_local! {
    static PLANS: RefCell<Plans> = RefCell::default();
}

impl Plans {
    fn window(&mut self, length: usize) -> Rc<[f64]> {
        if let Some(found) = self.windows.iter().find(|w| w.len() == length) {
            return found.clone();
        }
        if self.windows.iter().map(|w| w.len()).sum::<usize>() + length > MOST_KEPT {
            self.windows.clear();
        }
        let window: Rc<[f64]> = (0..length).map(|i| 0.5 - 0.5 * (2.0 * PI * i as f64 / length as f64).cos()).collect();
        self.windows.push(window.clone());
        window
    }
}

/// Plan of a transform from `length` real samples.
pub(crate) fn forward(length: usize) -> Arc<dyn RealToComplex<f64>> {
    PLANS.with_borrow_mut(|p| p.planners.at(length, RealFftPlanner::new).plan_fft_forward(length))
}

/// Plan of a transform back to `length` real samples.
pub(crate) fn inverse(length: usize) -> Arc<dyn ComplexToReal<f64>> {
    PLANS.with_borrow_mut(|p| p.planners.at(length, RealFftPlanner::new).plan_fft_inverse(length))
}

fn plan<T: FftNum>(length: usize) -> Arc<dyn Fft<T>> {
    FftPlanner::new().plan_fft_forward(length)
}

/// Plan of a transform of `length` complex values.
pub(crate) fn complex(length: usize) -> Arc<dyn Fft<f64>> {
    PLANS.with_borrow_mut(|p| p.complex.at(length, || plan(length)).clone())
}

/// Plan of a transform of `length` complex values in single precision.
pub(crate) fn complex_single(length: usize) -> Arc<dyn Fft<f32>> {
    PLANS.with_borrow_mut(|p| p.complex_single.at(length, || plan(length)).clone())
}

/// Periodic Hann window.
pub(crate) fn hann(length: usize) -> Rc<[f64]> {
    PLANS.with_borrow_mut(|p| p.window(length))
}

/// Even numbers of the form 2^a 3^b 5^c up to `limit`, lengths that a Fourier transform likes, in no order.
fn smooth_lengths(limit: usize) -> impl Iterator<Item = usize> {
    let times = move |factor: usize| move |n: &usize| n.checked_mul(factor).filter(|n| *n <= limit);
    let fives = std::iter::successors(Some(2), times(5));
    fives
        .flat_map(move |n| std::iter::successors(Some(n), times(3)))
        .flat_map(move |n| std::iter::successors(Some(n), times(2)))
}

/// The longest smooth length not above `limit` (2 or more).
pub(crate) fn smooth_length(limit: usize) -> usize {
    smooth_lengths(limit).max().unwrap_or(2)
}

/// The shortest smooth length not below `least`.
pub(crate) fn smooth_length_from(least: usize) -> usize {
    smooth_lengths(2 * least.max(1)).filter(|n| *n >= least).min().unwrap_or(2 * least)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_enclose_the_one_asked_for() {
        for (asked, below, above) in
            [(2, 2, 2), (7, 6, 8), (97, 96, 100), (100_000, 100_000, 100_000), (131_073, 131_072, 131_220)]
        {
            assert_eq!((smooth_length(asked), smooth_length_from(asked)), (below, above), "{asked}");
        }
    }

    #[test]
    fn what_was_planned_before_moves_no_bit() {
        let lengths: Vec<usize> = smooth_lengths(20_000).filter(|n| *n > 500).collect();
        let transform = |length: usize| {
            let plan = forward(length);
            let (mut samples, mut lines) = (plan.make_input_vec(), plan.make_output_vec());
            samples.iter_mut().enumerate().for_each(|(i, x)| *x = ((i * i) as f64 * 0.37).sin());
            plan.process(&mut samples, &mut lines).unwrap();
            lines
        };
        for &length in &lengths {
            transform(length);
        }
        for &length in &lengths {
            let alone = std::thread::spawn(move || transform(length)).join().unwrap();
            assert_eq!(transform(length), alone, "{length}");
        }
    }

    #[test]
    fn many_lengths_are_not_all_kept() {
        for length in (2000..400_000).step_by(20_000) {
            assert_eq!(forward(length).len(), length);
            assert_eq!(hann(length).len(), length);
        }
        PLANS.with_borrow(|p| {
            assert!(p.planners.planned() <= MOST_KEPT && p.windows.iter().map(|w| w.len()).sum::<usize>() <= MOST_KEPT);
        });
    }
}
