//! Finding in a list's page: the form above it, and the pages below. A form with GET, which works without script; with it, the list is
//! found again as one types. What is found, and in which order, is the book's rule.

use maud::{Markup, html};
use serde::Deserialize;
use sync_core::queries::bounds::MOST_LISTED;
use sync_core::queries::{DueFilter, Only, Order};

use super::words;
use crate::problem_response::{ApiError, sentence};

/// What a list is asked for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Find {
    #[serde(default)]
    pub(super) find: String,
    #[serde(default)]
    pub(super) from: usize,
    #[serde(default)]
    engine: String,
    #[serde(default)]
    only: String,
    #[serde(default)]
    order: String,
}

impl Find {
    /// Whether something is left out of the list.
    pub(super) fn is_cut(&self) -> bool {
        [&self.find, &self.engine, &self.only].into_iter().any(|text| !text.trim().is_empty())
    }

    /// What the due list is cut down to. A choice that is left empty, as a form sends it, is none.
    pub(super) fn of_due(&self) -> Result<DueFilter, ApiError> {
        let chosen = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        let wrong = |why: String| ApiError::unreadable(&sentence(&why));
        Ok(DueFilter {
            find: self.find.clone(),
            engine: chosen(&self.engine),
            only: chosen(&self.only).map(|text| text.parse()).transpose().map_err(wrong)?,
            order: chosen(&self.order).map(|text| text.parse()).transpose().map_err(wrong)?,
        })
    }

    /// The address of the same list from a line on, up to the number of the line.
    pub(super) fn address(&self, at: &str) -> String {
        let asked = [("find", &self.find), ("engine", &self.engine), ("only", &self.only), ("order", &self.order)];
        let asked = asked.into_iter().filter(|(_, text)| !text.is_empty());
        let query: String = asked.map(|(name, text)| format!("{name}={}&", words::in_query(text))).collect();
        format!("{at}?{query}from=")
    }
}

/// The form above a list: words alone.
pub(super) fn words_form(at: &str, asked: &Find, hint: &str) -> Markup {
    form(at, &html! { (words_field(asked, hint)) })
}

/// The form above the due list: words, engine, which machines, and the order.
pub(super) fn due_form(at: &str, asked: &Find, engines: &[String]) -> Markup {
    form(
        at,
        &html! {
            (words_field(asked, "tag, what it is, place, engine"))
            label.field {
                span { "Engine" }
                select name="engine" {
                    option value="" { "any" }
                    @for engine in engines { option value=(engine) selected[asked.engine == *engine] { (engine) } }
                }
            }
            label.field {
                span { "Only" }
                select name="only" {
                    option value="" { "all" }
                    @for only in Only::ALL { option value=(only.name()) selected[asked.only == only.name()] { (only.words()) } }
                }
            }
            label.field {
                span { "Order" }
                select name="order" {
                    @for order in Order::ALL { option value=(order.name()) selected[asked.order == order.name()] { (order.words()) } }
                }
            }
        },
    )
}

fn words_field(asked: &Find, hint: &str) -> Markup {
    html! { label.field { span { "Find" } small { (hint) } input type="search" name="find" maxlength="200" autocomplete="off" value=(asked.find); } }
}

fn form(at: &str, fields: &Markup) -> Markup {
    html! { search { form.find.no-print method="get" action=(at) { (fields) button { "Find" } } } }
}

/// The part of a list that one page shows.
pub(super) fn page_of<T>(list: &[T], from: usize) -> &[T] {
    let from = from.min(list.len());
    &list[from..list.len().min(from + MOST_LISTED)]
}

/// What is found, in its place on the page: how many there are, the page, and the ways to the one before and the one after.
pub(super) fn found(at: &str, asked: &Find, all: usize, (one, many): (&str, &str), page: &Markup) -> Markup {
    let (from, until) = (asked.from.min(all), all.min(asked.from.saturating_add(MOST_LISTED)));
    let to = asked.address(at);
    html! {
        div id="found" {
            @if all == 0 && asked.is_cut() { p.nothing { "Nothing is found by that. " a href=(at) { "Show all" } } }
            @else {
                p.bar-line {
                    span role="status" { (words::count(all, one, many)) @if asked.is_cut() { " found" } }
                    @if asked.is_cut() { a href=(at) { "Show all" } }
                    @if from > 0 || until < all {
                        span { (from + usize::from(all > 0)) " to " (until) }
                        @if from > 0 { a href={ (to) (from.saturating_sub(MOST_LISTED)) } { "Those before" } }
                        @if until < all { a href={ (to) (until) } { "The next " (MOST_LISTED.min(all - until)) } }
                    }
                }
                (page)
                @if until < all { p { a href={ (to) (until) } { "The next " (MOST_LISTED.min(all - until)) " of " (all) } } }
            }
        }
    }
}
