//! One machine on a screen.

use shared::record::FindingKind;
use sync_core::machine::OpenFinding;
use sync_core::standing::State;
use sync_core::view::{LashView, MachineView, short};

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
    parts.push(head(view, session)?);
    if view.lash.is_empty() {
        parts.push("Clearances: none read yet.".to_owned());
    } else {
        parts.push(clearances(view, session)?);
    }
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
        open.push(format!("Not used, {} {}: {}", aside.slot.words(), short(&aside.aside.id), sentence(&aside.aside.why)));
    }
    for visit in view.visits.iter().filter(|v| v.visit.finished_ms.is_none()) {
        open.push(format!("Visit {} of {} is open since {}.", short(&visit.visit.visit), visit.by_name, session.local(visit.visit.at_ms)?));
    }
    if !open.is_empty() {
        parts.push(format!("Open:\n{}", indented(&open.join("\n"), width)));
    }
    Ok(parts.join("\n\n"))
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

fn clearances(view: &MachineView, session: &Session<'_, '_>) -> Result<String, Failure> {
    let mut table = Table::new(&["Valve", "Stage", "Clearance", "Verdict", "Who", "When"]);
    let mut remarks = Vec::new();
    for line in &view.lash {
        let when = line.lash.at_ms.map(|ms| session.local(ms)).transpose()?.unwrap_or_default();
        let (valve, stage) = (line.lash.valve.to_string(), line.lash.stage.name().to_owned());
        if line.lash.state != State::Stands {
            remarks.push(format!("{valve} {stage}: {}. {}", state(line.lash.state), sentence(&line.lash.reason)));
        }
        table.row([valve, stage, clearance(line), verdict(line), line.by_name.clone(), when]);
    }
    let width = width(session.env);
    Ok(format!("{}\n{}", table.text(width), indented(&remarks.join("\n"), width)).trim_end().to_owned())
}

fn clearance(line: &LashView) -> String {
    let warm = if line.lash.stands.is_some() && !line.lash.cold { ", cold not confirmed" } else { "" };
    format!("{}{warm}", line.words)
}

fn verdict(line: &LashView) -> String {
    match (line.judged, line.gross, line.lash.stands) {
        (Some(verdict), Some(gross), _) => format!("{}, {}", verdict.word(), gross.word()),
        (Some(verdict), None, _) => verdict.word().to_owned(),
        (None, _, Some(_)) => "not judged".to_owned(),
        (None, _, None) => "-".to_owned(),
    }
}
