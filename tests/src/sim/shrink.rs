//! Makes a story that breaks a promise as short as it gets: steps are left out as long as the same promise breaks.

use super::steps::Step;
use super::world::{Broken, tell};

/// The shortest telling found, with what breaks.
#[must_use]
pub fn shrink(seed: u64, steps: &[Step], broken: &Broken) -> (Vec<Step>, Broken, String) {
    let mut shortest = steps.to_vec();
    let mut last = (broken.clone(), String::new());
    let mut chunk = shortest.len().div_ceil(2).max(1);
    loop {
        let mut at = 0;
        let mut shortened = false;
        while at < shortest.len() {
            let without: Vec<Step> = shortest[..at].iter().chain(&shortest[(at + chunk).min(shortest.len())..]).cloned().collect();
            match tell(seed, &without) {
                Err((again, story)) if again.promise == broken.promise => {
                    shortest = without;
                    last = (again, story);
                    shortened = true;
                }
                _ => at += chunk,
            }
        }
        if chunk == 1 && !shortened {
            break;
        }
        chunk = if shortened { chunk } else { (chunk / 2).max(1) };
    }
    if last.1.is_empty()
        && let Err((again, story)) = tell(seed, &shortest)
    {
        last = (again, story);
    }
    (shortest, last.0, last.1)
}
