//! The shop's settings: its name, its clock, when readings contend, what leaves may be off by.

use axum::extract::State;
use axum::response::{Redirect, Response};
use maud::{Markup, html};
use shared::engine_card::Interval;
use shared::entry::decimal;
use shared::entry::labelled;
use shared::length::{Length, LengthUnit};
use shared::sensible::UNCERTAINTY;
use shared::usage::Between;
use sync_core::commands::Settings;

use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::forms::{Posted, form};
use super::layout::{Place, field, page as frame};
use super::{cards, desk};
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// GET /office/settings
pub(super) async fn page(visitor: CurrentUser) -> Result<Response, ErrorPage> {
    let shop = &visitor.shop;
    let tolerance = Length::from_tenth_um(i64::from(shop.leaf_tolerance_tenth_um));
    let feel = Length::from_tenth_um(i64::from(shop.feel_tenth_um));
    let body = html! {
        h1 { "Settings" }
        dl {
            dt { "Shop" } dd { (shop.name) }
            dt { "Time zone" } dd { (shop.time_zone) ": a day of the day sheet is a day there" }
            dt { "Conflict window" } dd { (window(shop.conflict_window_min)) ": readings older than the latest by more are history, not contenders" }
            dt { "Leaf tolerance" }
            dd {
                @if tolerance == Length::ZERO { "none: leaves count as exact. None is built in, because no published table could be read" }
                @else { (tolerance.show(visitor.unit)) " either way, when two readings are compared" }
            }
            dt { "Feel of a leaf" }
            dd {
                @if feel == Length::ZERO { "not stated: it is found from repeat readings, and is a standard uncertainty" }
                @else { (feel.show(visitor.unit)) ", a standard uncertainty: with the tolerance, what a reading proves, and which leaf is tried" }
            }
            dt { "Conformance level" } dd { (percent(shop.conformance_milli)) " %: how sure a reading must be to prove a valve in its range" }
            dt { "Checks, commercial" } dd { (interval(&shop.commercial)) }
            dt { "Checks, homeowner" } dd { (interval(&shop.homeowner)) }
            dt { "In use" } dd { (months(shop.season)) ", where a property says nothing else: out of season no hours are counted on" }
            dt { "Lengths" }
            dd {
                "in " (shop.unit.name()) "; this browser shows " (visitor.unit.name()) ": " a href="?unit=thou" { "thou" } ", " a href="?unit=in" { "in" } ", " a href="?unit=mm" { "mm" }
            }
            dt { "Devices know the shop as" } dd { code { (visitor.issuer) } }
        }
        @if visitor.is_office() { (change_form(&visitor, tolerance, feel)) } @else { p.soft { "The office changes these." } }
    };
    Ok(frame(&visitor, Place::Settings, "Settings", &body))
}

/// Thousandths as percent.
fn percent(milli: u32) -> String {
    if milli.is_multiple_of(10) { (milli / 10).to_string() } else { format!("{}.{}", milli / 10, milli % 10) }
}

/// When machines are in use.
pub(super) fn months(season: Option<Between>) -> String {
    season.map_or_else(|| "all year".to_owned(), |season| season.to_string())
}

/// What the shop asks beside the engine cards.
fn interval(of_shop: &Interval) -> String {
    if of_shop.is_none() {
        return "as each engine card says".to_owned();
    }
    format!("at least every {}, and never later than the engine card says", cards::interval(of_shop))
}

fn window(minutes: u32) -> String {
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

fn change_form(visitor: &CurrentUser, tolerance: Length, feel: Length) -> Markup {
    let shop = &visitor.shop;
    let inside = html! {
        div.two {
            (field("Shop's name", "", &html! { input name="name" required maxlength="200" value=(shop.name); }))
            (field("Time zone", "an IANA name, as in America/Chicago", &html! { input name="time_zone" required maxlength="100" value=(shop.time_zone); }))
            (field("Conflict window, in minutes", "one minute to 14 days; 720 is 12 hours", &html! {
                input name="conflict_window_min" inputmode="numeric" required value=(shop.conflict_window_min);
            }))
            (field("Leaf tolerance, in mm", "0 where leaves count as exact", &html! {
                input name="leaf_tolerance" inputmode="decimal" required value=(tolerance.show_bare(LengthUnit::Mm));
            }))
            (field("Feel of a leaf, in mm", "its standard uncertainty; 0 where it is not known", &html! {
                input name="feel" inputmode="decimal" required value=(feel.show_bare(LengthUnit::Mm));
            }))
            (field("Conformance level, in percent", "95 unless there is a reason", &html! {
                input name="conformance" inputmode="decimal" required value=(percent(shop.conformance_milli));
            }))
            (field("Lengths", "on pages and papers, where nobody asks for another", &html! {
                select name="shop_unit" {
                    @for unit in LengthUnit::ALL { option value=(unit.name()) selected[unit == shop.unit] { (unit.name()) } }
                }
            }))
            @for (duty, now) in [("commercial", shop.commercial), ("homeowner", shop.homeowner)] {
                (field(&format!("Check {duty} machines every so many hours"), "empty: as the engine card says", &html! {
                    input name={ (duty) "_hours" } inputmode="numeric" value=[now.hours];
                }))
                (field(&format!("Check {duty} machines every so many months"), "empty: as the engine card says", &html! {
                    input name={ (duty) "_months" } inputmode="numeric" value=[now.months];
                }))
            }
            (field("Machines are in use", "first and last month, as in 4..10; empty for all year", &html! {
                input name="season" maxlength="20" value=[shop.season.map(|season| season.form())];
            }))
        }
        button { "Keep the settings" }
    };
    html! { div.no-print { h2 { "Change them" } p.soft { "Every device hears of it at its next exchange, and what stands is worked out again everywhere." } (form(visitor, "/office/settings", &inside)) } }
}

/// POST /office/settings
pub(super) async fn change(State(state): State<ServerState>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let uncertain = |name: &str| {
        let given = fields.text(name)?;
        if given.trim_matches(['0', '.', ',']).is_empty() {
            return Ok::<_, ApiError>(0);
        }
        let length = labelled(&given, LengthUnit::Mm, &UNCERTAINTY).map_err(|error| ApiError::unreadable(&error.to_string()))?.length;
        u32::try_from(length.tenth_um()).map_err(|_| ApiError::unreadable("A leaf's tolerance and feel are not below zero"))
    };
    let level = decimal(&fields.text("conformance")?, 1).and_then(|milli| u32::try_from(milli).ok());
    let level = level.ok_or_else(|| ApiError::unreadable("A conformance level is a number of percent, as in 95 or 97.5"))?;
    let unit = fields.text("shop_unit")?.parse().map_err(|_| ApiError::unreadable("Lengths are in thou, inches or mm"))?;
    let every = |duty: &str| {
        let limit = |what: &str| fields.read_maybe::<u32>(&format!("{duty}_{what}"));
        Ok::<_, ApiError>(Interval { hours: limit("hours")?, months: limit("months")? })
    };
    let change = Settings {
        unit: Some(unit),
        conformance_milli: Some(level),
        commercial: Some(every("commercial")?),
        homeowner: Some(every("homeowner")?),
        season: Some(fields.read_maybe("season")?),
        name: Some(fields.text("name")?),
        time_zone: Some(fields.text("time_zone")?),
        conflict_window_min: Some(fields.read("conflict_window_min")?),
        leaf_tolerance_tenth_um: Some(uncertain("leaf_tolerance")?),
        feel_tenth_um: Some(uncertain("feel")?),
    };
    desk::step(&state, &visitor, move |author, hand| author.change_settings(change, hand), "The settings are kept.", "/office/settings")
        .await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_and_a_level_as_people_say_them() {
        assert_eq!([percent(950), percent(975), percent(1000)], ["95", "97.5", "100"]);
        assert_eq!([window(720), window(45), window(90)], ["12 h", "45 min", "1 h 30 min"]);
    }
}
