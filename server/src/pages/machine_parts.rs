//! The parts of a machine's page.

use std::collections::BTreeMap;

use maud::{Markup, html};
use shared::engine_card::{Duty, EngineCard};
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{FindingKind, Stage};
use shared::valve::Valve;
use shared::verdict::Verdict;
use sync_core::judge::standing::State;
use sync_core::queries::bounds::MOST_POINTS;
use sync_core::queries::reckon::{LashCourse, MeterLine, Reckoned};
use sync_core::queries::{CheckLine, CheckReading, Fate, MachineView, NoteLine, PropertyLine};

use super::current_user::CurrentUser;
use super::desk::machine_at;
use super::forms::form;
use super::layout::{and_more, field, nothing, step, table};
use super::{chart, ruling, words};
use crate::problem_response::sentence;

/// What is open on a machine: holds first.
pub(super) fn open(visitor: &CurrentUser, view: &MachineView, doc: DocId) -> Markup {
    let (holds, findings): (Vec<_>, Vec<_>) = view.findings.iter().partition(|f| f.grade == FindingKind::Hold);
    let back = machine_at(doc);
    html! {
        @for hold in holds {
            div.stop-box {
                p { span.stop { "HOLD, do not run: " } (sentence(&hold.what)) }
                p.soft { a href={ "/office/records/" (hold.finding) } { (visitor.local(hold.at_ms)) } }
                (clear_form(visitor, hold.finding, &back))
            }
        }
        @for slot in &view.state.contested { p { span.tag.warn { "contested" } " " a href=(ruling::at(doc, slot)) { (slot.words()) } } }
        @for slot in &view.state.recheck { p { span.tag.warn { "measure again" } " " a href=(ruling::at(doc, slot)) { (slot.words()) } ", by ruling." } }
        @for aside in &view.state.aside {
            p { span.tag.warn { "not used" } " " a href=(ruling::at(doc, &aside.slot)) { (aside.slot.words()) } ": " (sentence(&aside.aside.why.to_string())) }
        }
        @for finding in findings {
            p { span.tag { "finding" } " " (sentence(&finding.what)) " " span.soft { (visitor.local(finding.at_ms)) } }
            (clear_form(visitor, finding.finding, &back))
        }
        (and_more(view.more.slots + view.more.aside + view.more.findings, "matter", "matters"))
    }
}

/// Clearing a finding or a hold, in two actions.
pub(super) fn clear_form(visitor: &CurrentUser, finding: RecordId, back: &str) -> Markup {
    let inside = html! {
        input type="hidden" name="back" value=(back);
        (field("How it was cleared", "what was done, and who saw it", &html! { input name="how" required maxlength="1000"; }))
        button { "It is cleared" }
    };
    step("Clear it", &form(visitor, &format!("/office/findings/{finding}/clear"), &inside))
}

pub(super) fn engine_card(visitor: &CurrentUser, view: &MachineView) -> Markup {
    html! {
        @match &view.engine_card {
            None => p { span.warn { "No engine card yet" } ": readings are kept and not judged." },
            Some(card) => {
                p.soft { (card.words(visitor.unit)) " " a href={ "/office/cards/" (card.card) } { "The card" } "." }
            }
        }
    }
}

fn verdict(reading: &CheckReading) -> Markup {
    html! {
        @match reading.judged {
            Some(Verdict::InSpec) => span.good { (Verdict::InSpec.word()) },
            Some(verdict @ Verdict::NotSettled(_)) => { (verdict.word()) },
            Some(verdict) => span.stop { (verdict.word()) },
            None => "not judged",
        }
        @if let Some(gross) = reading.gross {
            ", " span.stop { (gross.word()) }
            br; small { (gross.asks().join(" ")) }
        }
    }
}

/// The checks: one row for each valve of each visit, so that nothing of two visits stands in one row.
pub(super) fn valves(view: &MachineView) -> Markup {
    let doc = view.machine.doc();
    let cell = |check: &CheckLine, valve: Valve, stage: Stage, reading: &CheckReading| {
        let slot = shared::slot::Slot::Lash(valve, stage);
        html! {
            a href=(ruling::at(doc, &slot)) { (reading.words) }
            @if !reading.cold { ", " span.warn { "cold not confirmed" } }
            " " (verdict(reading))
            @if let Some(state) = reading.state.filter(|state| *state != State::Stands) { br; span.tag { (state.words()) } }
            @if reading.by != check.by { br; small { (reading.by) } }
        }
    };
    let mut rows: Vec<Vec<Markup>> = Vec::new();
    for check in &view.checks {
        let visit = html! {
            (check.day) br;
            small {
                (check.by)
                @if check.visit.is_none() { ", outside of a visit" } @else if check.open { ", " span.warn { "not finished" } }
            }
        };
        for of in &check.valves {
            let at = |stage: Stage, reading: &Option<CheckReading>| {
                reading.as_ref().map(|r| cell(check, of.valve, stage, r)).unwrap_or_default()
            };
            let valve = html! { (of.valve) br; small { (of.valve.words()) } };
            rows.push(vec![visit.clone(), valve, at(Stage::Found, &of.found), at(Stage::Set, &of.set), at(Stage::Left, &of.left)]);
        }
    }
    html! {
        h2 { "Valve clearances" }
        @if rows.is_empty() { (nothing("None has been read yet.")) }
        @else { (table("By visit, the latest first: what was found, set and left that time", &["Visit", "Valve", "Found", "Set", "Left"], &rows)) }
        (and_more(view.more.checks, "earlier visit", "earlier visits"))
        @for line in view.lash.iter().filter(|line| line.lash.state == State::Recheck) {
            p { span.tag.warn { "measure again" } " " a href=(ruling::at(doc, &shared::slot::Slot::Lash(line.lash.valve, line.lash.stage))) { (line.lash.valve) " " (line.lash.stage.name()) } ": nothing stands, by ruling." }
        }
    }
}

/// The latest notes, before anything else is read.
pub(super) fn notes(visitor: &CurrentUser, notes: &[NoteLine], more: usize) -> Markup {
    html! {
        @if !notes.is_empty() {
            section.notes aria-label="Notes" {
                @for note in notes { p { (note.text) " " span.soft { (note.by) ", " (visitor.local(note.at_ms)) } } }
                (and_more(more, "older note", "older notes"))
            }
        }
    }
}

/// Each valve over engine hours, with its drift in words and the same readings as a table.
pub(super) fn courses(courses: &[LashCourse], unit: LengthUnit) -> Markup {
    html! {
        @if courses.iter().any(|course| !course.points.is_empty()) {
            h2 { "Over engine hours" }
            div.cards {
                @for (n, course) in courses.iter().enumerate() {
                    section.card {
                        h3 { (course.valve) ", " (course.valve.words()) }
                        @match chart::course(&format!("v{n}"), course, unit) {
                            Some(drawn) => (drawn),
                            None => (nothing("No reading has engine hours, so none can be placed.")),
                        }
                        @for line in &course.drift { p { (line) } }
                        (readings(course))
                    }
                }
            }
        }
    }
}

fn readings(course: &LashCourse) -> Markup {
    let rows: Vec<Vec<Markup>> = course
        .points
        .iter()
        .rev()
        .map(|point| {
            vec![
                html! { (point.when) },
                html! { @if let Some(hours) = point.engine { (hours) } @else { "not known" } },
                html! { (point.stage.name()) },
                html! { (point.words) },
                html! { (point.by) },
            ]
        })
        .collect();
    html! {
        @if !rows.is_empty() {
            details {
                summary { (words::count(rows.len(), "reading", "readings")) ", taken cold" }
                (table("The latest first", &["When", "Engine hours", "Stage", "Clearance", "Who"], &rows))
                (and_more(course.earlier, "earlier reading", "earlier readings"))
            }
        }
    }
}

pub(super) fn hours(visitor: &CurrentUser, view: &MachineView, meter: &Reckoned<Vec<MeterLine>>) -> Markup {
    let rows: Vec<Vec<Markup>> = meter
        .facts
        .iter()
        .rev()
        .take(MOST_POINTS)
        .map(|line| {
            vec![
                html! { (line.when) },
                html! { a href={ "/office/records/" (line.record) } { (line.meter) " h" } },
                html! { @if let Some(engine) = line.engine { (engine) " h" } },
                html! { @match &line.doubt { Some(why) => span.warn { (sentence(why)) }, None => "on the chain" } },
            ]
        })
        .collect();
    html! {
        h2 { "Hours" }
        @match &view.state.hours {
            Some(hours) => p {
                "Hour meter " b { (hours.meter) " h" } ", read " (visitor.local(hours.at_ms)) "."
            },
            None => (nothing("No reading of the hour meter stands.")),
        }
        @if !rows.is_empty() {
            details open[rows.len() <= 6] {
                summary { (words::count(meter.facts.len(), "reading", "readings")) " of the meter" }
                (table("The latest first; engine hours go through changes of the meter", &["When", "Meter", "Engine hours", "Beside the others"], &rows))
                (and_more(meter.facts.len() - rows.len(), "earlier reading", "earlier readings"))
            }
        }
    }
}

pub(super) fn visits(visitor: &CurrentUser, view: &MachineView) -> Markup {
    let rows: Vec<Vec<Markup>> = view
        .visits
        .iter()
        .map(|visit| {
            vec![
                html! { (visitor.local(visit.visit.at_ms)) },
                html! { (visit.by_name) },
                match (visit.visit.finished_ms, visit.visit.complete) {
                    (None, _) => html! { span.warn { "not finished" } },
                    (Some(ms), true) => html! { (visitor.local(ms)) ", complete" },
                    (Some(ms), false) => html! { (visitor.local(ms)) ", something left open" },
                },
                html! { a href={ "/office/visits/" (visit.visit.visit) "/record" } { "Service record" } },
            ]
        })
        .collect();
    html! {
        h2 { "Visits" }
        @if rows.is_empty() { (nothing("Nobody has visited it yet.")) }
        @else { (table("The latest first", &["Opened", "Who", "Finished", "For the client"], &rows)) }
        (and_more(view.more.visits, "earlier visit", "earlier visits"))
    }
}

pub(super) fn history(visitor: &CurrentUser, view: &MachineView) -> Markup {
    let rows: Vec<Vec<Markup>> = view
        .history
        .iter()
        .map(|line| {
            let class = if matches!(line.fate, Fate::Contends | Fate::Aside) { "warn" } else { "soft" };
            vec![
                html! { a href={ "/office/records/" (line.record) } { (visitor.local(line.at_ms)) } },
                html! { (line.words) },
                html! { (line.by) },
                html! { span class=(class) { (line.fate.words()) } },
            ]
        })
        .collect();
    html! {
        h2 { "History" }
        @if rows.is_empty() { (nothing("Nothing is stated about it.")) }
        @else {
            details {
                summary { (words::count(rows.len() + view.more.history, "record", "records")) @if view.more.history == 0 { ", every one of them" } }
                (table("The latest first", &["When", "What it says", "Who", "Now"], &rows))
                (and_more(view.more.history, "older record", "older records"))
            }
        }
    }
}

/// Leaving a note, in two actions; `to` is where it is sent.
pub(super) fn note_form(visitor: &CurrentUser, to: &str) -> Markup {
    let inside = html! {
        (field("Note", "", &html! { textarea name="text" rows="3" required maxlength="4000" {} }))
        button { "Keep the note" }
    };
    step("Add a note", &form(visitor, to, &inside))
}

/// Stating the card anew; for a provisional machine that is its confirmation.
pub(super) fn card_form(visitor: &CurrentUser, view: &MachineView, properties: &[PropertyLine], cards: &[EngineCard]) -> Markup {
    let names: BTreeMap<String, &str> = properties.iter().map(|p| (p.property.to_string(), p.name.as_str())).collect();
    let at = view.property.map(|p| p.to_string());
    let inside = html! {
        div.two {
            (card_fields(Some(view), cards))
            (field("Property", "", &html! {
                select name="property" required {
                    @for (id, name) in &names { option value=(id) selected[at.as_ref() == Some(id)] { (name) } }
                }
            }))
        }
        button { @if view.provisional { "Confirm the machine" } @else { "Keep the card" } }
    };
    let summary = if view.provisional { "Confirm this machine, or correct its card" } else { "Correct the machine's card" };
    step(summary, &form(visitor, &format!("/office/machines/{}/card", view.machine), &inside))
}

/// The fields of a machine's card but its property.
pub(super) fn card_fields(view: Option<&MachineView>, cards: &[EngineCard]) -> Markup {
    let engine = view.and_then(|v| v.engine_card.as_ref()).map(|card| card.card);
    let duty = view.map(|v| v.duty).unwrap_or_default();
    let cylinders = view.and_then(|v| v.cylinders).map(|n| n.to_string());
    html! {
        (field("Tag", "as on the machine", &html! { input name="tag" required maxlength="200" value=[view.map(|v| &v.tag)]; }))
        (field("What it is", "", &html! { input name="description" maxlength="1000" value=[view.map(|v| &v.description)]; }))
        (field("Engine card", "", &html! {
            select name="engine_card" {
                option value="" { "none yet" }
                @for card in cards { option value=(card.card) selected[engine == Some(card.card)] { (card.name) } }
            }
        }))
        (field("Cylinders", "where no engine card says so", &html! { input name="cylinders" inputmode="numeric" value=[cylinders]; }))
        (field("Hours a week", "where it has no hour meter: an estimate, in its season", &html! {
            input name="hours_per_week" inputmode="numeric" value=[view.and_then(|v| v.state.card.as_ref()?.hours_per_week)];
        }))
        (field("Duty", "", &html! {
            select name="duty" {
                @for one in [Duty::Commercial, Duty::Homeowner] { option value=(one.name()) selected[one == duty] { (one.name()) } }
            }
        }))
    }
}
