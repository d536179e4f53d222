//! Buffers for what is read block by block, kept by the thread: on a short record zeroing them anew for every reader
//! would cost a tenth of the examination.

use std::cell::Cell;

/// Buffers kept: as many as readers stand within one another.
const MOST_KEPT: usize = 6;
/// Values of a buffer that is kept, at most.
const LONGEST_KEPT: usize = 1 << 14;

thread_local! {
    static KEPT: Cell<Vec<Vec<f64>>> = const { Cell::new(Vec::new()) };
}

/// Works with a buffer of `length` values, which hold whatever they held before.
pub(crate) fn with_buffer<O>(length: usize, work: impl FnOnce(&mut [f64]) -> O) -> O {
    let mut kept = KEPT.take();
    let mut buffer = kept.pop().unwrap_or_default();
    KEPT.set(kept);
    if buffer.len() < length {
        buffer.resize(length, 0.0);
    }
    let out = work(&mut buffer[..length]);
    let mut kept = KEPT.take();
    if kept.len() < MOST_KEPT && buffer.len() <= LONGEST_KEPT {
        kept.push(buffer);
    }
    KEPT.set(kept);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn buffers_within_one_another_are_different_ones_and_kept() {
        for _ in 0..2 {
            let sum = with_buffer(10, |outer| {
                outer.fill(1.0);
                with_buffer(20, |inner| inner.fill(2.0));
                outer.iter().sum::<f64>()
            });
            assert!((sum - 10.0).abs() < f64::EPSILON);
        }
        with_buffer(LONGEST_KEPT + 1, |long| assert_eq!(long.len(), LONGEST_KEPT + 1));
        let kept = KEPT.take();
        assert!(kept.len() == 1 && kept.iter().all(|b| b.len() <= LONGEST_KEPT));
    }
}
