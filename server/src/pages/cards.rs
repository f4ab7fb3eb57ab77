//! Engine cards: the list, one card with its source, and cards as files (JSON both ways, CSV out).

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use shared::engine_card::file::{self, Change};
use shared::engine_card::{Adjuster, EngineCard, Ignition, Interval, Rocker, tenth_words};
use shared::entry::notes_words;
use shared::ids::CardId;
use shared::problem::Code;
use shared::valve::Side;
use shared::verdict::FAR_TENTHS;
use sync_core::engine::BookError;
use sync_core::queries::find;
use sync_core::sys::rng::fresh_uuid;

use super::asked::{Named, Query};
use super::card_form;
use super::current_user::CurrentUser;
use super::desk::{go, take};
use super::error_page::ErrorPage;
use super::finding::{self, Find};
use super::forms::PostedFile;
use super::layout::{Place, field, nothing, page as frame, step, table};
use super::words::count;
use crate::problem_response::{ApiError, sentence};
use crate::routes::exports::of_cards;
use crate::state::ServerState;
use crate::system::entropy;

/// Where a card was read, or that nothing is judged against it.
pub(super) fn source(card: &EngineCard) -> Markup {
    html! {
        @match &card.source {
            Some(source) => { "Read in " (source.manual) ", " (source.page) "." },
            None => span.warn { "It names no manual and page, so nothing is judged against it." },
        }
    }
}

/// An interval as people say it.
pub(super) fn interval(interval: &Interval) -> String {
    let hours = interval.hours.map(|h| format!("{h} h"));
    let months = interval.months.map(|m| count(m as usize, "month", "months"));
    hours.into_iter().chain(months).collect::<Vec<_>>().join(" or ")
}

/// GET /office/cards
pub(super) async fn list(State(state): State<ServerState>, visitor: CurrentUser, Query(asked): Query<Find>) -> Result<Response, ErrorPage> {
    let cards = state.read(|book| book.reader().engine_cards()).await?;
    let none = cards.is_empty();
    let cards = find(cards, &asked.find);
    let rows: Vec<Vec<Markup>> = finding::page_of(&cards, asked.from)
        .iter()
        .map(|card| {
            vec![
                html! { a href={ "/office/cards/" (card.card) } { (card.name) } },
                html! { (card.cylinders) },
                html! { (card.range_words(Side::Intake, visitor.unit)) },
                html! { (card.range_words(Side::Exhaust, visitor.unit)) },
                html! { (interval(&card.commercial)) "; homeowner " (interval(&card.homeowner)) },
                source(card),
            ]
        })
        .collect();
    let body = html! {
        h1 { "Engine cards" }
        p.soft { "What each engine type asks for, engine cold, with the manual and page it was read from. The engine maker's manual decides." }
        p.no-print { a href="/office/work-card" { "A work card to print: the steps of a check, drawn" } }
        @if none { (nothing("There is no engine card yet. Readings are kept, and judged once there is one with a source.")) }
        @else {
            @let listed = table("By name", &["Name", "Cylinders", "Intake", "Exhaust", "Check every", "Source"], &rows);
            (finding::words_form("/office/cards", &asked, "name, manual, page"))
            (finding::found("/office/cards", &asked, cards.len(), ("card", "cards"), &listed))
        }
        @if !none {
            p.no-print { "As a file: " a href="/office/cards/export.json" download { "JSON, to take in elsewhere" } ", " a href="/office/cards/export.csv" download { "CSV, for a spreadsheet" } "." }
        }
        @if visitor.is_office() {
            div.no-print { (step("Add an engine card", &card_form::form_of(&visitor, None))) }
            (import_form(&visitor))
        }
    };
    Ok(frame(&visitor, Place::Cards, "Engine cards", &body))
}

fn import_form(visitor: &CurrentUser) -> Markup {
    html! {
        div.no-print {
            h2 { "Take cards in from a file" }
            p.soft { "A JSON or CSV file as the exports here make it. It is taken whole or not at all; a card whose name is known already is changed." }
            form method="post" action="/office/cards/import" enctype="multipart/form-data" {
                input type="hidden" name="token" value=(visitor.form_token());
                (field("File", "", &html! { input type="file" name="file" accept=".json,.csv,application/json,text/csv" required; }))
                button { "Take the cards in" }
            }
        }
    }
}

/// GET /office/cards/{id}
pub(super) async fn page(State(state): State<ServerState>, visitor: CurrentUser, Named(id): Named<CardId>) -> Result<Response, ErrorPage> {
    let cards = state.read(|book| book.reader().engine_cards()).await?;
    let Some(card) = cards.into_iter().find(|card| card.card == id) else {
        return Err(ApiError::from(BookError::Unknown("this book has no such engine card".to_owned())).into());
    };
    let body = html! {
        h1 { (card.name) }
        p { (source(&card)) }
        dl {
            dt { "Cylinders" } dd { (card.cylinders) }
            dt { "Intake, engine cold" } dd { (card.range_words(Side::Intake, visitor.unit)) }
            dt { "Exhaust, engine cold" } dd { (card.range_words(Side::Exhaust, visitor.unit)) }
            dt { "Check, commercial duty" } dd { "every " (interval(&card.commercial)) }
            dt { "Check, homeowner duty" } dd { "every " (interval(&card.homeowner)) }
            dt { "Adjuster" } dd { @match &card.adjuster { Some(adjuster) => (adjuster_words(adjuster)), None => "not known" } }
            dt { "Far outside" } dd { (tenth_words(card.far_tenths.unwrap_or(FAR_TENTHS))) " widths of the range beyond its end" }
            dt { "Ignition" } dd { (card.ignition.map_or("not known", ignition)) }
            @if let Some(past) = card.past_tdc_words(visitor.unit) {
                dt { "Checked past top dead center" } dd { (past) ", on the compression stroke. At top dead center itself the bump of the compression release may hold one valve open." }
            }
            @if let Some(firing) = &card.firing { dt { "Firing order" } dd { (firing.order_text()) ", " (firing.degrees_text()) "° of the crank from each to the next" } }
            dt { "Id" } dd { code { (card.card) } }
        }
        p { a href="/office/cards" { "All engine cards" } }
        @if visitor.is_office() { div.no-print { (step("Change this card", &card_form::form_of(&visitor, Some(&card)))) } }
    };
    Ok(frame(&visitor, Place::Cards, &card.name, &body))
}

/// What was done, and what of it was taken for inches.
pub(super) fn with_inches(said: &str, inches: &[String]) -> String {
    match notes_words(inches) {
        Some(inches) => format!("{said} {inches}"),
        None => said.to_owned(),
    }
}

/// An ignition in words.
pub(super) const fn ignition(ignition: Ignition) -> &'static str {
    match ignition {
        Ignition::Spark => "spark",
        Ignition::Compression => "compression, a diesel",
    }
}

/// What is turned, in words.
pub(super) const fn rocker(rocker: Rocker) -> &'static str {
    match rocker {
        Rocker::RockerStudNut => "a nut on the rocker's stud",
        Rocker::PushRodEndScrew => "a screw at the push-rod end of the rocker",
        Rocker::ValveEndScrew => "a screw at the valve end of the rocker",
    }
}

fn adjuster_words(adjuster: &Adjuster) -> String {
    format!("{}, {}, rocker ratio {}", rocker(adjuster.rocker), adjuster.thread.words(), adjuster.ratio_words())
}

/// GET /office/cards/export.json
pub(super) async fn export_json(State(state): State<ServerState>, _: CurrentUser) -> Result<Response, ErrorPage> {
    let cards = state.read(|book| book.reader().engine_cards()).await?;
    let headers = [(header::CONTENT_TYPE, "application/json"), (header::CONTENT_DISPOSITION, "attachment; filename=\"engine-cards.json\"")];
    Ok((headers, file::write(&cards)).into_response())
}

/// GET /office/cards/export.csv
pub(super) async fn export_csv(State(state): State<ServerState>, _: CurrentUser) -> Result<Response, ErrorPage> {
    let cards = state.read(|book| book.reader().engine_cards()).await?;
    Ok(of_cards(&cards)?)
}

/// POST /office/cards/import
pub(super) async fn import(State(state): State<ServerState>, posted: PostedFile) -> Result<Redirect, ErrorPage> {
    let PostedFile { visitor, file } = posted;
    let refused = |why: file::CardFileError| {
        ApiError::new(Code::BodyInvalid, format!("{} Nothing of the file was taken in.", sentence(&why.to_string())))
    };
    let (listed, inches) = file::read_either(&file).map_err(refused)?;
    let known = state.read(|book| book.reader().engine_cards()).await?;
    let now = visitor.now;
    let mut chance = entropy().map_err(|_| ApiError::broke("Nothing of the file was taken in. Try again."))?;
    let settled = file::settle(listed, &known, || CardId(fresh_uuid(&now, &mut *chance))).map_err(refused)?;
    let changed: Vec<EngineCard> = settled.into_iter().filter(|s| s.change != Change::Same).map(|s| s.card).collect();
    let said = match changed.len() {
        0 => "The book says the very same already; nothing was changed.".to_owned(),
        n => format!("{} taken in.", count(n, "engine card", "engine cards")),
    };
    let said = with_inches(&said, &inches);
    if !changed.is_empty() {
        take(&state, &visitor, move |author, hand| changed.into_iter().try_for_each(|card| author.keep_engine_card(card, hand).map(drop)))
            .await?;
    }
    visitor.say(said, &state);
    Ok(go("/office/cards"))
}
