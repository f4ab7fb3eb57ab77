//! One valve, from found over set to left.

use shared::record::{FindingKind, Stage};
use shared::valve::Valve;
use shared::verdict::Gross;
use sync_core::work::{Reached, ReadingEntry, Step};

use super::{Check, leaves};
use crate::ask::{self, Halt};
use crate::show;

/// Checks one valve, going on from its last reading in this visit.
pub(super) fn check(check: &mut Check<'_, '_, '_>, valve: Valve, so_far: Option<Reached>) -> Result<(), Halt> {
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
        Step::LookFirst { gross, .. } => {
            for ask in gross.asks() {
                ask::say(check.session, ask);
            }
            so_far
        }
        Step::Adjust | Step::SetToAim | Step::TurnOver => so_far,
    };
    while at.is_some() {
        let step = Step::after(at);
        if let (Step::Adjust, Some(Reached { gross: Some(gross), .. })) = (step, at) {
            hold(check, valve, gross)?;
        }
        for caution in step.cautions() {
            ask::say(check.session, caution.words());
        }
        let confirmed = match step {
            Step::LookFirst { .. } if step.to_confirm().is_empty() => true,
            Step::LookFirst { .. } | Step::Adjust | Step::SetToAim | Step::TurnOver => {
                ask::yes_or_no(check.session, &format!("{valve}: {}", step.to_confirm()))?
            }
            Step::Read { .. } | Step::ReadAgain { .. } | Step::Done => return Ok(()),
        };
        let Some(stage) = step.reads().filter(|_| confirmed) else {
            let set = step == Step::TurnOver;
            let left = if set { "is set and not checked again: it stays open" } else { "stays as it is, and open" };
            ask::say(check.session, &format!("{valve} {left}."));
            return Ok(());
        };
        at = read(check, valve, stage)?;
    }
    Ok(())
}

/// Takes and keeps one reading; `None` where the person leaves the valve out.
fn read(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage) -> Result<Option<Reached>, Halt> {
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
    Ok(check.session.book.reached(check.machine, check.visit, valve, &check.set)?)
}

/// Offers a hold where still nothing goes, and a valve may have receded or be burnt: nobody runs it before a test has told.
fn hold(check: &mut Check<'_, '_, '_>, valve: Valve, gross: Gross) -> Result<(), Halt> {
    if gross.turns() || !ask::yes_or_no(check.session, "Put the machine on hold until a leak-down or compression test?")? {
        return Ok(());
    }
    let what = format!("{valve}: nothing goes; leak-down or compression test before it runs");
    let session = &mut *check.session;
    let record = session.book.add_finding(check.machine, FindingKind::Hold, &what, &mut session.env.hand(None))?;
    check.kept.push(record);
    ask::say(check.session, "Kept: ON HOLD, not to be run.");
    Ok(())
}
