//! The order of a check: every valve is found before any is turned; then cylinder by cylinder both are set, the engine is
//! turned over once, and both are read as left.
//!
//! So nothing is turned before all is known, and the engine is turned over, and brought back, once for a cylinder. Common
//! practice, no source.

use shared::record::Stage;
use shared::valve::Valve;

use super::Step;

/// The valve to go on with, of those that are offered; `None` where nothing is left to do.
pub fn next_of(valves: impl IntoIterator<Item = (Valve, Step)>) -> Option<Valve> {
    let open = valves.into_iter().filter(|(_, step)| *step != Step::Done);
    open.min_by_key(|(valve, step)| (place(*valve, *step), *valve)).map(|(valve, _)| valve)
}

/// Where a step comes: reading as found, cylinder by cylinder after it, and within a cylinder what is read as it stands, what is
/// set, and turning over.
fn place(valve: Valve, step: Step) -> (u8, u8) {
    if step.reads() == Some(Stage::Found) {
        return (0, 0);
    }
    let rank = match step {
        Step::Read { .. } | Step::ReadAgain { .. } | Step::LookFirst { .. } => 0,
        Step::Adjust | Step::SetToAim => 1,
        Step::TurnOver | Step::Done => 2,
    };
    (valve.cylinder(), rank)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIND: Step = Step::Read { stage: Stage::Found };
    const CHECK: Step = Step::Read { stage: Stage::Left };

    fn next(steps: [Step; 4]) -> Option<String> {
        let valves = Valve::all(2);
        next_of(valves.into_iter().zip(steps)).map(|valve| valve.to_string())
    }

    #[test]
    fn all_are_found_then_both_of_a_cylinder_are_set_turned_over_once_and_read() {
        for (steps, then) in [
            ([FIND, FIND, FIND, FIND], "1I"),
            ([Step::Adjust, FIND, FIND, FIND], "1E"),
            ([Step::Adjust, Step::Adjust, FIND, FIND], "2I"),
            ([Step::Adjust, Step::Adjust, Step::ReadAgain { stage: Stage::Found }, Step::Adjust], "2I"),
            ([Step::Adjust, Step::Adjust, Step::Done, Step::Adjust], "1I"),
            ([Step::TurnOver, Step::Adjust, Step::Done, Step::Adjust], "1E"),
            ([Step::TurnOver, Step::TurnOver, Step::Done, Step::Adjust], "1I"),
            // Turned over once: the other is read, and only then is the first set again.
            ([Step::Adjust, CHECK, Step::Done, Step::Adjust], "1E"),
            ([Step::Done, CHECK, Step::Done, Step::Adjust], "1E"),
            ([Step::Done, Step::Done, Step::Done, Step::Adjust], "2E"),
        ] {
            assert_eq!(next(steps).as_deref(), Some(then), "{steps:?}");
        }
        assert_eq!(next([Step::Done; 4]), None);
    }
}
