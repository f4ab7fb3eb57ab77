//! Work on all cores: pure work on many things at once. Where there is one core, or no threads, one after another.
//!
//! The threads stay, and with them what each has made ready for itself: memory, and what compresses and unpacks.

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
pub(crate) fn par_map<T: Send, R: Send>(things: Vec<T>, work: impl Fn(T) -> R + Send + Sync) -> Vec<R> {
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

/// Four steps of work on many things: `prepare` and `finish` on any core; `take` between them on this thread alone, in the
/// order of the things; and `keep` on this thread too, of what `take` handed on, as it is finished. While this thread waits
/// for one to be prepared, it works on others.
///
/// # Errors
/// The first error of `take`'s or `keep`'s: nothing more is taken or kept then.
pub(crate) fn ordered_pipeline<T: Send, P: Send, H: Send, R: Send, E>(
    things: Vec<T>,
    prepare: impl Fn(T) -> P + Sync,
    mut take: impl FnMut(P) -> Result<Option<H>, E>,
    finish: impl Fn(H) -> R + Sync,
    mut keep: impl FnMut(R) -> Result<(), E>,
) -> Result<(), E> {
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
        Job::Finish(handed_on) => Done::Finished(finish(handed_on)),
    };
    // What this thread has goes into it, so that the others see it end, whichever way it does.
    let mut steps = move || {
        let mut shelf = Shelf { prepared: BTreeMap::new(), finished: Vec::new() };
        // What is handed on and not kept yet.
        let mut handed_on = 0;
        for n in 0..count {
            let thing = loop {
                came.try_iter().for_each(|result| shelf.put_heard(result));
                handed_on -= shelf.keep_finished(&mut keep)?;
                if let Some(thing) = shelf.prepared.remove(&n) {
                    break thing;
                }
                match jobs.try_recv() {
                    Ok(job) => shelf.put(work(job)),
                    // Another has it.
                    Err(_) => came.recv().into_iter().for_each(|result| shelf.put_heard(result)),
                }
            };
            if let Some(handed) = take(thing)? {
                let _ = put.send(Job::Finish(handed));
                handed_on += 1;
            }
        }
        while handed_on > 0 {
            // What another has finished is kept before more is finished here: that one can do meanwhile.
            match came.try_recv() {
                Ok(result) => shelf.put_heard(result),
                Err(_) => match jobs.try_recv() {
                    Ok(job) => shelf.put(work(job)),
                    Err(_) => came.recv().into_iter().for_each(|result| shelf.put_heard(result)),
                },
            }
            handed_on -= shelf.keep_finished(&mut keep)?;
        }
        Ok(())
    };
    // Where a step failed, what is left is nobody's to do.
    let mut in_order = move || {
        let result = steps();
        jobs.try_iter().for_each(drop);
        result
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
    Finish(H),
}

/// What it gave.
enum Done<P, R> {
    Prepared(usize, P),
    Finished(R),
}

/// What has been done and nobody has taken yet.
struct Shelf<P, R> {
    prepared: BTreeMap<usize, P>,
    finished: Vec<R>,
}

impl<P, R> Shelf<P, R> {
    fn put(&mut self, done: Done<P, R>) {
        match done {
            Done::Prepared(n, thing) => drop(self.prepared.insert(n, thing)),
            Done::Finished(result) => self.finished.push(result),
        }
    }

    /// Hands over what is finished; gives how many.
    fn keep_finished<E>(&mut self, keep: impl FnMut(R) -> Result<(), E>) -> Result<usize, E> {
        let finished = std::mem::take(&mut self.finished);
        let count = finished.len();
        finished.into_iter().try_for_each(keep)?;
        Ok(count)
    }

    /// The same from another thread, whose panic is this one's as much.
    fn put_heard(&mut self, result: thread::Result<Done<P, R>>) {
        self.put(result.unwrap_or_else(|panic| panic::resume_unwind(panic)));
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::{ordered_pipeline, par_map};

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
            let mut finished = Vec::new();
            let keep = |result: u64| {
                finished.push(result);
                Ok(())
            };
            assert_eq!(ordered_pipeline((0..count).collect(), |n| n * 2, take, finish, keep), Ok(()));
            finished.sort_unstable();
            let doubled: Vec<u64> = (0..count).map(|n| n * 2).collect();
            assert_eq!(finished, doubled.iter().filter(|n| !n.is_multiple_of(3)).map(|n| n + 1).collect::<Vec<_>>());
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
        assert_eq!(ordered_pipeline((0..100).collect(), |n| n, take, |n| n, |_| Ok(())), Err("enough"));
        assert_eq!(taken, 6);
        let mut kept = 0;
        let keep = |_| {
            kept += 1;
            if kept == 5 { Err("enough") } else { Ok(()) }
        };
        assert_eq!(ordered_pipeline((0..100_u8).collect(), |n| n, |n| Ok(Some(n)), |n| n, keep), Err("enough"));
        assert_eq!(kept, 5);
    }

    #[test]
    fn a_panic_of_any_step_keeps_nobody_waiting() {
        let fails = |at: &'static str, here: &'static str, n: u8| {
            assert!(at != here || n != 50, "on purpose");
            n
        };
        for at in ["prepare", "take", "finish", "keep"] {
            let run = || {
                let take = |n| Ok::<_, ()>(Some(fails(at, "take", n)));
                let keep = |n| {
                    fails(at, "keep", n);
                    Ok(())
                };
                ordered_pipeline((0..100).collect(), |n| fails(at, "prepare", n), take, |n| fails(at, "finish", n), keep)
            };
            assert!(std::panic::catch_unwind(run).is_err(), "{at}");
        }
    }

    #[test]
    fn results_come_in_the_order_of_the_things() {
        for count in [0, 1, 7, 8, 16, 17, 1000] {
            let things: Vec<usize> = (0..count).collect();
            assert_eq!(par_map(things, |n| n * 2), (0..count).map(|n| n * 2).collect::<Vec<_>>());
        }
    }
}
