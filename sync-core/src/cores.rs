//! Work on all cores: pure work on many things at once. Where there is one core, or no threads, one after another.

use std::cell::Cell;
use std::sync::LazyLock;
use std::thread;

/// Fewer things than this are done faster than a thread is begun.
const WORTH_A_THREAD: usize = 8;

/// Asked once: the answer is read from files of the system's, which takes longer than a small piece of work.
static CORES: LazyLock<usize> = LazyLock::new(|| thread::available_parallelism().map_or(1, usize::from));

/// Does the same with each thing, and gives the results in the order of the things.
pub(crate) fn on_all_cores<T: Send, R: Send>(things: Vec<T>, work: impl Fn(T) -> R + Sync) -> Vec<R> {
    let worth = things.len() / WORTH_A_THREAD;
    if worth < 2 || cfg!(target_family = "wasm") || *CORES < 2 {
        return things.into_iter().map(work).collect();
    }
    let cores = worth.min(*CORES);
    let share = things.len().div_ceil(cores);
    let mut shares: Vec<Vec<T>> = Vec::with_capacity(cores);
    let mut things = things.into_iter();
    loop {
        let one: Vec<T> = things.by_ref().take(share).collect();
        if one.is_empty() {
            break;
        }
        shares.push(one);
    }
    let work = &work;
    thread::scope(|scope| {
        let threads: Vec<_> =
            shares.into_iter().map(|share| scope.spawn(move || share.into_iter().map(work).collect::<Vec<R>>())).collect();
        threads
            .into_iter()
            .flat_map(|thread| match thread.join() {
                Ok(results) => results,
                // A panic is this thread's as much as that one's.
                Err(panic) => std::panic::resume_unwind(panic),
            })
            .collect()
    })
}

/// Does something that hands things over as it goes, about so many, while the other cores work on them. Gives what it came
/// to, and the results in the order in which the things were handed over.
pub(crate) fn beside<T: Send, R: Send, O>(about: usize, work: impl Fn(T) -> R + Sync, main: impl FnOnce(&dyn Fn(T)) -> O) -> (O, Vec<R>) {
    let (put, waiting) = crossbeam_channel::unbounded();
    let others = if cfg!(target_family = "wasm") || about < 2 * WORTH_A_THREAD { 0 } else { *CORES - 1 };
    let (waiting, work) = (&waiting, &work);
    let drain = move || waiting.iter().map(|(n, thing)| (n, work(thing))).collect::<Vec<(usize, R)>>();
    thread::scope(|scope| {
        let threads: Vec<_> = (0..others).map(|_| scope.spawn(drain)).collect();
        let handed_over = Cell::new(0);
        // Taken along, so that it is closed when this is done, whichever way.
        let hand = move |thing| {
            // It fails where nobody receives; this thread itself will.
            let _ = put.send((handed_over.replace(handed_over.get() + 1), thing));
        };
        let output = main(&hand);
        drop(hand);
        let mut results = drain();
        for thread in threads {
            match thread.join() {
                Ok(more) => results.extend(more),
                // A panic is this thread's as much as that one's.
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        results.sort_unstable_by_key(|(n, _)| *n);
        (output, results.into_iter().map(|(_, result)| result).collect())
    })
}

#[cfg(test)]
mod tests {
    use super::{beside, on_all_cores};

    #[test]
    fn what_is_handed_over_is_worked_on_once() {
        for count in [0_u64, 1, 100] {
            let (said, results) = beside(
                100,
                |n: u64| n * 2,
                |hand| {
                    (0..count).for_each(hand);
                    "done"
                },
            );
            assert_eq!((said, results), ("done", (0..count).map(|n| n * 2).collect()));
        }
    }

    #[test]
    fn a_panic_of_the_one_who_hands_over_keeps_nobody_waiting() {
        let run = || beside(100, |n: u8| n, |_| panic!("on purpose"));
        assert!(std::panic::catch_unwind(run).is_err());
    }

    #[test]
    fn results_come_in_the_order_of_the_things() {
        for count in [0, 1, 7, 8, 16, 17, 1000] {
            let things: Vec<usize> = (0..count).collect();
            assert_eq!(on_all_cores(things, |n| n * 2), (0..count).map(|n| n * 2).collect::<Vec<_>>());
        }
    }
}
