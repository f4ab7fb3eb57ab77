//! Adding an engine card, or stating one anew. What a form does not ask for (adjuster, compression release) stays as it was.

use axum::extract::State;
use axum::response::Redirect;
use maud::{Markup, html};
use shared::engine_card::table::{far_tenths, widths};
use shared::engine_card::{EngineCard, Ignition, Interval, Range, Source};
use shared::entry::labelled;
use shared::ids::CardId;
use shared::length::{Length, LengthUnit};
use shared::sensible::RANGE_LIMIT;
use shared::valve::Side;
use sync_core::book::BookError;
use sync_core::desk::DeskStep;
use sync_core::moment::fresh_uuid;

use super::asked::Named;
use super::cards::with_inches;
use super::forms::{Fields, Posted, form};
use super::layout::field;
use super::shown::Shown;
use super::visitor::Visitor;
use super::{cards, desk};
use crate::outside::entropy;
use crate::problem_response::Refused;
use crate::state::ServerState;

/// The form of a card; of a new one where none is given. Lengths in the visitor's unit.
pub(super) fn form_of(visitor: &Visitor, card: Option<&EngineCard>) -> Markup {
    let unit = visitor.unit;
    let source = card.and_then(|card| card.source.as_ref());
    let inside = html! {
        input type="hidden" name="in" value=(unit.name());
        div.two {
            (field("Name", "what the shop calls this engine type", &html! { input name="name" required maxlength="200" value=[card.map(|c| &c.name)]; }))
            (field("Cylinders", "", &html! { input name="cylinders" inputmode="numeric" required value=[card.map(|c| c.cylinders)]; }))
            @for side in [Side::Intake, Side::Exhaust] {
                @let range = card.map(|c| c.range(side));
                @for (end, what, length) in [
                    ("low", "least", range.map(|r| r.low)), ("high", "greatest", range.map(|r| r.high)), ("aim", "to set, may be empty", range.and_then(|r| r.aim)),
                ] {
                    (field(&format!("{}, {what}", side_words(side)), &format!("engine cold, in {}", unit.name()), &html! {
                        input name={ (side_words(side).to_lowercase()) "_" (end) } inputmode="decimal" required[end != "aim"] value=[length.map(|l| l.show_bare(unit))];
                    }))
                }
            }
            (field("Manual", "as its title page says; without it nothing is judged", &html! { input name="manual" maxlength="1000" value=[source.map(|s| &s.manual)]; }))
            (field("Page", "page or clause", &html! { input name="page" maxlength="200" value=[source.map(|s| &s.page)]; }))
            (field("Ignition", "the cautions follow from it", &html! {
                select name="ignition" {
                    option value="" { "not known" }
                    @for one in Ignition::ALL { option value=(one.name()) selected[card.and_then(|c| c.ignition) == Some(one)] { (cards::ignition(one)) } }
                }
            }))
            (field("Far outside", "widths of the range beyond its end at which a reading is asked about before anything is turned; 2 where empty", &html! {
                input name="far_widths" inputmode="decimal" value=[card.and_then(|c| c.far_tenths).map(widths)];
            }))
            @for (duty, now) in [("commercial", card.map(|c| c.commercial)), ("homeowner", card.map(|c| c.homeowner))] {
                (field(&format!("Hours between checks, {duty}"), "hours, months or both", &html! { input name={ (duty) "_hours" } inputmode="numeric" value=[now.and_then(|i| i.hours)]; }))
                (field(&format!("Months between checks, {duty}"), "", &html! { input name={ (duty) "_months" } inputmode="numeric" value=[now.and_then(|i| i.months)]; }))
            }
        }
        p.soft { "An adjuster's thread and ratio come in with a file, and stay as they are here. The engine maker's manual decides." }
        button { "Keep the card" }
    };
    let action = card.map_or_else(|| "/office/cards".to_owned(), |card| format!("/office/cards/{}", card.card));
    form(visitor, &action, &inside)
}

const fn side_words(side: Side) -> &'static str {
    match side {
        Side::Intake => "Intake",
        Side::Exhaust => "Exhaust",
    }
}

/// A limit of a range. The field names its unit; what is taken for inches all the same goes to `inches`.
fn limit(fields: &Fields, name: &str, unit: LengthUnit, inches: &mut Vec<String>) -> Result<Length, Refused> {
    let read = labelled(&fields.text(name)?, unit, &RANGE_LIMIT).map_err(|error| Refused::unreadable(&error.to_string()))?;
    inches.extend(read.note());
    Ok(read.length)
}

/// The card that a form states, and what of it was taken for inches; what the form does not ask for comes from `before`.
fn card_of(fields: &Fields, card: CardId, before: Option<&EngineCard>) -> Result<(EngineCard, Vec<String>), Refused> {
    let mut inches = Vec::new();
    // The unit that the form was made in: another tab may have changed the session's since.
    let unit: LengthUnit = fields.text("in")?.parse().map_err(|_| Refused::unreadable("Lengths are in thou, inches or mm"))?;
    let mut range = |side: &str| {
        let mut end = |end: &str| limit(fields, &format!("{side}_{end}"), unit, &mut inches);
        let (low, high) = (end("low")?, end("high")?);
        let aim = if fields.maybe(&format!("{side}_aim")).is_some() { Some(end("aim")?) } else { None };
        Ok::<_, Refused>(Range { low, high, aim })
    };
    let (intake, exhaust) = (range("intake")?, range("exhaust")?);
    let every = |duty: &str| {
        let most = |what: &str| fields.read_maybe::<u32>(&format!("{duty}_{what}"));
        Ok::<_, Refused>(Interval { hours: most("hours")?, months: most("months")? })
    };
    let word = |name: &str| fields.maybe(name).unwrap_or_default().to_owned();
    let (manual, page) = (word("manual"), word("page"));
    let card = EngineCard {
        card,
        name: fields.text("name")?,
        cylinders: fields.read("cylinders")?,
        intake,
        exhaust,
        // One of the two alone is no source, and the book says so.
        source: (!manual.is_empty() || !page.is_empty()).then_some(Source { manual, page }),
        commercial: every("commercial")?,
        homeowner: every("homeowner")?,
        adjuster: before.and_then(|card| card.adjuster),
        past_tdc: before.and_then(|card| card.past_tdc),
        ignition: fields.read_maybe("ignition")?,
        far_tenths: fields.maybe("far_widths").map(far_tenths).transpose().map_err(|why| Refused::unreadable(&why))?,
    };
    Ok((card, inches))
}

/// POST /office/cards
pub(super) async fn add(State(state): State<ServerState>, posted: Posted) -> Result<Redirect, Shown> {
    let Posted { visitor, fields } = posted;
    let mut chance = entropy().map_err(|_| Refused::broke("No card was kept. Try again."))?;
    let (card, inches) = card_of(&fields, CardId(fresh_uuid(&visitor.now, &mut *chance)), None)?;
    let said = with_inches("The engine card is kept.", &inches);
    desk::step(&state, &visitor, DeskStep::KeepCards(vec![card]), &said, "/office/cards").await
}

/// POST /office/cards/{id}
pub(super) async fn restate(State(state): State<ServerState>, Named(id): Named<CardId>, posted: Posted) -> Result<Redirect, Shown> {
    let Posted { visitor, fields } = posted;
    let cards = state.ask(|shop| shop.engine_cards()).await?;
    let Some(before) = cards.iter().find(|card| card.card == id) else {
        return Err(Refused::from(BookError::Unknown("this book has no such engine card".to_owned())).into());
    };
    let (card, inches) = card_of(&fields, id, Some(before))?;
    let said = with_inches("The engine card is kept.", &inches);
    desk::step(&state, &visitor, DeskStep::KeepCards(vec![card]), &said, &format!("/office/cards/{id}")).await
}
