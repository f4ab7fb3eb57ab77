//! Tags of machines, a sheet to print, cut and put on: what the machine is called, and a QR code that opens the phone's page on it.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};
use shared::ids::MachineId;
use sync_core::queries::{DueLine, Order};

use super::asked::{Named, Query};
use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::finding::{self, Find};
use super::layout::{Place, nothing, page as frame};
use super::qr;
use crate::state::ServerState;

/// What is to be known before one prints.
const HOW: &str = "Print at full size, cut along the lines, and put each tag where a hand reaches it and oil does not. A phone of the crew that scans it shows \
    the machine, with a signal or without; any other phone only comes to the shop's address.";

/// GET /office/tags: of the machines that are found, by place.
pub(super) async fn page(State(state): State<ServerState>, visitor: CurrentUser, Query(asked): Query<Find>) -> Result<Response, ErrorPage> {
    let (now, mut filter) = (visitor.now, asked.of_due()?);
    filter.order.get_or_insert(Order::Place);
    let lines = filter.of(state.read(move |book| book.reader().due_list(&now)).await?);
    let sheet = sheet(&visitor, finding::page_of(&lines, asked.from).iter().map(Tag::of));
    let body = html! {
        div.no-print {
            h1 { "Tags" }
            p.soft { (HOW) }
        }
        (finding::words_form("/office/tags", &asked, "tag, what it is, place, engine"))
        @if lines.is_empty() && !asked.is_cut() { (nothing("There is no machine in the book yet. Add one under its property.")) }
        @else { (finding::found("/office/tags", &asked, lines.len(), ("machine", "machines"), &sheet)) }
    };
    Ok(frame(&visitor, Place::Inside, "Tags", &body))
}

/// GET /office/machines/{id}/tag: of this one.
pub(super) async fn of_machine(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(id): Named<MachineId>,
) -> Result<Response, ErrorPage> {
    let line = state.read(move |book| book.machines().listed_machine(id)).await?;
    let title = format!("Tag of {}", line.tag);
    let body = html! {
        div.no-print {
            h1 { (title) }
            p.soft { (HOW) }
        }
        (sheet(&visitor, [Tag { machine: line.machine, tag: &line.tag, description: &line.description, property: &line.property_name }]))
    };
    Ok(frame(&visitor, Place::Inside, &title, &body))
}

/// What a tag says.
struct Tag<'a> {
    machine: MachineId,
    tag: &'a str,
    description: &'a str,
    property: &'a str,
}

impl<'a> Tag<'a> {
    fn of(line: &'a DueLine) -> Self {
        Self { machine: line.machine, tag: &line.tag, description: &line.description, property: &line.property_name }
    }
}

fn sheet<'a>(visitor: &CurrentUser, tags: impl IntoIterator<Item = Tag<'a>>) -> Markup {
    html! { ul.tags { @for one in tags { li { (tag(visitor, &one)) } } } }
}

fn tag(visitor: &CurrentUser, of: &Tag<'_>) -> Markup {
    html! {
        (qr::drawn(&link(&visitor.issuer, of.machine), &format!("QR code that opens {} on a phone", of.tag)))
        div {
            strong { (of.tag) }
            span { (of.description) }
            span { (of.property) }
            small { (visitor.shop.name) }
        }
    }
}

/// The address of a machine on the phone's page. The machine is behind the `#`, so that no server's log has who scanned what.
fn link(issuer: &str, machine: MachineId) -> String {
    format!("{}/phone/#/machine/{machine}", issuer.trim_end_matches('/'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tag_names_the_machine_and_nothing_else() {
        let machine = MachineId::from_bytes([7; 16]);
        assert_eq!(link("https://book.example/", machine), format!("https://book.example/phone/#/machine/{machine}"));
    }
}
