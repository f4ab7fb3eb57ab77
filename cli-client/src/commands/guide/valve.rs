//! One valve, from found over set to left.

use shared::record::Stage;
use shared::valve::Valve;
use shared::verdict::Verdict;
use sync_core::work::ReadingEntry;

use super::{Check, leaves};
use crate::ask::{self, Halt};
use crate::show;

/// Where a valve is: its last reading's stage, and the verdict where there is a card.
type At = (Stage, Option<Verdict>);

/// Checks one valve, going on from its last reading in this visit.
pub(super) fn check(check: &mut Check<'_, '_, '_>, valve: Valve, so_far: Option<At>) -> Result<(), Halt> {
    let mut at = match so_far {
        Some((_, Some(Verdict::InSpec)) | (_, None)) if !matches!(so_far, Some((Stage::Set, _))) => {
            ask::say(check.session, &format!("{valve} is done already."));
            return Ok(());
        }
        // A reading that settled nothing is taken again at its own stage.
        Some((stage @ (Stage::Found | Stage::Left), Some(Verdict::NotSettled(_)))) => read(check, valve, stage)?,
        Some(at) => Some(at),
        None => {
            ask::say(check.session, &format!("\n{}:", show::sentence(&valve.words()).trim_end_matches('.')));
            read(check, valve, Stage::Found)?
        }
    };
    while let Some((stage, verdict)) = at {
        at = match (stage, verdict) {
            (_, Some(Verdict::Tight | Verdict::Loose)) => {
                if !ask::yes_or_no(check.session, &format!("{valve}: adjusted, and locked again?"))? {
                    ask::say(check.session, &format!("{valve} stays as it is, and open."));
                    return Ok(());
                }
                read(check, valve, Stage::Set)?
            }
            (Stage::Set, _) => {
                if !ask::yes_or_no(check.session, &format!("{valve}: engine turned over twice by hand, and back at top dead center?"))? {
                    ask::say(check.session, &format!("{valve} is set and not checked again: it stays open."));
                    return Ok(());
                }
                read(check, valve, Stage::Left)?
            }
            (Stage::Found | Stage::Left, _) => return Ok(()),
        };
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
