//! Vectors whose memory the thread keeps for the next ones. What is freed goes back to the system, and what is new comes
//! page by page, each for some three microseconds: a quarter of an examination of 100,000 samples went into that.

use rustfft::num_complex::{Complex32, Complex64};
use std::cell::RefCell;
use std::ops::{Deref, DerefMut};

/// Bytes of one type that a thread keeps: two parts of a record of 2^20 samples in single precision.
const MOST_KEPT: usize = 8 << 20;
/// Bytes from which memory is worth keeping: less comes from what the allocator has at hand.
const LEAST_KEPT: usize = 32 << 10;

/// Memory that a thread keeps of one type, the shortest first.
pub(crate) type Pool<T> = RefCell<Vec<Vec<T>>>;

/// Types of which a thread keeps memory.
pub(crate) trait Poolable: Copy + Default + 'static {
    /// `None` when the thread is about to end.
    fn with<O>(work: impl FnOnce(&Pool<Self>) -> O) -> Option<O>;
}

macro_rules! poolable {
    ($($number:ty),*) => {$(
        impl Poolable for $number {
            fn with<O>(work: impl FnOnce(&Pool<Self>) -> O) -> Option<O> {
                thread_local!(static POOL: Pool<$number> = const { RefCell::new(Vec::new()) });
                POOL.try_with(work).ok()
            }
        }
    )*};
}
poolable!(i8, f32, f64, Complex32, Complex64);

/// A vector in memory that goes back to the thread's pool.
#[derive(Debug)]
pub(crate) struct Pooled<T: Poolable>(Vec<T>);

impl<T: Poolable> Pooled<T> {
    /// An empty vector for so many values.
    pub(crate) fn with_capacity(count: usize) -> Self {
        let mut vector = taken(count, |v| v.capacity() >= count);
        vector.clear();
        vector.reserve_exact(count);
        Self(vector)
    }

    /// A vector of so many values, which are whatever they were before.
    pub(crate) fn of_length(count: usize) -> Self {
        // One that has this length need not be filled.
        let mut vector = taken(count, |v| v.len() == count);
        if vector.capacity() < count {
            vector = taken(count, |v| v.capacity() >= count);
        }
        vector.resize(count, T::default());
        Self(vector)
    }
}

/// The shortest vector kept that will do; a new one where there is none or memory for so few values is at hand.
fn taken<T: Poolable>(count: usize, will_do: impl Fn(&Vec<T>) -> bool) -> Vec<T> {
    if count * size_of::<T>() < LEAST_KEPT {
        return Vec::new();
    }
    let found = T::with(|pool| {
        let mut kept = pool.borrow_mut();
        kept.iter().position(will_do).map(|i| kept.remove(i))
    });
    found.flatten().unwrap_or_default()
}

impl<T: Poolable> Drop for Pooled<T> {
    fn drop(&mut self) {
        let bytes = |v: &Vec<T>| v.capacity() * size_of::<T>();
        let vector = std::mem::take(&mut self.0);
        if !(LEAST_KEPT..=MOST_KEPT).contains(&bytes(&vector)) {
            return;
        }
        T::with(|pool| {
            let mut kept = pool.borrow_mut();
            let place = kept.partition_point(|v| v.capacity() < vector.capacity());
            kept.insert(place, vector);
            // The shortest go first: a long one serves shorter records, too.
            while kept.iter().map(bytes).sum::<usize>() > MOST_KEPT {
                kept.remove(0);
            }
        });
    }
}

impl<T: Poolable> Default for Pooled<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T: Poolable> Clone for Pooled<T> {
    fn clone(&self) -> Self {
        let mut copy = Self::with_capacity(self.len());
        copy.extend_from_slice(self);
        copy
    }
}

#[cfg(test)]
impl<T: Poolable> From<Vec<T>> for Pooled<T> {
    fn from(vector: Vec<T>) -> Self {
        Self(vector)
    }
}

impl<T: Poolable> Deref for Pooled<T> {
    type Target = Vec<T>;
    fn deref(&self) -> &Vec<T> {
        &self.0
    }
}

impl<T: Poolable> DerefMut for Pooled<T> {
    fn deref_mut(&mut self) -> &mut Vec<T> {
        &mut self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept<T: Poolable>() -> Vec<usize> {
        T::with(|pool| pool.borrow().iter().map(Vec::capacity).collect()).unwrap_or_default()
    }

    #[test]
    fn memory_is_used_again_by_what_it_fits_best() {
        let [short, long] = [10_000, 50_000].map(Pooled::<f64>::of_length);
        let [at_short, at_long] = [short.as_ptr(), long.as_ptr()];
        drop((long, short));
        assert_eq!(kept::<f64>(), [10_000, 50_000]);
        let (fits, too_long) = (Pooled::<f64>::with_capacity(9_000), Pooled::<f64>::with_capacity(20_000));
        assert_eq!((fits.as_ptr(), fits.len()), (at_short, 0));
        assert_eq!((too_long.as_ptr(), too_long.len()), (at_long, 0));
        assert!(kept::<f64>().is_empty());
    }

    #[test]
    fn a_vector_of_the_same_length_is_not_filled_anew() {
        let mut vector = Pooled::<f32>::of_length(20_000);
        assert!(vector.iter().all(|v| v.abs() < f32::EPSILON));
        vector.fill(3.0);
        drop(vector);
        assert!(Pooled::<f32>::of_length(20_000).iter().all(|v| (v - 3.0).abs() < f32::EPSILON));
        assert_eq!(Pooled::<f32>::of_length(19_000).len(), 19_000);
        let copy = Pooled::<f32>::of_length(19_000).clone();
        assert_eq!((copy.len(), kept::<f32>().len()), (19_000, 1));
    }

    #[test]
    fn what_is_kept_is_bounded_and_what_is_short_is_not_kept() {
        drop(Pooled::<Complex32>::of_length(MOST_KEPT / 8 + 1));
        drop(Pooled::<Complex32>::of_length(LEAST_KEPT / 8 - 1));
        assert!(kept::<Complex32>().is_empty());
        let all = [1 << 18, 1 << 19, 1 << 18, 1 << 18].map(Pooled::<Complex32>::of_length);
        drop(all);
        assert_eq!(kept::<Complex32>(), [1 << 18, 1 << 18, 1 << 19]);
    }
}
