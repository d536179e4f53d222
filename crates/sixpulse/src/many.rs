//! Many captures at once, on as many threads as asked for.
//!
//! The threads live as long as the call: there is no pool, nothing is left behind for a fork, and each capture is worked
//! on by one thread alone, so that results are those of single calls.

use std::num::NonZeroUsize;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use crate::error::Result;
use crate::examine::{Examination, ExamineOptions, examine};
use crate::trace::Capture;

/// Examines captures on `threads` threads, the caller's among them; results in the order of the captures, each as
/// [`examine`] gives it. One that fails costs the others nothing.
///
/// [`std::thread::available_parallelism`] says how many threads the machine runs at once. For captures that are made or
/// read when their turn comes, or options that differ between them, see [`each`].
///
/// ```
/// use sixpulse::{Capture, Coupling, ExamineOptions, Role, Trace, examine_many};
/// let capture = |hz: f64, samples: u32| {
///     let volts = (0..samples).map(|i| 14.0 + 0.2 * (6.283 * hz * f64::from(i) / 5e4).sin()).collect();
///     let post = Trace::from_f64(volts, 5e4, Coupling::Dc, Role::ChargingPost)?;
///     Capture::new(vec![("post".into(), post)])
/// };
/// let captures = [capture(300.0, 20_000)?, capture(300.0, 2)?, capture(400.0, 20_000)?];
/// let found = examine_many(&captures, &ExamineOptions::default(), std::num::NonZeroUsize::MIN);
/// assert_eq!(found.iter().map(|f| f.is_ok()).collect::<Vec<_>>(), [true, false, true]);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn examine_many(captures: &[Capture], options: &ExamineOptions, threads: NonZeroUsize) -> Vec<Result<Examination>> {
    let found = each(captures.len(), threads, |i| captures.get(i).map(|capture| examine(capture, options)));
    found.into_iter().flatten().collect()
}

/// Calls `work` with every number below `count`, on `threads` threads, the caller's among them; what it returns, in the
/// order of the numbers. Each thread takes the next number when it is done with one. Where the system gives fewer
/// threads, those it gives do all the work.
///
/// ```
/// use sixpulse::many::each;
/// let squares = each(5, std::num::NonZeroUsize::MIN, |i| i * i);
/// assert_eq!(squares, [0, 1, 4, 9, 16]);
/// ```
///
/// # Panics
/// When `work` does, once every thread has come to its end.
pub fn each<T: Send>(count: usize, threads: NonZeroUsize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let share = || {
        let numbers = std::iter::from_fn(|| Some(next.fetch_add(1, Ordering::Relaxed)).filter(|i| *i < count));
        numbers.map(|i| (i, work(i))).collect::<Vec<_>>()
    };
    let mut made = thread::scope(|scope| {
        let started: Vec<_> = (1..threads.get().min(count))
            .map_while(|_| thread::Builder::new().name("sixpulse".into()).spawn_scoped(scope, share).ok())
            .collect();
        let mut made = share();
        for thread in started {
            made.extend(thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        }
        made
    });
    made.sort_unstable_by_key(|(i, _)| *i);
    made.into_iter().map(|(_, value)| value).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;
    use std::sync::{Barrier, Mutex};

    fn threads(count: usize) -> NonZeroUsize {
        NonZeroUsize::new(count).unwrap()
    }

    #[test]
    fn every_number_comes_once_and_in_order() {
        for (count, workers) in [(0, 1), (0, 4), (1, 4), (7, 3), (1000, 4), (3, 1)] {
            assert_eq!(each(count, threads(workers), |i| i), (0..count).collect::<Vec<_>>());
        }
    }

    #[test]
    fn as_many_threads_as_asked_for_work_at_once() {
        // Three meet at a barrier, which fewer could not pass.
        let (barrier, seen) = (Barrier::new(3), Mutex::new(HashSet::new()));
        each(3, threads(3), |_| {
            barrier.wait();
            seen.lock().unwrap().insert(thread::current().id());
        });
        let seen = seen.into_inner().unwrap();
        assert_eq!(seen.len(), 3);
        assert!(seen.contains(&thread::current().id()));
    }

    #[test]
    #[should_panic(expected = "seven")]
    fn a_panic_comes_out() {
        each(20, threads(2), |i| assert_ne!(i, 7, "seven"));
    }
}
