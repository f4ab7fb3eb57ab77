//! A slot with its readings side by side, and the ruling on it in two actions: open, confirm.

use axum::extract::State;
use axum::response::{Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use shared::bytes::Bytes32;
use shared::ids::DocId;
use shared::record::Decision;
use shared::slot::Slot;
use sync_core::judge::standing::State as Stands;
use sync_core::queries::{ContestedReading, SlotSheet};

use super::asked::Query;
use super::chart::BracketScale;
use super::current_user::CurrentUser;
use super::desk::{go, machine_at, take};
use super::error_page::ErrorPage;
use super::forms::{Posted, form};
use super::layout::{Place, and_more, field, ids, page as frame, step};
use super::words;
use crate::problem_response::sentence;
use crate::state::ServerState;

/// Which slot.
#[derive(Debug, Deserialize)]
pub(super) struct Asked {
    doc: DocId,
    slot: String,
}

/// Where a slot's page is.
pub(super) fn at(doc: DocId, slot: &Slot) -> String {
    format!("/office/slot?doc={doc}&slot={}", words::in_query(&slot.to_string()))
}

/// GET /office/slot
pub(super) async fn page(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Query(asked): Query<Asked>,
) -> Result<Response, ErrorPage> {
    let (doc, slot, unit) = (asked.doc, Slot::named(&asked.slot), visitor.unit);
    let sheet = state.read(move |book| book.reader().slot_sheet(doc, &slot, unit)).await?;
    let title = format!("{}: {}", sheet.side_by_side.title, sheet.side_by_side.slot_words);
    let body = html! {
        h1 { (title) }
        p.bar-line {
            span.tag.warn[sheet.wants_ruling] { (sheet.state.words()) }
            @if sheet.of_machine { a href=(machine_at(doc)) { "To the machine" } }
            a href="/office" { "To the day sheet" }
        }
        h2 { "Side by side" }
        (readings(&visitor, &sheet, "s", &at(doc, &sheet.side_by_side.slot)))
    };
    Ok(frame(&visitor, Place::Inside, &title, &body))
}

/// The readings of a slot side by side, with what a ruling takes. `name` is unique on the page.
pub(super) fn readings(visitor: &CurrentUser, sheet: &SlotSheet, name: &str, back: &str) -> Markup {
    let slot = &sheet.side_by_side;
    let scale = BracketScale::over(sheet.brackets.values(), sheet.range.as_ref());
    html! {
        @if !slot.reason.is_empty() { p { (sentence(&slot.reason)) } }
        @if slot.order_unknown { p.warn { "The clocks cannot tell which came first: a ruling is asked for." } }
        @if slot.rulings.is_empty() {
            @if let Some(ruled) = &sheet.ruled { p { (sentence(ruled)) } }
        } @else {
            p.warn { "Rulings contradict each other. Rule once more: that settles it." }
            ul {
                @for ruling in &slot.rulings {
                    li {
                        (sentence(&ruling.words)) " " (ruling.when) " "
                        a.id href={ "/office/records/" (ruling.record) } { (ruling.short) }
                        @if ruling.counts { " " span.tag.good { "counts meanwhile" } }
                    }
                }
            }
        }
        @match (&sheet.range, &sheet.source) {
            (Some(range), Some(source)) => p.soft {
                "Range " (range.low.show_bare(visitor.unit)) " to " (range.high.show(visitor.unit)) ", engine cold: "
                (source.manual) ", " (source.page) "."
            },
            _ if !sheet.brackets.is_empty() => p.soft { "No engine card with a source: there is no range to hold the readings against." },
            _ => {}
        }
        div.cards {
            @for (n, reading) in slot.readings.iter().enumerate() {
                article.card.picked[reading.stands] {
                    h3 { (reading.words) }
                    p {
                        @if reading.stands {
                            span.tag.good { @if sheet.wants_ruling { "stands meanwhile" } @else { "stands" } }
                        }
                        @if let Some(why) = &reading.aside { span.tag.warn { "not used" } " " (sentence(why)) }
                    }
                    @if let (Some(scale), Some(bracket)) = (scale, sheet.brackets.get(&reading.record)) {
                        (scale.bar(&format!("{name}-{n}"), bracket, sheet.range.as_ref(), visitor.unit))
                    }
                    dl {
                        dt { "Who" } dd { (reading.by) ", " (reading.role) }
                        dt { "When" } dd { (reading.when) }
                    }
                    (ids(&html! { "Record " a.id href={ "/office/records/" (reading.record) } { (reading.short) } }))
                    (rule_form(visitor, sheet, Some(reading), back))
                }
            }
        }
        (and_more(slot.more, "older reading", "older readings"))
        @if sheet.state != Stands::Recheck { (rule_form(visitor, sheet, None, back)) }
    }
}

fn rule_form(visitor: &CurrentUser, sheet: &SlotSheet, reading: Option<&ContestedReading>, back: &str) -> Markup {
    let (summary, confirm, decision) = match reading {
        Some(reading) => ("Let this one stand", format!("Rule: {} by {} stands", reading.words, reading.by), reading.record.to_string()),
        None => ("None of them: measure again", "Rule: measure again".to_owned(), "recheck".to_owned()),
    };
    let inside = html! {
        input type="hidden" name="doc" value=(sheet.side_by_side.doc);
        input type="hidden" name="slot" value=(sheet.side_by_side.slot);
        input type="hidden" name="weighed" value=(sheet.weighed);
        input type="hidden" name="decision" value=(decision);
        @if let Some(reading) = reading { input type="hidden" name="says" value={ (reading.words) " by " (reading.by) }; }
        input type="hidden" name="back" value=(back);
        (field("Why", "stays in the book with the ruling", &html! { input name="reason" maxlength="1000"; }))
        button { (confirm) }
    };
    step(summary, &form(visitor, "/office/rule", &inside))
}

/// POST /office/rule
pub(super) async fn rule(State(state): State<ServerState>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let (doc, slot) = (fields.read::<DocId>("doc")?, Slot::named(&fields.text("slot")?));
    let decision = match fields.text("decision")?.as_str() {
        "recheck" => Decision::Recheck,
        _ => Decision::Stands(fields.read("decision")?),
    };
    let reason = fields.maybe("reason").unwrap_or_default().to_owned();
    let weighed: Bytes32 = fields.read("weighed")?;
    let back = fields.maybe("back").unwrap_or_default().to_owned();
    let said = match decision {
        Decision::Stands(_) => format!("Ruled on {}: {} stands.", slot.words(), fields.maybe("says").unwrap_or("the one picked")),
        Decision::Recheck => format!("Ruled on {}: to be measured again.", slot.words()),
    };
    take(&state, &visitor, move |author, hand| author.rule_as_weighed(doc, &slot, weighed, decision, &reason, hand)).await?;
    visitor.say(said, &state);
    Ok(go(&back))
}
