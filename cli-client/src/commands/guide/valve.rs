//! One valve, from found over set to left.

use shared::record::Stage;
use shared::valve::Valve;
use shared::verdict::Verdict;
use sync_core::work::{ReadingEntry, Step};

use super::{Check, leaves};
use crate::ask::{self, Halt};
use crate::show;

/// Where a valve is: its last reading's stage, and the verdict where there is a card.
type At = (Stage, Option<Verdict>);

/// Checks one valve, going on from its last reading in this visit.
pub(super) fn check(check: &mut Check<'_, '_, '_>, valve: Valve, so_far: Option<At>) -> Result<(), Halt> {
    let mut at = match Step::after(so_far) {
        Step::Done => {
            ask::say(check.session, &format!("{valve} is done already."));
            return Ok(());
        }
        // A reading that settled nothing is taken again at its own stage.
        Step::ReadAgain { stage } => read(check, valve, stage)?,
        Step::Read { stage } => {
            ask::say(check.session, &format!("\n{}:", show::sentence(&valve.words()).trim_end_matches('.')));
            read(check, valve, stage)?
        }
        Step::Adjust | Step::TurnOver => so_far,
    };
    while at.is_some() {
        let step = Step::after(at);
        for caution in step.cautions() {
            ask::say(check.session, caution.words());
        }
        let confirmed = match step {
            Step::Adjust | Step::TurnOver => ask::yes_or_no(check.session, &format!("{valve}: {}", step.to_confirm()))?,
            Step::Read { .. } | Step::ReadAgain { .. } | Step::Done => return Ok(()),
        };
        let Some(stage) = step.reads().filter(|_| confirmed) else {
            let left = if step == Step::Adjust { "stays as it is, and open" } else { "is set and not checked again: it stays open" };
            ask::say(check.session, &format!("{valve} {left}."));
            return Ok(());
        };
        at = read(check, valve, stage)?;
    }
    Ok(())
}

/// Takes and keeps one reading; `None` where the person leaves the valve out.
fn read(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage) -> Result<Option<At>, Halt> {
    let Some(leaves) = leaves::find(check, valve, stage)? else {
        ask::say(check.session, &format!("{valve} is left out, and stays open."));
        return Ok(None);
    };
    let adjusted = stage == Stage::Set;
    let entry = ReadingEntry { valve, stage, go: leaves.go, no_go: leaves.no_go, leaves: leaves.single, adjusted, cold: None };
    let session = &mut *check.session;
    let done = session.book.take_reading(check.machine, entry, &check.set, session.unit, &mut session.env.hand(None))?;
    check.kept.push(done.record);
    check.look |= done.contested || done.doubt.is_some();
    let words = show::reading::words(valve, stage, &done, None, show::width(session.env));
    ask::say(session, &words);
    Ok(Some((stage, done.judged)))
}
