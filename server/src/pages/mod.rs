//! The office's pages: what came in, what is wrong, decide, close the day, print. Server-rendered; one small script renews the
//! day sheet.
//!
//! A page's way: [`around`] puts guards around every route below `/office`; [`visitor`] finds the session and the role that
//! its person has now; a page asks the shop and lays out what it says in the [`layout`]; a form comes back through [`forms`]
//! and is a step at the person's desk in the shop. No rule of the trade or of the book is decided here.

// Coming in.
mod around;
mod asked;
mod current_user;
mod error_page;
mod forms;
mod passphrase;
mod refilled;
mod sent;
mod session;
mod signing_in;

// What every page shares.
mod assets;
mod chart;
mod desk;
mod layout;
mod qr;
mod words;

// The pages, as the office goes through them.
mod browser;
mod card_form;
mod cards;
mod closing;
mod day_sheet;
mod due;
mod finding;
mod machine;
mod machine_parts;
mod matters;
mod people;
mod person;
mod photo;
mod properties;
mod quarantine;
mod record;
mod ruling;
mod service;
mod settings;
mod symptoms;
mod tags;
mod work_card;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::HeaderMap;
use axum::middleware::from_fn_with_state;
use axum::response::Redirect;
use axum::routing::{any, get, post};
use error_page::ErrorPage;
use shared::engine_card::file::LARGEST_FILE;

use crate::problem_response::ApiError;
use crate::state::ServerState;

/// What the pages keep between two requests. Of the sessions the shop's database has what a restart must not end.
#[derive(Debug, Default)]
pub(crate) struct Rooms {
    sessions: session::Sessions,
    passphrases: passphrase::Passphrases,
    /// What codes over browsers are made with, once the shop was asked.
    browser_key: tokio::sync::OnceCell<[u8; 64]>,
}

/// Every page, with what surrounds it.
pub(crate) fn routes(state: &ServerState) -> Router<ServerState> {
    every().route_layer(from_fn_with_state(state.clone(), around::around)).route("/", get(async || Redirect::to("/office")))
}

/// Every page and every step.
fn every() -> Router<ServerState> {
    let anyone = Router::new()
        .route("/office/sign-in", get(signing_in::page).post(signing_in::sign_in))
        .route("/office/first", get(signing_in::first_page).post(signing_in::first))
        .route(assets::STYLE.path(), get(async |asked: HeaderMap| assets::STYLE.answer(&asked)))
        .route(assets::SCRIPT.path(), get(async |asked: HeaderMap| assets::SCRIPT.answer(&asked)));

    let office_or_lead = Router::new()
        .route("/office", get(day_sheet::page))
        .route("/office/day-sheet/position", get(day_sheet::position))
        .route("/office/events", get(day_sheet::events))
        .route("/office/slot", get(ruling::page))
        .route("/office/rule", post(ruling::rule))
        .route("/office/machines/{id}", get(machine::page))
        .route("/office/machines/{id}/note", post(machine::note))
        .route("/office/machines/{id}/card", post(machine::restate))
        .route("/office/machines/{id}/tag", get(tags::of_machine))
        .route("/office/machines/{id}/symptoms", get(symptoms::page))
        .route("/office/machines/{id}/work-card", get(work_card::of_machine))
        .route("/office/work-card", get(work_card::any))
        .route("/office/machines/{id}/evening", get(closing::evening))
        .route("/office/photos/{id}/{sha256}", get(photo::picture))
        .route("/office/findings/{id}/clear", post(machine::clear))
        .route("/office/records/{id}", get(record::page))
        .route("/office/records/{id}/void", post(record::void))
        .route("/office/visits/{id}/finish", post(matters::finish))
        .route("/office/visits/{id}/record", get(service::page))
        .route("/office/visits/{id}/record.pdf", get(service::pdf))
        .route("/office/machines/{id}/season.pdf", get(service::season_pdf))
        .route("/office/due", get(due::page))
        .route("/office/tags", get(tags::page))
        .route("/office/round", get(due::round))
        .route("/office/properties", get(properties::list).post(properties::add))
        .route("/office/properties/{id}", get(properties::page).post(properties::add_machine))
        .route("/office/properties/{id}/note", post(properties::note))
        .route("/office/properties/{id}/card", post(properties::restate))
        .route("/office/cards", get(cards::list).post(card_form::add))
        .route("/office/cards/{id}", get(cards::page).post(card_form::restate))
        .route("/office/cards/export.json", get(cards::export_json))
        .route("/office/cards/export.csv", get(cards::export_csv))
        .route("/office/cards/import", post(cards::import).layer(DefaultBodyLimit::max(LARGEST_FILE + 64 * 1024)))
        .route("/office/people", get(people::page).post(people::add))
        .route("/office/people/{id}", get(person::page))
        .route("/office/people/{id}/role", post(person::role))
        .route("/office/people/{id}/code", post(person::code))
        .route("/office/people/{id}/property", post(person::property))
        .route("/office/devices/{id}/revoke", post(people::revoke))
        .route("/office/quarantine", get(quarantine::page))
        .route("/office/quarantine/{id}", post(quarantine::settle))
        .route("/office/days", get(closing::days))
        .route("/office/days/close", post(closing::close))
        .route("/office/settings", get(settings::page).post(settings::change))
        .route("/office/sign-out", post(signing_in::sign_out));

    anyone
        .merge(office_or_lead)
        .route("/office/{*rest}", any(async || ErrorPage::from(ApiError::no_such_route())))
        .method_not_allowed_fallback(async || ErrorPage::from(ApiError::wrong_method()))
}
