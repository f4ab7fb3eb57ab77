//! Work on all cores: pure work on many things at once. Where there is one core, or no threads, one after another.

use std::thread;

/// Fewer things than this are done faster than a thread is begun.
const WORTH_A_THREAD: usize = 8;

/// Does the same with each thing, and gives the results in the order of the things.
pub(crate) fn on_all_cores<T: Send, R: Send>(things: Vec<T>, work: impl Fn(T) -> R + Sync) -> Vec<R> {
    let cores = thread::available_parallelism().map_or(1, usize::from).min(things.len() / WORTH_A_THREAD);
    if cores < 2 || cfg!(target_family = "wasm") {
        return things.into_iter().map(work).collect();
    }
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

#[cfg(test)]
mod tests {
    use super::on_all_cores;

    #[test]
    fn results_come_in_the_order_of_the_things() {
        for count in [0, 1, 7, 8, 16, 17, 1000] {
            let things: Vec<usize> = (0..count).collect();
            assert_eq!(on_all_cores(things, |n| n * 2), (0..count).map(|n| n * 2).collect::<Vec<_>>());
        }
    }
}
