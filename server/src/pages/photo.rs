//! The photos of a machine: small on its page, whole at an address of their own.

use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::Response;
use maud::{Markup, html};
use shared::ids::DocId;
use sync_core::queries::PhotoLine;

use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use crate::concurrency::Client;
use crate::routes::photos::{NamedPhoto, hand_out};
use crate::state::ServerState;

/// Where a photo's picture is.
fn at(doc: DocId, photo: &PhotoLine) -> String {
    format!("/office/photos/{doc}/{}", photo.sha256)
}

/// GET /office/photos/{id}/{sha256}
pub(super) async fn picture(
    State(state): State<ServerState>,
    asked: HeaderMap,
    Path((doc, sha256)): Path<(String, String)>,
) -> Result<Response, ErrorPage> {
    // Not as a page's visitor: what the last step gave is for a page to say, and not for a picture to swallow.
    let visitor = CurrentUser::of(&asked, "/office", &state).await?;
    let photo = NamedPhoto::of(&doc, &sha256)?;
    state.read(move |book| book.photos().open_to(visitor.person, photo.doc, photo.sha256)).await?;
    Ok(hand_out(&state, photo, state.unread.take(Client::Person(visitor.person)), &asked).await?)
}

/// The photos of a document; whether each one's picture is here.
pub(super) fn photos(visitor: &CurrentUser, doc: DocId, photos: &[(PhotoLine, bool)]) -> Markup {
    html! {
        @if !photos.is_empty() {
            h2 { "Photos" }
            ul.photos {
                @for (photo, here) in photos {
                    li {
                        figure {
                            @if *here {
                                a href=(at(doc, photo)) { img src=(at(doc, photo)) alt={ "Photo: " (caption(photo)) } loading="lazy"; }
                            } @else {
                                p.warn { "The picture is not here yet: only its record came. It comes with an exchange of the phone that took it." }
                            }
                            figcaption {
                                (caption(photo)) br;
                                small { (photo.by) ", " (visitor.local(photo.at_ms)) " " a.id href={ "/office/records/" (photo.record) } { (sync_core::queries::short(&photo.record)) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn caption(photo: &PhotoLine) -> &str {
    if photo.caption.is_empty() { "without a caption" } else { &photo.caption }
}
