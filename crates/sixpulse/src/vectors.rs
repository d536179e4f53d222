//! Work compiled once more for the vectors that the processor at hand has, chosen while running.
//!
//! A default build may assume no more than the oldest processor of its architecture. Loops that are handed to [`widest`]
//! exist a second time with wider vectors, and the processor is asked which to take. No sum is reordered and no
//! multiplication joined to an addition by it: the values are the same to the last bit on every path.

/// Work that can be done so: what it needs, and `call`, which like all that it calls is marked `#[inline(always)]`, for
/// what is not inlined stays as narrow as the build. (A closure or a function's name would not be inlined for certain.)
pub(crate) use pulp::NullaryFnOnce as Work;

/// Does the work with the widest vectors at hand.
#[inline]
pub(crate) fn widest<W: Work>(work: W) -> W::Output {
    pulp::Arch::new().dispatch(work)
}

#[cfg(test)]
mod tests {
    use super::{Work, widest};

    struct Sums<'a>(&'a [f32]);
    impl Work for Sums<'_> {
        type Output = [f32; 16];
        #[inline(always)]
        fn call(self) -> [f32; 16] {
            let mut lanes = [0.0f32; 16];
            for chunk in self.0.chunks_exact(16) {
                lanes.iter_mut().zip(chunk).for_each(|(sum, x)| *sum += x * x + 0.1);
            }
            lanes
        }
    }

    #[test]
    fn the_values_are_the_same_to_the_last_bit() {
        let x: Vec<f32> = (0..1000).map(|i| (f64::from(i) * 0.37).sin() as f32).collect();
        assert_eq!(widest(Sums(&x)).map(f32::to_bits), Sums(&x).call().map(f32::to_bits));
    }
}
