//! Plans of transforms, made once for each thread and length.

use realfft::{RealFftPlanner, RealToComplex};
use std::cell::RefCell;
use std::sync::Arc;

thread_local! {
    static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
}

/// Forward transform of `length` real values.
pub(crate) fn real_forward(length: usize) -> Arc<dyn RealToComplex<f64>> {
    PLANNER.with_borrow_mut(|planner| planner.plan_fft_forward(length))
}
