//! Finding the bracket of one valve: one leaf at a time, as the book asks for them.

use shared::bracket::{Bracket, BracketError};
use shared::entry::{self, Pair};
use shared::leaf::Feeler;
use shared::length::LengthUnit;
use shared::record::Stage;
use shared::valve::Valve;
use shared::verdict::NextLeaf;
use sync_core::commands::{Ask, TrialView, Tried};
use sync_core::engine::BookError;

use super::Check;
use crate::exit::Failure;
use crate::prompt::{self, Halt};
use crate::session::Session;

/// An answer to "does it go?".
enum Goes {
    Yes,
    No,
    Both(Pair),
    Skip,
}

/// The leaves of one valve at one stage; `None` where the person leaves the valve out.
pub(super) fn find(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage) -> Result<Option<Pair>, Halt> {
    let mut tried = Vec::new();
    loop {
        let view = trial(check, valve, &tried)?;
        match &view.next {
            Ask::Try { leaf } => match goes(check, valve, stage, leaf)? {
                Goes::Skip => return Ok(None),
                Goes::Both(leaves) => return Ok(Some(leaves)),
                answer @ (Goes::Yes | Goes::No) => {
                    tried.push(Tried { feeler: leaf.feeler.clone(), goes: matches!(answer, Goes::Yes) });
                }
            },
            ask @ (Ask::HowTight | Ask::HowLoose) => {
                tried.extend(closed(check, valve, &tried, ask)?);
                return Ok(Some(kept(trial(check, valve, &tried)?)));
            }
            Ask::Both | Ask::Enough if view.bracket.is_none() => return both(check, valve, stage),
            Ask::Both | Ask::Enough => return Ok(Some(kept(view))),
        }
    }
}

/// What the leaves tried so far say, and what is asked next.
fn trial(check: &mut Check<'_, '_, '_>, valve: Valve, tried: &[Tried]) -> Result<TrialView, BookError> {
    let session = &mut *check.session;
    session.book.advisor().trial(check.machine, valve, tried, &check.set, session.unit, &session.env.now())
}

fn kept(view: TrialView) -> Pair {
    Pair { go: view.go, no_go: view.no_go, single: view.leaves, notes: Vec::new() }
}

fn goes(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage, leaf: &NextLeaf) -> Result<Goes, Halt> {
    let unit = check.session.unit;
    let question = format!("{valve} {stage}: try {}. Does it go?", leaf.feeler.words(unit));
    prompt::until(check.session, &question, |session, answer| match answer.to_ascii_lowercase().as_str() {
        "y" | "yes" => Ok(Goes::Yes),
        "n" | "no" => Ok(Goes::No),
        "s" => Ok(Goes::Skip),
        text if text.contains('/') => read_both(text, session).map(Goes::Both),
        _ => Err(Failure::Given(format!("\"{answer}\" is neither y nor n, nor two leaves as in 5/6"))),
    })
}

/// Both leaves at once: where there is no card to be guided by.
fn both(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage) -> Result<Option<Pair>, Halt> {
    let question = format!("{valve} {stage}: the largest leaf that goes and the smallest that does not, as 5/6:");
    prompt::until(check.session, &question, |session, answer| match answer {
        "s" | "S" => Ok(None),
        text => read_both(text, session).map(Some),
    })
}

fn read_both(text: &str, session: &mut Session<'_, '_>) -> Result<Pair, Failure> {
    let leaves = entry::pair(text, session.unit);
    let leaves = session.pair(leaves)?;
    Bracket::new(leaves.go, leaves.no_go).map_err(|e| in_unit(&e, session.unit))?;
    Ok(leaves)
}

/// How far off a valve is can be said only between two leaves: the missing one is asked for, and may stay missing.
fn closed(check: &mut Check<'_, '_, '_>, valve: Valve, tried: &[Tried], asked: &Ask) -> Result<Option<Tried>, Halt> {
    let none = if *asked == Ask::HowTight { "; 0: not even the thinnest" } else { "" };
    let question = format!("{} (Enter: not tried{none}):", asked.words(check.session.unit));
    let thinnest = check.set.leaves().first().copied();
    let (machine, set) = (check.machine, &check.set);
    prompt::until(check.session, &question, |session, answer| {
        if answer.is_empty() {
            return Ok(None);
        }
        let (leaf, goes) = match thinnest {
            Some(thinnest) if answer == "0" && *asked == Ask::HowTight => (thinnest, false),
            _ => (session.leaf(answer)?, *asked == Ask::HowTight),
        };
        let one = Tried { feeler: Feeler { thickness: leaf, leaves: vec![leaf] }, goes };
        // Refused where it contradicts what was tried before.
        let all: Vec<Tried> = tried.iter().cloned().chain([one.clone()]).collect();
        session.book.advisor().trial(machine, valve, &all, set, session.unit, &session.env.now())?;
        Ok(Some(one))
    })
}

fn in_unit(error: &BracketError, unit: LengthUnit) -> Failure {
    Failure::Given(error.in_unit(unit).trim_end_matches('.').to_owned())
}
