//! A few hundred simulated stories: `cargo simulate` tells any number more. A broken promise prints the shortest story
//! that breaks it, in words.

#![expect(clippy::print_stdout, reason = "it says what it counted")]

use tests::disk::{Part, Phase};
use tests::sim::{Step, Told, shrink, steps, steps_with, tell};

const STEPS: usize = 60;

/// Of honest people alone.
fn told(seeds: std::ops::Range<u64>) {
    told_of(seeds, |seed| steps_with(seed, STEPS, 0));
}

fn told_of(seeds: std::ops::Range<u64>, plan: impl Fn(u64) -> Vec<Step>) {
    let mut sum = Told::default();
    for seed in seeds.clone() {
        let plan = plan(seed);
        match tell(seed, &plan) {
            Ok(told) => {
                sum.add(&told);
            }
            Err((why, _)) => {
                let (short, why, story) = shrink(seed, &plan, &why);
                panic!("seed {seed}, {} of {STEPS} steps:\n{story}\n\"{}\": {}", short.len(), why.promise, why.seen);
            }
        }
    }
    // Stories in which nothing happens prove nothing.
    let stories = usize::try_from(seeds.end - seeds.start).expect("few");
    let cuts = usize::try_from(sum.cuts.all()).expect("few");
    assert!(sum.kept > 5 * stories && sum.exchanges > 10 * stories && cuts > stories, "{sum:?}");
    assert!(sum.epochs + sum.quarantined > 0, "{sum:?}");
    println!("Power cuts: {}; operations: {}", sum.cuts, sum.operations);
    // A book that is there is only read as it opens: `tests/tests/disk.rs` cuts the opening of a new one.
    let every = [(Phase::Step, Part::Log), (Phase::Checkpoint, Part::Main), (Phase::Closing, Part::Main), (Phase::Closing, Part::Log)];
    assert!(every.iter().all(|(phase, part)| sum.cuts.of(*phase, *part) > 0), "{}", sum.cuts);
    // The log's index is in the memory of the one program that has the book open: no disk holds it.
    assert_eq!(sum.operations.on(Part::Index), 0);
}

#[test]
fn the_first_quarter_of_the_stories() {
    told(1..61);
}

#[test]
fn the_second_quarter_of_the_stories() {
    told(61..121);
}

#[test]
fn the_third_quarter_of_the_stories() {
    told(121..181);
}

#[test]
fn the_last_quarter_of_the_stories() {
    told(181..241);
}

/// One or two in two of three stories forge with a valid key.
#[test]
fn stories_with_insiders() {
    told_of(1..41, |seed| steps(seed, STEPS));
}

#[test]
fn the_same_seed_is_the_same_story() {
    for seed in [3, 7] {
        let plan = steps(seed, STEPS);
        let once = tell(seed, &plan).map(|told| told.story).map_err(|(why, _)| why);
        let again = tell(seed, &plan).map(|told| told.story).map_err(|(why, _)| why);
        assert!(once.is_ok() && once == again);
    }
}
