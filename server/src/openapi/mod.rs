//! The description of the API as an OpenAPI 3.1 document, made from the routes' own code.
//!
//! A route describes what is its own beside its handler; what follows from who may call it and from what surrounds every
//! route is added in [`rules`], and examples in [`examples`]. [`page`] shows the same document to people.

mod examples;
mod page;
mod rules;
mod shapes;

use std::sync::LazyLock;

use serde_json::Value;
use shared::problem::{Code, Problem};
use utoipa::OpenApi;

use crate::router;

/// What stands before the routes.
#[derive(Debug, OpenApi)]
#[openapi(
    info(title = "Tappetbook", description = include_str!("about.md"), license(name = "Apache-2.0 OR MIT", identifier = "Apache-2.0 OR MIT")),
    components(schemas(Problem, Code)),
    tags(
        (name = "anyone", description = "No token is asked for."),
        (name = "any device", description = "Any enrolled device, with its token. Lists are cut to what its person may read."),
        (name = "whoever may read the machine", description = "Devices of people to whom the machine is open: the office, leads, and whoever the property is assigned to."),
        (name = "office and leads", description = "Devices of people whose role is office or lead at the time."),
        (name = "office", description = "Devices of people whose role is office at the time."),
    )
)]
struct Head;

/// The document.
static DOCUMENT: LazyLock<Value> = LazyLock::new(|| {
    let whole = rules::complete(router::described(Head::openapi()));
    let mut value = serde_json::to_value(whole).unwrap_or_default();
    examples::put_into(&mut value);
    value
});

/// The document as JSON.
pub(crate) fn document() -> &'static Value {
    &DOCUMENT
}

/// The document as a page, made once.
pub(crate) fn page() -> &'static page::Page {
    static PAGE: LazyLock<page::Page> = LazyLock::new(|| page::of(&DOCUMENT));
    &PAGE
}
