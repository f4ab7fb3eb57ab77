//! A step at the desk: what a form asks for is stated in the book under the person's own key, or refused in words.

use axum::response::Redirect;
use shared::ids::{DocId, MachineId};
use sync_core::commands::{ActionContext, Author};
use sync_core::engine::BookError;

use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// Does a step in a visitor's name.
pub(super) async fn take<T: Send + 'static>(
    state: &ServerState,
    visitor: &CurrentUser,
    step: impl FnOnce(&mut Author<'_>, &mut ActionContext<'_>) -> Result<T, BookError> + Send + 'static,
) -> Result<T, ApiError> {
    let (person, now) = (visitor.person, visitor.now);
    let done = state.write(move |book, entropy| book.author().at_desk(person, &now, entropy, step)).await?;
    state.moved();
    Ok(done)
}

/// Does a step, says what it gave, and goes to a page.
pub(super) async fn step<T: Send + 'static>(
    state: &ServerState,
    visitor: &CurrentUser,
    step: impl FnOnce(&mut Author<'_>, &mut ActionContext<'_>) -> Result<T, BookError> + Send + 'static,
    said: &str,
    to: &str,
) -> Result<Redirect, ErrorPage> {
    take(state, visitor, step).await?;
    visitor.say(said, state);
    Ok(go(to))
}

/// Goes to one of our own pages; to the day sheet where something else was named.
pub(super) fn go(to: &str) -> Redirect {
    Redirect::to(if ours(to) { to } else { "/office" })
}

pub(super) fn ours(to: &str) -> bool {
    to.strip_prefix("/office").is_some_and(|rest| rest.is_empty() || rest.starts_with(['/', '?']))
        && to.bytes().all(|b| b.is_ascii_graphic() && b != b'\\')
}

/// Where a machine's page is.
pub(super) fn machine_at(doc: DocId) -> String {
    format!("/office/machines/{}", MachineId(doc.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_our_own_pages_are_gone_to() {
        for to in ["/office", "/office/due", "/office?day=2026-05-04", "/office/slot?doc=1&slot=hours"] {
            assert!(ours(to), "{to}");
        }
        for to in ["", "/", "//other.example", "https://other.example", "/officer", "/office\\..\\x", "/office/\r\nx: y", "office"] {
            assert!(!ours(to), "{to}");
        }
    }
}
