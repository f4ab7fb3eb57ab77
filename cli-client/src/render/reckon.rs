//! What was reckoned, on a screen: its words, and tables where there is a list.

use shared::agreement::Spread;
use shared::ids::PropertyId;
use shared::length::LengthUnit;
use shared::round::{PutOffWhy, Reason, Round, StopMachine};
use sync_core::queries::reckon::{AgreementFacts, MeterLine};

use super::{Table, indented, sentence, width, wrapped};
use crate::exit::Failure;
use crate::session::Session;

/// The words of an answer, a line each.
pub(crate) fn said(words: &[String], width: usize) -> String {
    wrapped(&words.iter().map(|words| sentence(words)).collect::<Vec<_>>().join("\n"), width)
}

/// A way in tenths of a µm that was worked out, as finely as it means anything; in inches where gaps are in thou.
pub(crate) fn fine(tenth_um: f64, unit: LengthUnit) -> String {
    let unit = if unit == LengthUnit::Thou { LengthUnit::Inch } else { unit };
    format!("{} {unit}", unit.worked_out(tenth_um, 1))
}

/// The hour meter's readings, oldest first. Why one cannot be is in the words.
pub(crate) fn meter(lines: &[MeterLine], width: usize) -> String {
    let mut table = Table::new(&["When", "Meter", "Engine", ""]);
    for line in lines {
        let engine = line.engine.filter(|_| line.doubt.is_none()).map_or_else(|| "-".to_owned(), |hours| format!("{hours} h"));
        let doubt = if line.doubt.is_some() { "in doubt" } else { "" };
        table.row([line.when.clone(), format!("{} h", line.meter), engine, doubt.to_owned()]);
    }
    if table.is_empty() { String::new() } else { table.text(width) }
}

/// How far people agree, by both methods side by side; what was read, and by whom.
pub(crate) fn agreement(facts: &AgreementFacts, unit: LengthUnit, width: usize) -> String {
    let methods = [facts.average_range.as_ref().map(|by| by.spread), facts.anova.as_ref().map(|by| by.spread)];
    let mut table = Table::new(&["Standard deviation", "By ranges", "%", "By variance", "%"]);
    type Part = (&'static str, fn(&Spread) -> (f64, f64));
    let parts: [Part; 6] = [
        ("EV, the same person again", |s| (s.ev, s.percent_ev)),
        ("AV, between people", |s| (s.av, s.percent_av)),
        ("On some valves only", |s| (s.interaction, s.percent_interaction)),
        ("GRR, all measuring", |s| (s.grr, s.percent_grr)),
        ("PV, between valves", |s| (s.pv, s.percent_pv)),
        ("TV, everything", |s| (s.tv, 100.0)),
    ];
    for (name, part) in parts {
        let cells = methods.iter().flat_map(|spread| match spread.as_ref().map(part) {
            Some((deviation, percent)) => [finer(deviation, unit), format!("{percent:.1}")],
            None => ["-".to_owned(), "-".to_owned()],
        });
        table.row([name.to_owned()].into_iter().chain(cells));
    }
    let classes = methods.iter().flat_map(|spread| {
        let ndc = spread.map_or_else(|| "-".to_owned(), |s| s.ndc.map_or_else(|| "any".to_owned(), |ndc| ndc.to_string()));
        [ndc, String::new()]
    });
    table.row(["ndc, sizes told apart".to_owned()].into_iter().chain(classes));
    let mut parts = vec![table.text(width)];
    parts.push(wrapped(&format!("People: {}.\nValves: {}.", facts.people.join(", "), facts.parts.join("; ")), width));
    if !facts.remarks.is_empty() {
        parts.push(said(&facts.remarks, width));
    }
    parts.join("\n\n")
}

/// A standard deviation is finer than any leaf.
fn finer(tenth_um: f64, unit: LengthUnit) -> String {
    format!("{} {unit}", unit.worked_out(tenth_um, 2))
}

/// The week's round: its first sentence, the stops, and what is put off.
pub(crate) fn round(round: &Round, words: &[String], session: &Session<'_, '_>) -> Result<String, Failure> {
    let wide = width(session.env);
    let mut parts = vec![said(words.get(..1).unwrap_or_default(), wide)];
    let mut table = Table::new(&["Where", "Machines", "Minutes", "Bring"]);
    for stop in &round.stops {
        let machines: Vec<String> = stop.machines.iter().map(machine).collect();
        let bring: Vec<String> = stop.parts.iter().map(|(part, count)| format!("{count} {part}")).collect();
        table.row([place(stop.property, session)?, machines.join("; "), stop.minutes.to_string(), bring.join(", ")]);
    }
    if !table.is_empty() {
        parts.push(table.text(wide));
    }
    let mut put_off = Vec::new();
    for off in &round.put_off {
        let why = match off.why {
            PutOffWhy::NoTimeLeft => "more urgent stops take the time",
            PutOffWhy::LongerThanRound => "takes longer than the whole round may",
        };
        put_off.push(format!("{} at {}: {why}.", machine(&off.machine), place(off.property, session)?));
    }
    if !put_off.is_empty() {
        parts.push(format!("Put off:\n{}", indented(&put_off.join("\n"), wide)));
    }
    Ok(parts.join("\n\n"))
}

fn place(property: PropertyId, session: &Session<'_, '_>) -> Result<String, Failure> {
    Ok(session.book.reader().property(property)?.map_or_else(|| "a property not known here".to_owned(), |card| card.name))
}

fn machine(machine: &StopMachine) -> String {
    let reason = match machine.reason {
        Reason::Hold => "on hold",
        Reason::Recheck => "to read again",
        Reason::Overdue => "overdue",
        Reason::NeverChecked => "never checked",
        Reason::LeftOpen => "left with something open",
        Reason::Soon => "due soon",
    };
    let date = machine
        .date
        .filter(|_| !matches!(machine.reason, Reason::NeverChecked | Reason::LeftOpen))
        .map_or_else(String::new, |date| format!(" ({date})"));
    format!("{} {reason}{date}", machine.tag)
}
