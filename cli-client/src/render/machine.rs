//! One machine on a screen.

use shared::record::FindingKind;
use shared::text::count;
use sync_core::judge::machine::OpenFinding;
use sync_core::judge::standing::State;
use sync_core::queries::{CheckReading, MachineView, NoteLine, short};

use super::{Table, indented, sentence, width, wrapped};
use crate::exit::Failure;
use crate::session::Session;

/// How a slot stands, in a word; what wants somebody's eye in capitals, since a terminal has no other means.
pub(crate) const fn state(state: State) -> &'static str {
    match state {
        State::Contested => "CONTESTED",
        other => other.words(),
    }
}

/// What forbids running a machine, before anything else is said of it; `None` where nothing does.
pub(crate) fn holds<'f>(holds: impl IntoIterator<Item = &'f OpenFinding>, session: &Session<'_, '_>) -> Result<Option<String>, Failure> {
    let lines: Result<Vec<String>, Failure> = holds
        .into_iter()
        .map(|hold| {
            let (short, when) = (short(&hold.finding), session.local(hold.at_ms)?);
            Ok(format!("ON HOLD, do not run: {} Found {when}, finding {short}.", sentence(&hold.what)))
        })
        .collect();
    let lines = lines?;
    Ok(if lines.is_empty() { None } else { Some(wrapped(&lines.join("\n"), width(session.env))) })
}

/// The whole screen of one machine.
pub(crate) fn screen(view: &MachineView, session: &Session<'_, '_>) -> Result<String, Failure> {
    let width = width(session.env);
    let mut parts: Vec<String> = holds(view.state.holds(), session)?.into_iter().collect();
    parts.extend(notes(&view.notes, view.more.notes, session)?);
    parts.push(head(view, session)?);
    parts.push(if view.checks.is_empty() { "Clearances: none read yet.".to_owned() } else { clearances(view, session) });
    let mut open = Vec::new();
    for finding in view.findings.iter().filter(|finding| finding.grade != FindingKind::Hold) {
        open.push(format!("Finding {}: {} ({}).", short(&finding.finding), finding.what, session.local(finding.at_ms)?));
    }
    for slot in &view.state.contested {
        open.push(format!("Contested: {}. The office or a lead rules.", slot.words()));
    }
    for slot in &view.state.recheck {
        open.push(format!("To be measured again, by ruling: {}.", slot.words()));
    }
    for aside in &view.state.aside {
        open.push(format!("Not used, {} {}: {}", aside.slot.words(), short(&aside.aside.id), sentence(&aside.aside.why.to_string())));
    }
    for visit in view.visits.iter().filter(|v| v.visit.finished_ms.is_none()) {
        open.push(format!("Visit {} of {} is open since {}.", short(&visit.visit.visit), visit.by_name, session.local(visit.visit.at_ms)?));
    }
    if !open.is_empty() {
        parts.push(format!("Open:\n{}", indented(&open.join("\n"), width)));
    }
    Ok(parts.join("\n\n"))
}

/// The latest notes, before anything else is read; nothing where there are none.
pub(crate) fn notes(notes: &[NoteLine], more: usize, session: &Session<'_, '_>) -> Result<Option<String>, Failure> {
    let mut lines = Vec::new();
    for note in notes {
        lines.push(format!("{} ({}, {})", note.text, note.by, session.local(note.at_ms)?));
    }
    if more > 0 {
        lines.push(format!("And {}: see tappet history.", count(more, "older note", "older notes")));
    }
    Ok(if lines.is_empty() { None } else { Some(format!("Notes:\n{}", indented(&lines.join("\n"), width(session.env)))) })
}

fn head(view: &MachineView, session: &Session<'_, '_>) -> Result<String, Failure> {
    let width = width(session.env);
    let provisional = if view.provisional { ", provisional: the office has not confirmed it" } else { "" };
    let about = if view.description.is_empty() { String::new() } else { format!(", {}", view.description) };
    let mut lines = vec![format!("{}{about}", view.tag)];
    lines.push(format!("At {}; {} duty{provisional}.", view.property_name, view.duty.name()));
    lines.push(match &view.state.hours {
        Some(hours) => format!("Hour meter {} h, read {}.", hours.meter, session.local(hours.at_ms)?),
        None => "Hour meter: no reading stands.".to_owned(),
    });
    lines.push(sentence(&view.due_words));
    lines.push(match &view.engine_card {
        Some(card) => card.words(session.unit),
        None => "No engine card yet: readings are kept and not judged.".to_owned(),
    });
    Ok(wrapped(&lines.join("\n"), width))
}

/// Checks on the screen: the latest ones. The others are in the history.
const CHECKS: usize = 5;

/// One block for each visit, so that nothing of two visits stands in one row.
fn clearances(view: &MachineView, session: &Session<'_, '_>) -> String {
    let width = width(session.env);
    let mut blocks = Vec::new();
    for check in view.checks.iter().take(CHECKS) {
        let whose = match (check.visit.is_some(), check.open) {
            (false, _) => format!("Read on {} outside of a visit, by {}:", check.day, check.by),
            (true, true) => format!("Visit of {}, {}, not finished:", check.day, check.by),
            (true, false) => format!("Visit of {}, {}:", check.day, check.by),
        };
        let mut table = Table::new(&["Valve", "Found", "Set", "Left"]);
        for of in &check.valves {
            let cell = |reading: &Option<CheckReading>| reading.as_ref().map_or_else(|| "-".to_owned(), |reading| said(reading, &check.by));
            table.row([of.valve.to_string(), cell(&of.found), cell(&of.set), cell(&of.left)]);
        }
        let table: Vec<String> = table.text(width - 2).lines().map(|line| format!("  {line}").trim_end().to_owned()).collect();
        blocks.push(format!("{}\n{}", wrapped(&whose, width), table.join("\n")));
    }
    let more = view.checks.len().saturating_sub(CHECKS) + view.more.checks;
    if more > 0 {
        blocks.push(format!("And {}: see tappet history.", count(more, "earlier visit", "earlier visits")));
    }
    let open = view.lash.iter().filter(|line| line.lash.state != State::Stands);
    let remarks: Vec<String> = open
        .map(|line| {
            format!(
                "{} {}: {}. {}",
                line.lash.valve,
                line.lash.stage.name(),
                state(line.lash.state),
                sentence(&line.lash.reason.to_string())
            )
        })
        .collect();
    if !remarks.is_empty() {
        blocks.push(indented(&remarks.join("\n"), width));
    }
    blocks.join("\n")
}

fn said(reading: &CheckReading, by: &str) -> String {
    let warm = if reading.cold { "" } else { ", cold not confirmed" };
    let verdict = match (reading.judged, reading.gross) {
        (Some(verdict), Some(gross)) => format!("{}, {}", verdict.word(), gross.word()),
        (Some(verdict), None) => verdict.word().to_owned(),
        (None, _) => "not judged".to_owned(),
    };
    let who = if reading.by == by { String::new() } else { format!(" ({})", reading.by) };
    format!("{}{warm}; {verdict}{who}", reading.words)
}
