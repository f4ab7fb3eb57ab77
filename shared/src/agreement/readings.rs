//! A study from the brackets that people wrote down, which are seldom complete.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::{AgreementError, Spread, Study};
use crate::bracket::Bracket;
use crate::length::{Length, LengthUnit};

/// Every choice of people is weighed up to so many; of more, those with the most closed readings.
pub const MOST_SEARCHED_PEOPLE: usize = 12;

/// One of several readings of the same gap.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RepeatReading {
    /// What was read, as the shop calls it. The gap must not have been touched between readings.
    pub part: String,
    /// Who read it.
    pub person: String,
    /// What the leaves said.
    #[serde(flatten)]
    pub bracket: Bracket,
}

/// Why readings are not in the study.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeftOutWhy {
    /// A leaf is missing, so that there is no middle.
    OpenBracket,
    /// The part or the person is not in the block that everybody read alike.
    NotCrossed,
    /// The person read the part more often than the block has trials; the first ones are taken.
    FurtherTrial,
}

/// Readings of one person on one part that are not in the study.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// What was read.
    pub part: String,
    /// Who read it.
    pub person: String,
    /// How many readings.
    pub readings: usize,
    /// Why.
    pub why: LeftOutWhy,
}

/// The complete crossed block of a heap of readings. Its study is in tenths of a micrometre.
#[derive(Debug, Clone, PartialEq)]
pub struct Crossed {
    /// The middles of the brackets, in tenths of a micrometre.
    pub study: Study,
    /// The parts in the order of the study, by name.
    pub parts: Vec<String>,
    /// The people in the order of the study, by name.
    pub people: Vec<String>,
    /// What was left out, by part, then person.
    pub left_out: Vec<LeftOut>,
    /// The widest bracket of the study: how coarse the leaves were.
    pub widest: Length,
}

/// The middles and widths of one person's closed readings of one part, in the order given.
type Cell = Vec<(f64, Length)>;

impl Study {
    /// The largest complete block of a heap of repeat readings: the middles of closed brackets, in tenths of a µm.
    ///
    /// Of all choices of people, parts and trials (two or more of each) that everybody read alike, the one that keeps
    /// the most readings; then the more people, then the more parts, then the names that come first. Trials are in the
    /// order given. Names count without blanks at their ends. A bracket's middle stands for anything in it: see
    /// [`Crossed::words`].
    ///
    /// # Errors
    /// [`AgreementError::NotCrossed`] where no two people closed the bracket on the same two parts twice each, and those of
    /// [`Study::new`].
    pub fn from_readings(readings: &[RepeatReading]) -> Result<Crossed, AgreementError> {
        let mut open: BTreeMap<(&str, &str), usize> = BTreeMap::new();
        let mut cells: BTreeMap<(&str, &str), Cell> = BTreeMap::new();
        for reading in readings {
            let key = (reading.part.trim(), reading.person.trim());
            match (reading.bracket.go(), reading.bracket.no_go()) {
                (Some(go), Some(no_go)) => cells.entry(key).or_default().push((middle(go, no_go), no_go.minus(go))),
                _ => *open.entry(key).or_default() += 1,
            }
        }
        let Some(block) = largest_block(&cells) else {
            return Err(AgreementError::NotCrossed { closed: cells.values().map(Vec::len).sum(), open: open.values().sum() });
        };

        let mut widest = Length::ZERO;
        let mut take = |part: &str, person: &str| -> Vec<f64> {
            let taken = cells.get(&(part, person)).into_iter().flat_map(|cell| cell.iter().take(block.trials));
            taken.inspect(|(_, width)| widest = widest.max(*width)).map(|(middle, _)| *middle).collect()
        };
        let middles = block.parts.iter().map(|part| block.people.iter().map(|person| take(part, person)).collect()).collect();
        let study = Self::new(middles)?;

        let mut left_out = Vec::new();
        let mut leave = |(part, person): (&str, &str), readings: usize, why| {
            left_out.push(LeftOut { part: part.to_owned(), person: person.to_owned(), readings, why });
        };
        open.iter().for_each(|(key, count)| leave(*key, *count, LeftOutWhy::OpenBracket));
        for (key, cell) in &cells {
            // In order, and so looked up: of parts there are as many as valves and days.
            if !(block.parts.binary_search(&key.0).is_ok() && block.people.contains(&key.1)) {
                leave(*key, cell.len(), LeftOutWhy::NotCrossed);
            } else if cell.len() > block.trials {
                leave(*key, cell.len() - block.trials, LeftOutWhy::FurtherTrial);
            }
        }
        left_out.sort_by(|a, b| (&a.part, &a.person, a.why).cmp(&(&b.part, &b.person, b.why)));
        let owned = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect();
        Ok(Crossed { study, parts: owned(&block.parts), people: owned(&block.people), left_out, widest })
    }
}

impl Crossed {
    /// What was taken, what was left out, and whether the leaves were too coarse to show the spread that was found.
    ///
    /// The last: a gap anywhere in a bracket of width w has a standard deviation of w/√12 about its middle (JCGM 100:2008
    /// 4.3.7, from memory). A repeatability below that says more about the leaves than about the people.
    #[must_use]
    pub fn words(&self, spread: &Spread, unit: LengthUnit) -> String {
        let (parts, people, trials) = (self.study.parts(), self.study.people(), self.study.trials());
        let count = |why: LeftOutWhy| self.left_out.iter().filter(|left| left.why == why).map(|left| left.readings).sum::<usize>();
        let mut said = format!("{people} people, {parts} parts, {trials} trials each.");
        for (why, what) in [
            (LeftOutWhy::OpenBracket, "with only one leaf"),
            (LeftOutWhy::NotCrossed, "of parts or people that not all have in common"),
            (LeftOutWhy::FurtherTrial, "beyond the trials that all have"),
        ] {
            if count(why) > 0 {
                said += &format!(" Left out: {} {what}.", count(why));
            }
        }
        let hidden = tenths(self.widest) / 12f64.sqrt();
        if spread.ev < hidden {
            said += &format!(
                " The leaves step by up to {}, which alone hides a spread of {}; the repeatability found, {}, is below that. Finer leaves, or stacks, would show more.",
                self.widest.show(unit),
                show(hidden, unit),
                show(spread.ev, unit)
            );
        }
        said
    }
}

/// Parts, people and trials that all have in common.
struct Block<'r> {
    parts: Vec<&'r str>,
    people: Vec<&'r str>,
    trials: usize,
}

/// The block that keeps the most readings, by the rules of [`Study::from_readings`].
fn largest_block<'r>(cells: &BTreeMap<(&'r str, &'r str), Cell>) -> Option<Block<'r>> {
    let parts: BTreeSet<&str> = cells.keys().map(|key| key.0).collect();
    let mut closed: BTreeMap<&str, usize> = BTreeMap::new();
    for (key, cell) in cells {
        *closed.entry(key.1).or_default() += cell.len();
    }
    let mut people: Vec<&str> = closed.keys().copied().collect();
    people.sort_by_key(|person| std::cmp::Reverse(closed.get(person).copied()));
    people.truncate(MOST_SEARCHED_PEOPLE);
    people.sort_unstable();

    let count = |part: &'r str, person: &'r str| cells.get(&(part, person)).map_or(0, Vec::len);
    let mut best: Option<((usize, usize, usize), Block<'r>)> = None;
    for choice in 0u32..1 << people.len() {
        let chosen: Vec<&str> = people.iter().enumerate().filter(|(at, _)| choice >> at & 1 == 1).map(|(_, person)| *person).collect();
        if chosen.len() < 2 {
            continue;
        }
        // How often all of them read each part, most often first: the first n parts have the n-th one's trials in common.
        let mut common: Vec<(usize, &str)> =
            parts.iter().map(|part| (chosen.iter().map(|person| count(part, person)).min().unwrap_or(0), *part)).collect();
        common.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(b.1)));
        // No two have the same merit: each takes another number of parts.
        let blocks = (1..).zip(&common).filter(|(taken, (trials, _))| *taken >= 2 && *trials >= 2);
        let greatest = blocks.map(|(taken, (trials, _))| ((taken * trials * chosen.len(), chosen.len(), taken), *trials)).max();
        if let Some((merit, trials)) = greatest.filter(|(merit, _)| best.as_ref().is_none_or(|(most, _)| *most < *merit)) {
            let mut parts: Vec<&str> = common.iter().take(merit.2).map(|(_, part)| *part).collect();
            parts.sort_unstable();
            best = Some((merit, Block { parts, people: chosen, trials }));
        }
    }
    best.map(|(_, block)| block)
}

/// Halfway between two leaves, in tenths of a µm.
fn middle(go: Length, no_go: Length) -> f64 {
    f64::midpoint(tenths(go), tenths(no_go))
}

#[expect(clippy::cast_precision_loss, reason = "leaves are below 2^53 tenths, and a study refuses what is not")]
fn tenths(length: Length) -> f64 {
    length.tenth_um() as f64
}

/// A spread in tenths of a µm, for a screen: it is an estimate, and two or three decimals are plenty.
fn show(tenth_um: f64, unit: LengthUnit) -> String {
    format!("{} {unit}", unit.worked_out(tenth_um, 2))
}
