//! Work on all cores: pure work on many things at once. Where there is one core, or no threads, one after another.
//!
//! The threads stay, and with them what each has made ready for itself: memory, and what packs and unpacks.

use std::collections::BTreeMap;
use std::panic::{self, AssertUnwindSafe};
use std::sync::LazyLock;
use std::thread;

use rayon::iter::{IndexedParallelIterator, IntoParallelIterator, ParallelIterator};

/// Fewer things than this are done faster than a thread is begun.
const WORTH_A_THREAD: usize = 8;

/// Asked once: the answer is read from files of the system's, which takes longer than a small piece of work.
static CORES: LazyLock<usize> = LazyLock::new(|| thread::available_parallelism().map_or(1, usize::from));

/// Does the same with each thing, and gives the results in the order of the things.
pub(crate) fn on_all_cores<T: Send, R: Send>(things: Vec<T>, work: impl Fn(T) -> R + Send + Sync) -> Vec<R> {
    if others_worth(things.len() / 2) == 0 {
        return things.into_iter().map(work).collect();
    }
    things.into_par_iter().with_min_len(WORTH_A_THREAD).map(work).collect()
}

/// How many other threads are worth their while for so many things.
fn others_worth(things: usize) -> usize {
    let worth = if cfg!(target_family = "wasm") { 0 } else { things / WORTH_A_THREAD };
    worth.min(CORES.saturating_sub(1))
}

/// Three steps of work on many things: `prepare` and `finish` on any core, and `take` between them on this thread alone, in
/// the order of the things. While this thread waits for one to be prepared, it works on others. What `take` hands on is
/// finished, and the results come in the order in which it did.
///
/// # Errors
/// The first error of `take`'s: nothing more is taken then.
pub(crate) fn in_turn<T: Send, P: Send, H: Send, R: Send, E>(
    things: Vec<T>,
    prepare: impl Fn(T) -> P + Sync,
    mut take: impl FnMut(P) -> Result<Option<H>, E>,
    finish: impl Fn(H) -> R + Sync,
) -> Result<Vec<R>, E> {
    let count = things.len();
    let others = others_worth(count);
    let (put, jobs) = crossbeam_channel::unbounded();
    let (done, came) = crossbeam_channel::unbounded();
    for (n, thing) in things.into_iter().enumerate() {
        // It fails where nobody receives; this thread itself does.
        let _ = put.send(Job::Prepare(n, thing));
    }
    let jobs = &jobs;
    let work = &|job| match job {
        Job::Prepare(n, thing) => Done::Prepared(n, prepare(thing)),
        Job::Finish(n, handed_on) => Done::Finished(n, finish(handed_on)),
    };
    // What this thread has goes into it, so that the others see it end, whichever way it does.
    let mut in_order = move || {
        let mut shelf = Shelf { prepared: BTreeMap::new(), finished: Vec::new() };
        let mut handed_on = 0;
        for n in 0..count {
            let thing = loop {
                came.try_iter().for_each(|result| shelf.put_heard(result));
                if let Some(thing) = shelf.prepared.remove(&n) {
                    break thing;
                }
                match jobs.try_recv() {
                    Ok(job) => shelf.put(work(job)),
                    // Another has it.
                    Err(_) => came.recv().into_iter().for_each(|result| shelf.put_heard(result)),
                }
            };
            match take(thing) {
                Ok(Some(handed)) => {
                    let _ = put.send(Job::Finish(handed_on, handed));
                    handed_on += 1;
                }
                Ok(None) => {}
                Err(error) => {
                    jobs.try_iter().for_each(drop);
                    return Err(error);
                }
            }
        }
        jobs.try_iter().for_each(|job| shelf.put(work(job)));
        while shelf.finished.len() < handed_on {
            came.recv().into_iter().for_each(|result| shelf.put_heard(result));
        }
        shelf.finished.sort_unstable_by_key(|(n, _)| *n);
        Ok(shelf.finished.into_iter().map(|(_, result)| result).collect())
    };
    if others == 0 {
        return in_order();
    }
    rayon::in_place_scope(move |scope| {
        for done in std::iter::repeat_n(done, others) {
            scope.spawn(move |_| {
                let _ = jobs.iter().try_for_each(|job| done.send(panic::catch_unwind(AssertUnwindSafe(|| work(job)))));
            });
        }
        in_order()
    })
}

/// A piece of work that any core may do.
enum Job<T, H> {
    Prepare(usize, T),
    Finish(usize, H),
}

/// What it gave.
enum Done<P, R> {
    Prepared(usize, P),
    Finished(usize, R),
}

/// What has been done and nobody has taken yet.
struct Shelf<P, R> {
    prepared: BTreeMap<usize, P>,
    finished: Vec<(usize, R)>,
}

impl<P, R> Shelf<P, R> {
    fn put(&mut self, done: Done<P, R>) {
        match done {
            Done::Prepared(n, thing) => drop(self.prepared.insert(n, thing)),
            Done::Finished(n, result) => self.finished.push((n, result)),
        }
    }

    /// The same from another thread, whose panic is this one's as much.
    fn put_heard(&mut self, result: thread::Result<Done<P, R>>) {
        self.put(result.unwrap_or_else(|panic| panic::resume_unwind(panic)));
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::{in_turn, on_all_cores};

    #[test]
    fn each_is_prepared_taken_in_its_turn_and_finished_where_it_is_handed_on() {
        for count in [0_u64, 1, 100] {
            let mut taken = Vec::new();
            let take = |n: u64| {
                taken.push(n);
                Ok::<_, ()>((!n.is_multiple_of(3)).then_some(n))
            };
            // Some take longer than others, and so do not end in their order.
            let finish = |n: u64| {
                std::thread::sleep(Duration::from_micros(n % 7 * 300));
                n + 1
            };
            let finished = in_turn((0..count).collect(), |n| n * 2, take, finish);
            let doubled: Vec<u64> = (0..count).map(|n| n * 2).collect();
            assert_eq!(finished, Ok(doubled.iter().filter(|n| !n.is_multiple_of(3)).map(|n| n + 1).collect()));
            assert_eq!(taken, doubled);
        }
    }

    #[test]
    fn an_error_ends_it() {
        let mut taken = 0;
        let take = |n: u8| {
            taken += 1;
            if n == 5 { Err("enough") } else { Ok(Some(n)) }
        };
        assert_eq!(in_turn((0..100).collect(), |n| n, take, |n| n), Err("enough"));
        assert_eq!(taken, 6);
    }

    #[test]
    fn a_panic_of_any_step_keeps_nobody_waiting() {
        let fails = |at: &'static str, here: &'static str, n: u8| {
            assert!(at != here || n != 50, "on purpose");
            n
        };
        for at in ["prepare", "take", "finish"] {
            let run = || {
                let things = (0..100).collect();
                in_turn(things, |n| fails(at, "prepare", n), |n| Ok::<_, ()>(Some(fails(at, "take", n))), |n| fails(at, "finish", n))
            };
            assert!(std::panic::catch_unwind(run).is_err(), "{at}");
        }
    }

    #[test]
    fn results_come_in_the_order_of_the_things() {
        for count in [0, 1, 7, 8, 16, 17, 1000] {
            let things: Vec<usize> = (0..count).collect();
            assert_eq!(on_all_cores(things, |n| n * 2), (0..count).map(|n| n * 2).collect::<Vec<_>>());
        }
    }
}
