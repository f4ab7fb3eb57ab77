//! The end of a check: hour meter, findings, sign-off.

use shared::hours::Hours;
use shared::record::FindingKind;
use sync_core::commands::FinishOutcome;

use super::Check;
use crate::parse;
use crate::prompt::{self, Halt};
use crate::render;

/// Asks for what is left; `None` where the visit is not finished now.
pub(super) fn finish(check: &mut Check<'_, '_, '_>) -> Result<Option<FinishOutcome>, Halt> {
    if !check.session.book.advisor().hours_read_in(check.machine, check.visit)? {
        hours(check)?;
    }
    findings(check)?;
    let open = check.session.book.advisor().left_open(check.machine, check.visit)?;
    if open.is_empty() {
        prompt::say(check.session, "Every valve is left in range.");
    } else {
        prompt::say(check.session, &format!("Still open:\n  {}", open.join("\n  ")));
    }
    if !prompt::yes_or_no(check.session, "Finish the visit?")? {
        return Ok(None);
    }
    let remark = prompt::line(check.session, "A remark (Enter: none):")?;
    let session = &mut *check.session;
    let done = session.book.author().finish_visit(check.machine, Some(check.visit), &remark, &mut session.env.hand(None))?;
    check.kept.push(done.record);
    Ok(Some(done))
}

/// The hour meter. A reading in doubt is kept too; a slip is put right by reading again.
fn hours(check: &mut Check<'_, '_, '_>) -> Result<(), Halt> {
    let mut question = "Hour meter, as in 1523.4 (Enter: not read):";
    loop {
        let meter = prompt::until(check.session, question, |_, answer| match answer {
            "" => Ok(None),
            text => parse::read::<Hours>(text).map(Some),
        })?;
        let Some(meter) = meter else { return Ok(()) };
        let session = &mut *check.session;
        let done = session.book.author().read_hours(check.machine, meter, &mut session.env.hand(None))?;
        check.kept.push(done.record);
        prompt::say(check.session, &render::reading::hours(meter, &done));
        // The last one counts: a slip that was put right needs no look any more.
        check.hours_in_doubt = done.doubt.is_some();
        if !check.hours_in_doubt {
            return Ok(());
        }
        question = "The meter again (Enter: it is as entered):";
    }
}

fn findings(check: &mut Check<'_, '_, '_>) -> Result<(), Halt> {
    let mut question = "Anything found? In words (Enter: nothing):";
    loop {
        let what = prompt::line(check.session, question)?;
        if what.is_empty() {
            return Ok(());
        }
        let hold = prompt::yes_or_no(check.session, "Must the machine not be run until that is put right?")?;
        let grade = if hold { FindingKind::Hold } else { FindingKind::Watch };
        let session = &mut *check.session;
        let record = session.book.author().add_finding(check.machine, grade, &what, &mut session.env.hand(None))?;
        check.kept.push(record);
        let kept = if hold { "Kept: ON HOLD, not to be run." } else { "Kept." };
        prompt::say(check.session, kept);
        question = "Anything else? (Enter: nothing):";
    }
}
