//! A few hundred simulated stories: `cargo simulate` tells any number more. A broken promise prints the shortest story
//! that breaks it, in words.

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
                sum.kept += told.kept;
                sum.exchanges += told.exchanges;
                sum.cuts += told.cuts;
                sum.epochs += told.epochs;
                sum.quarantined += told.quarantined;
            }
            Err((why, _)) => {
                let (short, why, story) = shrink(seed, &plan, &why);
                panic!("seed {seed}, {} of {STEPS} steps:\n{story}\n\"{}\": {}", short.len(), why.promise, why.seen);
            }
        }
    }
    // Stories in which nothing happens prove nothing.
    let stories = usize::try_from(seeds.end - seeds.start).expect("few");
    assert!(sum.kept > 5 * stories && sum.exchanges > 10 * stories && sum.cuts > stories, "{sum:?}");
    assert!(sum.epochs + sum.quarantined > 0, "{sum:?}");
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
