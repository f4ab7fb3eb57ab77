//! The due list, and the week's round.

use std::collections::BTreeMap;

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;
use shared::due::DueState;
use shared::ids::PropertyId;
use shared::round::{PutOffWhy, Reason, Round, StopMachine};
use sync_core::engine::BookError;
use sync_core::queries::DueLine;
use sync_core::queries::bounds::MOST_LINES;

use super::asked::Query;
use super::current_user::CurrentUser;
use super::desk::machine_at;
use super::error_page::ErrorPage;
use super::finding::{self, Find};
use super::layout::{Place, and_more, field, nothing, page as frame, table};
use crate::problem_response::sentence;
use crate::state::ServerState;

/// GET /office/due
pub(super) async fn page(State(state): State<ServerState>, visitor: CurrentUser, Query(asked): Query<Find>) -> Result<Response, ErrorPage> {
    let (now, filter) = (visitor.now, asked.of_due()?);
    let (lines, cards) = state.read(move |book| Ok::<_, BookError>((book.reader().due_list(&now)?, book.reader().engine_cards()?))).await?;
    let engines: Vec<String> = cards.into_iter().map(|card| card.name).collect();
    let none = lines.is_empty();
    let lines = filter.of(lines);
    let body = html! {
        h1 { "Due" }
        p.soft { "By engine hours or by the calendar, whichever comes first. Machines on hold come first." }
        @if none { (nothing("There is no machine in the book yet. Add one under its property.")) }
        @else {
            (finding::due_form("/office/due", &asked, &engines))
            p.no-print { a href={ (asked.address("/office/tags")) "0" } { "Tags of these machines to print" } }
            (finding::found("/office/due", &asked, lines.len(), ("machine", "machines"), &list(finding::page_of(&lines, asked.from))))
        }
    };
    Ok(frame(&visitor, Place::Due, "Due", &body))
}

/// Machines with what is due, and what else there is to know before one drives there.
pub(super) fn list(lines: &[DueLine]) -> Markup {
    let rows: Vec<Vec<Markup>> = lines
        .iter()
        .map(|line| {
            let pressing =
                matches!(line.due.as_ref().map(|d| d.state), Some(DueState::Overdue | DueState::NeverChecked | DueState::LeftOpen));
            vec![
                html! { a href=(machine_at(line.machine.doc())) { (line.tag) } },
                html! { (line.description) },
                html! { @if let Some(property) = line.property { a href={ "/office/properties/" (property) } { (line.property_name) } } },
                html! { @if let Some(meter) = line.meter { (meter) " h" } },
                html! { span.warn[pressing] { (sentence(&line.words)) } },
                marks(line),
            ]
        })
        .collect();
    table("What is due, and what to look out for", &["Machine", "What it is", "Where", "Hour meter", "Next check", "Look out"], &rows)
}

fn marks(line: &DueLine) -> Markup {
    let marks = [
        (line.hold, "hold: do not run", "stop"),
        (line.recheck, "measure again", "warn"),
        (line.contested, "contested", "warn"),
        (line.open_visit, "visit open", "soft"),
    ];
    html! { @for (n, (_, words, class)) in marks.into_iter().filter(|(is, ..)| *is).enumerate() { @if n > 0 { ", " } span class=(class) { (words) } } }
}

/// How the round is to be made.
#[derive(Debug, Deserialize)]
pub(super) struct Asked {
    days: Option<String>,
    hours: Option<String>,
}

/// GET /office/round
pub(super) async fn round(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Query(asked): Query<Asked>,
) -> Result<Response, ErrorPage> {
    let number = |text: &Option<String>, what: &str| match text.as_deref().map(str::trim).filter(|text| !text.is_empty()) {
        None => Ok(None),
        Some(text) => text.parse::<u32>().ok().filter(|n| *n <= 366).map(Some).ok_or_else(|| {
            crate::problem_response::ApiError::unreadable(&format!("{what} are a whole number from 0 to 366, not \"{text}\""))
        }),
    };
    let (days, hours) = (number(&asked.days, "Days ahead")?, number(&asked.hours, "Hours of work")?);
    let (person, now) = (visitor.person, visitor.now);
    let (round, names) = state
        .read(move |book| {
            let round = book.reckoner().week_round(days, hours.map(|hours| hours * 60), &now)?;
            let names: BTreeMap<PropertyId, String> =
                book.read_by(person).properties()?.into_iter().map(|p| (p.property, p.name)).collect();
            Ok::<_, BookError>((round, names))
        })
        .await?;
    let body = html! {
        h1 { "The week's round" }
        @if let Some(words) = round.words.first() { p.lead { (words) } }
        p.soft { "Times and parts are the trade's rough figures, driving not counted; the crew, who know the roads, choose the way." }
        form.no-print method="get" action="/office/round" {
            div.two {
                (field("Days ahead", "how soon is soon; two weeks where empty", &html! { input name="days" inputmode="numeric" value=[asked.days]; }))
                (field("Hours of work at most", "no limit where empty", &html! { input name="hours" inputmode="numeric" value=[asked.hours]; }))
            }
            button { "Make the round again" }
        }
        @if round.facts.stops.is_empty() { (nothing("No property is worth the drive: nothing is due, on hold or to be measured again.")) }
        (stops(&round.facts, &names))
        (put_off(&round.facts, &names))
    };
    Ok(frame(&visitor, Place::Round, "The week's round", &body))
}

const fn reason(reason: Reason) -> &'static str {
    match reason {
        Reason::Hold => "on hold: do not run",
        Reason::Recheck => "measure again",
        Reason::Overdue => "overdue",
        Reason::NeverChecked => "never checked",
        Reason::LeftOpen => "left with something open",
        Reason::Soon => "due soon",
    }
}

fn machine(machine: &StopMachine) -> Vec<Markup> {
    let urgent = machine.reason == Reason::Hold;
    vec![
        html! { a href=(machine_at(machine.machine.doc())) { (machine.tag) } },
        html! { span.stop[urgent] { (reason(machine.reason)) } },
        html! { @if let Some(date) = machine.date { (date) } },
        html! { (machine.minutes) " min" },
    ]
}

fn stops(round: &Round, names: &BTreeMap<PropertyId, String>) -> Markup {
    html! {
        @for (n, stop) in round.stops.iter().take(MOST_LINES).enumerate() {
            @let parts: Vec<String> = stop.parts.iter().map(|(part, n)| format!("{n} × {part}")).collect();
            h2 { (n + 1) ". " a href={ "/office/properties/" (stop.property) } { (name(names, stop.property)) } }
            p.soft { (stop.minutes) " min there" @if !parts.is_empty() { "; bring " (parts.join(", ")) } "." }
            (table("Machines there", &["Machine", "Why", "Due", "Work"], &stop.machines.iter().take(MOST_LINES).map(machine).collect::<Vec<_>>()))
            (and_more(stop.machines.len().saturating_sub(MOST_LINES), "machine", "machines"))
        }
        (and_more(round.stops.len().saturating_sub(MOST_LINES), "stop", "stops"))
    }
}

fn put_off(round: &Round, names: &BTreeMap<PropertyId, String>) -> Markup {
    let rows: Vec<Vec<Markup>> = round
        .put_off
        .iter()
        .take(MOST_LINES)
        .map(|off| {
            let mut row = machine(&off.machine);
            row.push(html! { (name(names, off.property)) });
            row.push(match off.why {
                PutOffWhy::NoTimeLeft => html! { "more urgent stops take the time" },
                PutOffWhy::LongerThanRound => html! { span.warn { "takes longer than the whole round may: raise the limit" } },
            });
            row
        })
        .collect();
    html! {
        @if !rows.is_empty() {
            h2 { "Put off" }
            (table("Worth the drive, and not on this round", &["Machine", "Why", "Due", "Work", "Where", "Why put off"], &rows))
            (and_more(round.put_off.len() - rows.len(), "machine", "machines"))
        }
    }
}

fn name(names: &BTreeMap<PropertyId, String>, property: PropertyId) -> String {
    names.get(&property).cloned().unwrap_or_else(|| format!("property {}", sync_core::queries::short(&property)))
}
