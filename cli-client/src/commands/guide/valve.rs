//! One step of one valve: what is confirmed, and the reading after it.

use shared::record::{FindingKind, Stage};
use shared::valve::Valve;
use shared::verdict::Gross;
use sync_core::commands::{ReadingEntry, ReadingOutcome, Step, ValveGuide};

use super::{Check, leaves};
use crate::prompt::{self, Halt};
use crate::render;

/// Does what is next with one valve; `false` where the person leaves it out. What its last reading asked for is said again where
/// other valves came between; `held` where the machine is on hold already.
pub(super) fn step(check: &mut Check<'_, '_, '_>, one: &ValveGuide, held: bool) -> Result<bool, Halt> {
    let (valve, step) = (one.valve, one.next);
    if let Step::Read { stage: Stage::Found } = step {
        prompt::say(check.session, &format!("\n{}:", render::sentence(&one.words).trim_end_matches('.')));
    }
    if let (Some(last), Some(stage), Step::LookFirst { .. } | Step::Adjust | Step::SetToAim) = (&one.last, one.last_stage, step) {
        if check.said != Some(valve) {
            prompt::say(check.session, &format!("\n{valve} {stage}: {}, {}.\n{}", last.verdict, last.bracket_words, last.next.join("\n")));
        }
        if let (Step::Adjust, Some(gross), false) = (step, last.gross, held) {
            hold(check, valve, gross)?;
        }
    }
    for caution in &one.cautions {
        prompt::say(check.session, caution);
    }
    if !one.confirm.is_empty() && !prompt::yes_or_no(check.session, &format!("{valve}: {}", one.confirm))? {
        let set = step == Step::TurnOver;
        let left = if set { "is set and not checked again: it stays open" } else { "stays as it is, and open" };
        prompt::say(check.session, &format!("{valve} {left}."));
        return Ok(false);
    }
    let Some(done) = read(check, valve, one.reads_at)? else { return Ok(false) };
    // At once, and not only when it is this valve's turn to be set.
    if let (Step::LookFirst { .. }, Some(gross)) = (step, done.gross) {
        hold(check, valve, gross)?;
    }
    Ok(true)
}

/// Takes and keeps one reading; `None` where the person leaves the valve out.
fn read(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage) -> Result<Option<ReadingOutcome>, Halt> {
    let Some(leaves) = leaves::find(check, valve, stage)? else {
        prompt::say(check.session, &format!("{valve} is left out, and stays open."));
        return Ok(None);
    };
    let adjusted = stage == Stage::Set;
    let entry = ReadingEntry { valve, stage, go: leaves.go, no_go: leaves.no_go, leaves: leaves.single, adjusted, cold: None };
    let session = &mut *check.session;
    let done = session.book.author().take_reading(check.machine, entry, &check.set, session.unit, &mut session.env.hand(None))?;
    check.kept.push(done.record);
    check.look |= done.contested || done.doubt.is_some();
    check.said = Some(valve);
    let words = render::reading::words(valve, stage, &done, None, render::width(session.env));
    prompt::say(session, &words);
    Ok(Some(done))
}

/// Offers a hold where still nothing goes, and a valve may have receded or be burnt: nobody runs it before a test has told.
fn hold(check: &mut Check<'_, '_, '_>, valve: Valve, gross: Gross) -> Result<(), Halt> {
    let Some(what) = gross.hold(valve) else { return Ok(()) };
    if !prompt::yes_or_no(check.session, "Put the machine on hold until a leak-down or compression test?")? {
        return Ok(());
    }
    let session = &mut *check.session;
    let record = session.book.author().add_finding(check.machine, FindingKind::Hold, &what, &mut session.env.hand(None))?;
    check.kept.push(record);
    prompt::say(check.session, "Kept: ON HOLD, not to be run.");
    Ok(())
}
