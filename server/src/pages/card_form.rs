//! Adding an engine card, or changing one. The form has every column of the table of cards, and the table's reader reads it.

use axum::extract::State;
use axum::response::Redirect;
use maud::{Markup, html};
use shared::engine_card::table::{LASH, of_form};
use shared::engine_card::{Adjuster, EngineCard, Firing, Ignition, Rocker, tenth_words};
use shared::ids::CardId;
use shared::length::{Length, LengthUnit};
use shared::valve::Side;
use sync_core::engine::BookError;
use sync_core::sys::rng::fresh_uuid;

use super::asked::Named;
use super::cards::with_inches;
use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::forms::{Fields, Posted, form};
use super::layout::field;
use super::{cards, desk};
use crate::problem_response::ApiError;
use crate::state::ServerState;
use crate::system::entropy;

/// A line to type in.
fn line(name: &str, value: Option<&str>) -> Markup {
    html! { input name=(name) maxlength="1000" value=[value]; }
}

/// A choice, with the one that is so; empty where nobody knows, unless there is always one.
fn choice<'a>(name: &str, may_be_empty: bool, now: Option<&str>, all: impl IntoIterator<Item = (&'a str, &'a str)>) -> Markup {
    html! {
        select name=(name) {
            @if may_be_empty { option value="" { "not known" } }
            @for (value, words) in all { option value=(value) selected[now == Some(value)] { (words) } }
        }
    }
}

/// The fields of one side's range: its ends, or the range as its manual says it.
fn range_fields(side: Side, card: Option<&EngineCard>, unit: LengthUnit) -> Markup {
    let (name, words) = match side {
        Side::Intake => ("intake", "Intake"),
        Side::Exhaust => ("exhaust", "Exhaust"),
    };
    let said = card.and_then(|card| card.said(side));
    let range = card.and_then(|card| card.range(side));
    let ends = range.filter(|_| said.is_none());
    // The figure is what is set, unless something else is named.
    let aim = range.and_then(|range| range.aim.filter(|aim| said.is_none() || *aim != range.middle()));
    let show = |length: Option<Length>| length.map(|length| length.show_bare(unit));
    let cold = format!("engine cold, in {}", unit.name());
    html! {
        (field(&format!("{words}, least"), &cold, &line(&format!("{name}_low"), show(ends.map(|r| r.low)).as_deref())))
        (field(&format!("{words}, greatest"), &cold, &line(&format!("{name}_high"), show(ends.map(|r| r.high)).as_deref())))
        (field(&format!("{words}, as one figure"), "in place of least and greatest where the manual says 5, or 5 ± 1", &line(name, range.zip(said).map(|(range, said)| range.written(said)).as_deref())))
        (field(&format!("{words}, to set"), &format!("{cold}; may be empty"), &line(&format!("{name}_aim"), show(aim).as_deref())))
    }
}

/// The form of a card; of a new one where none is given. Lengths in the visitor's unit.
pub(super) fn form_of(visitor: &CurrentUser, card: Option<&EngineCard>) -> Markup {
    let unit = visitor.unit;
    let action = card.map_or_else(|| "/office/cards".to_owned(), |card| format!("/office/cards/{}", card.card));
    form(visitor, &action, &inside(card, unit))
}

fn inside(card: Option<&EngineCard>, unit: LengthUnit) -> Markup {
    let source = card.and_then(|card| card.source.as_ref());
    let adjuster = card.and_then(|card| card.adjuster);
    let firing = card.and_then(|card| card.firing.as_ref());
    let way = if unit == LengthUnit::Thou { "in inches, as in 1/4 in." } else { "a length, as in 1/4 in. or 6.35mm" };
    let past = card.and_then(|card| card.past_tdc).map(|past| past.show_way(unit));
    html! {
        input type="hidden" name="in" value=(unit.name());
        div.two {
            (field("Name", "what the shop calls this engine type", &html! { input name="name" required maxlength="200" value=[card.map(|c| &c.name)]; }))
            (field("Cylinders", "", &html! { input name="cylinders" inputmode="numeric" required value=[card.map(|c| c.cylinders)]; }))
            (field("Lash", "hydraulic lash is not set and has no range: leave the ranges empty", &choice("lash", false, Some(LASH[usize::from(card.is_some_and(|c| c.hydraulic))]), [(LASH[0], "adjusted"), (LASH[1], "hydraulic")])))
            (field("Ignition", "the cautions follow from it", &choice("ignition", true, card.and_then(|c| c.ignition).map(Ignition::name), Ignition::ALL.map(|one| (one.name(), cards::ignition(one))))))
            (range_fields(Side::Intake, card, unit))
            (range_fields(Side::Exhaust, card, unit))
            (field("Manual", "as its title page says; without it nothing is judged", &line("manual", source.map(|s| s.manual.as_str()))))
            (field("Page", "page or clause", &line("page", source.map(|s| s.page.as_str()))))
            @for (duty, now) in [("commercial", card.map(|c| c.commercial)), ("homeowner", card.map(|c| c.homeowner))] {
                (field(&format!("Hours between checks, {duty}"), "hours, months or both", &html! { input name={ (duty) "_h" } inputmode="numeric" value=[now.and_then(|i| i.hours)]; }))
                (field(&format!("Months between checks, {duty}"), "", &html! { input name={ (duty) "_months" } inputmode="numeric" value=[now.and_then(|i| i.months)]; }))
            }
            (field("Thread of the adjuster", "as in M6x1 or 1/4-28; thread, place and ratio, or none of them", &line("thread", adjuster.map(|a| a.thread.words()).as_deref())))
            (field("What is turned", "", &choice("rocker", true, adjuster.map(|a| a.rocker.name()), Rocker::ALL.map(|one| (one.name(), cards::rocker(one))))))
            (field("Rocker ratio", "valve side over push-rod side, as in 1.3", &line("rocker_ratio", adjuster.as_ref().map(Adjuster::ratio_words).as_deref())))
            (field("Far outside", "widths of the range beyond its end at which a reading is asked about before anything is turned; 2 where empty", &line("far_widths", card.and_then(|c| c.far_tenths).map(tenth_words).as_deref())))
            (field("Piston down past top dead center", &format!("for an engine with compression release, {way}"), &line("past_tdc", past.as_deref())))
            (field("The same in degrees of the crank", "where the manual says degrees, as in 10", &line("past_tdc_degrees", card.and_then(|c| c.past_tdc_tenth_deg).map(tenth_words).as_deref())))
            (field("Firing order", "as in 1-3-4-2", &line("firing_order", firing.map(Firing::order_text).as_deref())))
            (field("From each to the next", "degrees of the crank, together 720: 180, or 270-450", &line("firing_degrees", firing.map(Firing::degrees_text).as_deref())))
        }
        p.soft { "The engine maker's manual decides." }
        button { "Keep the card" }
    }
}

/// The card that a form states, and what of it was taken for inches.
fn card_of(fields: &Fields, card: CardId) -> Result<(EngineCard, Vec<String>), ApiError> {
    // The unit that the form was made in: another tab may have changed the session's since.
    let unit: LengthUnit = fields.text("in")?.parse().map_err(|_| ApiError::unreadable("Lengths are in thou, inches or mm"))?;
    let (listed, inches) = of_form(unit, |field| fields.maybe(field)).map_err(|error| ApiError::unreadable(&error.to_string()))?;
    Ok((listed.with_id(card), inches))
}

/// POST /office/cards
pub(super) async fn add(State(state): State<ServerState>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let mut chance = entropy().map_err(|_| ApiError::broke("No card was kept. Try again."))?;
    let (card, inches) = card_of(&fields, CardId(fresh_uuid(&visitor.now, &mut *chance)))?;
    let said = with_inches("The engine card is kept.", &inches);
    desk::step(&state, &visitor, move |author, hand| author.keep_engine_card(card, hand), &said, "/office/cards").await
}

/// POST /office/cards/{id}
pub(super) async fn restate(State(state): State<ServerState>, Named(id): Named<CardId>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let cards = state.read(|book| book.reader().engine_cards()).await?;
    if !cards.iter().any(|card| card.card == id) {
        return Err(ApiError::from(BookError::Unknown("this book has no such engine card".to_owned())).into());
    }
    let (card, inches) = card_of(&fields, id)?;
    let said = with_inches("The engine card is kept.", &inches);
    desk::step(&state, &visitor, move |author, hand| author.keep_engine_card(card, hand), &said, &format!("/office/cards/{id}")).await
}

#[cfg(test)]
mod tests {
    use super::*;
    use shared::engine_card::table::fields;

    /// What is missing in the form could not be written in a browser; what is in it and no column would be lost.
    #[test]
    fn the_form_has_every_column_of_the_table_and_no_other() {
        let html = inside(None, LengthUnit::Mm).into_string();
        let mut named: Vec<&str> = html.split(" name=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
        named.retain(|name| *name != "in");
        named.sort_unstable();
        let mut columns = fields();
        columns.sort_unstable();
        assert_eq!(named, columns);
    }
}
