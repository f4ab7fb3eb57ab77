//! Symptoms first: what to look at on a machine, in which order and why, with what the book knows of it.

use axum::extract::State;
use axum::response::Response;
use maud::html;
use shared::ids::MachineId;
use shared::symptom::Symptom;
use sync_core::engine::BookError;
use sync_core::queries::SymptomView;

use super::asked::Named;
use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::layout::{Place, page as frame};
use crate::state::ServerState;

/// GET /office/machines/{id}/symptoms
pub(super) async fn page(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(id): Named<MachineId>,
) -> Result<Response, ErrorPage> {
    let (unit, now) = (visitor.unit, visitor.now);
    let (tag, symptoms) = state
        .read(move |book| {
            let all = Symptom::ALL.into_iter().map(|one| book.machines().symptom(id.doc(), one, unit, &now));
            let symptoms: Result<Vec<SymptomView>, BookError> = all.collect();
            Ok::<_, BookError>((book.machines().listed_machine(id)?.tag, symptoms?))
        })
        .await?;
    let title = format!("What is wrong with {tag}?");
    let body = html! {
        h1 { (title) }
        p { a href={ "/office/machines/" (id) } { "The machine" } }
        @if let Some(first) = symptoms.first() {
            @for sentence in &first.known { p { (sentence) } }
        }
        @for symptom in &symptoms {
            details.step {
                summary { (symptom.title) }
                ol {
                    @for look in &symptom.looks {
                        li {
                            p { (look.what) }
                            @for sentence in &look.known { p { strong { "The book: " } (sentence) } }
                            p.soft { b { "Why: " } (look.why) }
                            p { (look.then) }
                        }
                    }
                }
            }
        }
        @if let Some(first) = symptoms.first() { p.soft { (first.deference) } }
    };
    Ok(frame(&visitor, Place::Inside, &title, &body))
}
