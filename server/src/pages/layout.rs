//! The frame of every page: the shop's name, the way about, what the last step gave; and tables that fold on a phone.

use std::borrow::Cow;

use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use shared::length::LengthUnit;
use shared::text::visible_in_markup;

use super::assets::{SCRIPT, STYLE};
use super::current_user::CurrentUser;
use super::forms::form;
use super::words;

/// Where a page stands among the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Sheet,
    Due,
    Round,
    Properties,
    Cards,
    People,
    Quarantine,
    Days,
    Settings,
    /// Reached from another one.
    Inside,
}

const WAY: [(Place, &str, &str); 9] = [
    (Place::Sheet, "/office", "Day sheet"),
    (Place::Due, "/office/due", "Due"),
    (Place::Round, "/office/round", "Round"),
    (Place::Properties, "/office/properties", "Properties"),
    (Place::Cards, "/office/cards", "Engine cards"),
    (Place::People, "/office/people", "People"),
    (Place::Quarantine, "/office/quarantine", "Quarantine"),
    (Place::Days, "/office/days", "Days"),
    (Place::Settings, "/office/settings", "Settings"),
];

/// Every page passes through here: what a record may have said in characters that mislead is spelled out.
fn whole(title: &str, inside: &Markup) -> Markup {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                link rel="icon" href="data:,";
                link rel="stylesheet" href=(STYLE.path());
                script src=(SCRIPT.path()) defer {}
                title { (title) }
            }
            body { (inside) }
        }
    };
    match visible_in_markup(&page.0) {
        Cow::Borrowed(_) => page,
        Cow::Owned(shown) => PreEscaped(shown),
    }
}

/// A page for whoever is not signed in.
pub(super) fn bare(title: &str, body: &Markup) -> Markup {
    whole(title, &html! { main.alone id="main" { (body) } })
}

/// A page for a visitor.
pub(super) fn page(visitor: &CurrentUser, place: Place, title: &str, body: &Markup) -> Response {
    let other = match visitor.unit {
        LengthUnit::Thou => "in",
        LengthUnit::Inch => "mm",
        LengthUnit::Mm => "thou",
    };
    let inside = html! {
        a.skip href="#main" { "To the content" }
        header.top {
            p.shop { a href="/office" { (visitor.shop.name) } }
            nav aria-label="Pages" {
                ul {
                    @for (of, address, name) in WAY {
                        li { a href=(address) aria-current=[(of == place).then_some("page")] { (name) } }
                    }
                }
            }
            div.who {
                span { (visitor.name) ", " (visitor.role) }
                a href={ "?unit=" (other) } title={ "Lengths are shown in " (visitor.unit.name()) } { "Show " @if other == "in" { "inches" } @else { (other) } }
                (form(visitor, "/office/sign-out", &html! { button.quiet { "Sign out" } }))
            }
        }
        main id="main" {
            @if let Some(said) = &visitor.said { p.said role="status" { (said) } }
            (body)
        }
        footer.foot { p { "Times are the shop's own: " (visitor.shop.time_zone) "." } }
    };
    whole(&format!("{title} · {}", visitor.shop.name), &inside).into_response()
}

/// A table; each cell knows its heading, so that a row can be read one below the other on a phone. The first cell heads its row.
pub(super) fn table(caption: &str, headings: &[&str], rows: &[Vec<Markup>]) -> Markup {
    html! {
        table role="table" {
            caption { (caption) }
            thead role="rowgroup" { tr role="row" { @for heading in headings { th role="columnheader" scope="col" { (heading) } } } }
            tbody role="rowgroup" {
                @for row in rows {
                    tr role="row" {
                        @for (n, (cell, heading)) in row.iter().zip(headings).enumerate() {
                            @if n == 0 { th role="rowheader" scope="row" { (cell) } }
                            @else { td role="cell" data-label=(heading) { div { (cell) } } }
                        }
                    }
                }
            }
        }
    }
}

/// That a list says no more than it shows, and how much more there is; nothing where that is all.
pub(super) fn and_more(more: usize, one: &str, many: &str) -> Markup {
    html! { @if more > 0 { p.soft { "And " (words::count(more, one, many)) " more." } } }
}

/// That there is nothing of a kind, and what that means.
pub(super) fn nothing(what: &str) -> Markup {
    html! { p.nothing { (what) } }
}

/// A step that asks once more before it is done: opened first, sent second. It stands open where it was just refused.
pub(super) fn step(summary: &str, inside: &Markup) -> Markup {
    let refused = inside.0.contains(" data-refused");
    html! { details.step open[refused] { summary { (summary) } (inside) } }
}

/// Ids and codes, out of sight until somebody asks for them: people go by names and times.
pub(super) fn ids(inside: &Markup) -> Markup {
    html! { details.ids { summary { "Record ids" } p { (inside) } } }
}

/// A field with its label above it.
pub(super) fn field(label: &str, hint: &str, input: &Markup) -> Markup {
    html! { label.field { span { (label) } @if !hint.is_empty() { small { (hint) } } (input) } }
}
