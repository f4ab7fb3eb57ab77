//! Finding the bracket of one valve: one leaf at a time, until the verdict is settled or no leaf tells more.

use std::collections::BTreeMap;

use shared::bracket::Bracket;
use shared::leaf::check_leaf;
use shared::length::{Length, LengthUnit};
use shared::record::Stage;
use shared::valve::Valve;
use shared::verdict::{NextLeaf, Verdict, judge, next_leaf};

use super::Check;
use crate::ask::{self, Halt};
use crate::exit::Failure;
use crate::given::Leaves;

/// An answer to "does it go?".
enum Goes {
    Yes,
    No,
    Both(Leaves),
    Skip,
}

/// The leaves of one valve at one stage; `None` where the person leaves the valve out.
pub(super) fn find(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage) -> Result<Option<Leaves>, Halt> {
    let Some(range) = check.card.as_ref().map(|card| card.range(valve.side())) else {
        return both(check, valve, stage);
    };
    let mut bracket: Option<Bracket> = None;
    let mut stacks: BTreeMap<Length, Vec<Length>> = BTreeMap::new();
    let mut next = check.session.book.first_leaf(check.machine, valve, &check.set)?;
    while let Some(leaf) = next {
        let thickness = leaf.feeler.thickness;
        match goes(check, valve, stage, &leaf)? {
            Goes::Skip => return Ok(None),
            Goes::Both(leaves) => return Ok(Some(leaves)),
            answer @ (Goes::Yes | Goes::No) => {
                let (go, no_go) = bracket.map_or((None, None), |b| (b.go(), b.no_go()));
                let (go, no_go) = if matches!(answer, Goes::Yes) { (Some(thickness), no_go) } else { (go, Some(thickness)) };
                bracket = Some(usable(go, no_go, check.session.unit)?);
                if leaf.feeler.leaves.len() > 1 {
                    stacks.insert(thickness, leaf.feeler.leaves);
                }
            }
        }
        next = next_leaf(bracket.as_ref(), &range, &check.set);
    }
    let Some(bracket) = bracket else { return both(check, valve, stage) };
    let bracket = match judge(&bracket, &range) {
        Verdict::Tight | Verdict::Loose => closed(check, bracket)?,
        _ => bracket,
    };
    let single = [bracket.go(), bracket.no_go()].into_iter().flatten().filter_map(|leaf| stacks.get(&leaf)).flatten().copied();
    Ok(Some(Leaves { go: bracket.go(), no_go: bracket.no_go(), single: single.collect() }))
}

fn goes(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage, leaf: &NextLeaf) -> Result<Goes, Halt> {
    let unit = check.session.unit;
    let question = format!("{valve} {stage}: try {}. Does it go?", leaf.feeler.words(unit));
    ask::until(check.session, &question, |session, answer| match answer.to_ascii_lowercase().as_str() {
        "y" | "yes" => Ok(Goes::Yes),
        "n" | "no" => Ok(Goes::No),
        "s" => Ok(Goes::Skip),
        text if text.contains('/') => read_both(text, session.unit).map(Goes::Both),
        _ => Err(Failure::Given(format!("\"{answer}\" is neither y nor n, nor two leaves as in 5/6"))),
    })
}

/// Both leaves at once: where there is no card to be guided by.
fn both(check: &mut Check<'_, '_, '_>, valve: Valve, stage: Stage) -> Result<Option<Leaves>, Halt> {
    let question = format!("{valve} {stage}: the largest leaf that goes and the smallest that does not, as 5/6:");
    ask::until(check.session, &question, |session, answer| match answer {
        "s" | "S" => Ok(None),
        text => read_both(text, session.unit).map(Some),
    })
}

fn read_both(text: &str, unit: LengthUnit) -> Result<Leaves, Failure> {
    let leaves = Leaves::short(text, unit)?;
    for leaf in [leaves.go, leaves.no_go].into_iter().flatten() {
        check_leaf(leaf).map_err(|e| Failure::Given(e.in_unit(unit).trim_end_matches('.').to_owned()))?;
    }
    usable(leaves.go, leaves.no_go, unit)?;
    Ok(leaves)
}

/// How far off a valve is can be said only between two leaves: the missing one is asked for, and may stay missing.
fn closed(check: &mut Check<'_, '_, '_>, bracket: Bracket) -> Result<Bracket, Halt> {
    let question = match (bracket.go(), bracket.no_go()) {
        (None, Some(_)) => "How tight? The largest leaf that does go (Enter: not tried):",
        (Some(_), None) => "How loose? The smallest leaf that does not go (Enter: not tried):",
        _ => return Ok(bracket),
    };
    ask::until(check.session, question, |session, answer| {
        if answer.is_empty() {
            return Ok(bracket);
        }
        let leaf = Length::parse(answer, session.unit).map_err(|e| Failure::Given(e.to_string()))?;
        check_leaf(leaf).map_err(|e| Failure::Given(e.in_unit(session.unit).trim_end_matches('.').to_owned()))?;
        usable(bracket.go().or(Some(leaf)), bracket.no_go().or(Some(leaf)), session.unit)
    })
}

fn usable(go: Option<Length>, no_go: Option<Length>, unit: LengthUnit) -> Result<Bracket, Failure> {
    Bracket::new(go, no_go).map_err(|e| Failure::Given(e.in_unit(unit).trim_end_matches('.').to_owned()))
}
