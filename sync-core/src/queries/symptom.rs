//! Symptoms first: what to look at on a machine, with what the book knows of it.

use serde::Serialize;
use shared::caution::DEFERENCE;
use shared::ids::DocId;
use shared::length::LengthUnit;
use shared::record::{FindingKind, Stage};
use shared::symptom::{End, Evidence, Look, Symptom};
use shared::verdict::Verdict;

use super::MachineReader;
use super::machine::{LashView, MachineView};
use crate::engine::BookError;
use crate::sys::clock::ClockReading;

/// What to look at for a symptom.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SymptomView {
    /// Which.
    pub symptom: Symptom,
    /// As people say it.
    pub title: &'static str,
    /// What the book knows of the machine that bears on all of it, a sentence each.
    pub known: Vec<String>,
    /// What is looked at, in order.
    pub looks: Vec<LookView>,
    /// Whom the tool defers to: shown with it.
    pub deference: &'static str,
}

/// One thing to look at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LookView {
    /// Which.
    pub look: Look,
    /// What is looked at.
    pub what: &'static str,
    /// Why.
    pub why: &'static str,
    /// What follows.
    pub then: &'static str,
    /// In what it ends.
    pub end: End,
    /// What the book knows for it, a sentence each.
    pub known: Vec<String>,
}

impl MachineReader<'_> {
    /// What to look at on a machine for a symptom, and in which order.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine; the store.
    pub fn symptom(&self, machine: DocId, symptom: Symptom, unit: LengthUnit, now: &ClockReading) -> Result<SymptomView, BookError> {
        let view = self.machine_screen(machine, unit, now)?;
        let known = |look: Look| look.evidence().map_or_else(Vec::new, |evidence| last_outside(&view.lash, evidence));
        let looks = symptom.looks_by(|look| !known(look).is_empty()).into_iter().map(|look| LookView {
            look,
            what: look.what(),
            why: look.why(),
            then: look.then(),
            end: look.end(),
            known: known(look),
        });
        let looks = looks.collect();
        Ok(SymptomView { symptom, title: symptom.words(), known: of_machine(&view), looks, deference: DEFERENCE })
    }
}

/// What bears on whatever is looked at: what forbids running it, what was found, when its check is due.
fn of_machine(view: &MachineView) -> Vec<String> {
    let found = view.findings.iter().map(|one| match one.grade {
        FindingKind::Hold => format!("It is on hold: {}", one.what),
        FindingKind::Watch => format!("It is watched: {}", one.what),
    });
    let due = Some(view.due_words.clone()).filter(|words| !words.is_empty());
    found.chain(due).map(|sentence| format!("{}.", sentence.trim_end_matches('.'))).collect()
}

/// The valves that the latest reading left, or found, outside of their range, in words.
fn last_outside(lash: &[LashView], evidence: Evidence) -> Vec<String> {
    let off = |verdict: Option<Verdict>| match verdict {
        Some(Verdict::Loose) if evidence != Evidence::Narrow => Some("too wide"),
        Some(Verdict::Tight) if evidence != Evidence::Wide => Some("too narrow"),
        _ => None,
    };
    let latest = |view: &&LashView| {
        let of_valve = lash.iter().filter(|other| other.lash.valve == view.lash.valve && other.lash.stage != Stage::Set);
        of_valve.filter_map(|other| other.lash.at_ms).max() == view.lash.at_ms && view.lash.stage != Stage::Set
    };
    lash.iter()
        .filter(latest)
        .filter_map(|view| Some(format!("{} was {} {}: {}.", view.lash.valve, view.lash.stage.name(), off(view.judged)?, view.words)))
        .collect()
}
