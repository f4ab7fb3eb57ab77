//! Finding the bracket of one valve: one leaf at a time, until the verdict is settled or no leaf tells more.

use shared::bracket::{Bracket, BracketError};
use shared::entry::{self, Pair};
use shared::leaf::Feeler;
use shared::length::LengthUnit;
use shared::record::Stage;
use shared::valve::Valve;
use shared::verdict::NextLeaf;
use sync_core::work::{Ask, Trial, Tried};

use super::Check;
use crate::ask::{self, Halt};
use crate::exit::Failure;
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
    let Some(range) = check.card.as_ref().map(|card| card.range(valve.side())) else {
        return both(check, valve, stage);
    };
    let mut trial = Trial::default();
    loop {
        match trial.ask(Some(&range), &check.set) {
            Ask::Try { leaf } => match goes(check, valve, stage, &leaf)? {
                Goes::Skip => return Ok(None),
                Goes::Both(leaves) => return Ok(Some(leaves)),
                answer @ (Goes::Yes | Goes::No) => {
                    let tried = Tried { feeler: leaf.feeler, goes: matches!(answer, Goes::Yes) };
                    trial.answer(&tried).map_err(|e| in_unit(&e, check.session.unit))?;
                }
            },
            ask @ (Ask::HowTight | Ask::HowLoose) => {
                closed(check, &mut trial, &ask)?;
                break;
            }
            Ask::Both | Ask::Enough => break,
        }
    }
    if trial.bracket().is_none() {
        return both(check, valve, stage);
    }
    Ok(Some(Pair { go: trial.go(), no_go: trial.no_go(), single: trial.leaves(), notes: Vec::new() }))
}

fn goes(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage, leaf: &NextLeaf) -> Result<Goes, Halt> {
    let unit = check.session.unit;
    let question = format!("{valve} {stage}: try {}. Does it go?", leaf.feeler.words(unit));
    ask::until(check.session, &question, |session, answer| match answer.to_ascii_lowercase().as_str() {
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
    ask::until(check.session, &question, |session, answer| match answer {
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
fn closed(check: &mut Check<'_, '_, '_>, trial: &mut Trial, asked: &Ask) -> Result<(), Halt> {
    let none = if *asked == Ask::HowTight { "; 0: not even the thinnest" } else { "" };
    let question = format!("{} (Enter: not tried{none}):", asked.words(check.session.unit));
    let thinnest = check.set.leaves().first().copied();
    let before = trial.clone();
    *trial = ask::until(check.session, &question, |session, answer| {
        let mut trial = before.clone();
        if answer.is_empty() {
            return Ok(trial);
        }
        let (leaf, goes) = match thinnest {
            Some(thinnest) if answer == "0" && *asked == Ask::HowTight => (thinnest, false),
            _ => (session.leaf(answer)?, *asked == Ask::HowTight),
        };
        let tried = Tried { feeler: Feeler { thickness: leaf, leaves: vec![leaf] }, goes };
        trial.answer(&tried).map_err(|e| in_unit(&e, session.unit))?;
        Ok(trial)
    })?;
    Ok(())
}

fn in_unit(error: &BracketError, unit: LengthUnit) -> Failure {
    Failure::Given(error.in_unit(unit).trim_end_matches('.').to_owned())
}
