//! The work card: the lessons with their drawings on one sheet, for the wall or a helper's pocket.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};
use shared::ids::MachineId;
use shared::teach::Lesson;
use shared::teach::figure::{Anchor, Figure, Shape};
use sync_core::engine::BookError;
use sync_core::queries::LessonView;

use super::asked::Named;
use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::layout::{Place, page as frame};
use crate::state::ServerState;

/// What is drawn of the crank's two turns: degrees from top dead center of compression, in the order in which one looks for it.
const ANGLES: [f64; 6] = [-450.0, -360.0, -270.0, -130.0, -60.0, 0.0];

/// GET /office/work-card: of any engine.
pub(super) async fn any(State(state): State<ServerState>, visitor: CurrentUser) -> Result<Response, ErrorPage> {
    shown(&state, &visitor, None).await
}

/// GET /office/machines/{id}/work-card: of a machine's engine.
pub(super) async fn of_machine(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(id): Named<MachineId>,
) -> Result<Response, ErrorPage> {
    shown(&state, &visitor, Some(id)).await
}

async fn shown(state: &ServerState, visitor: &CurrentUser, machine: Option<MachineId>) -> Result<Response, ErrorPage> {
    let (unit, doc) = (visitor.unit, machine.map(MachineId::doc));
    let (tag, lessons) = state
        .read(move |book| {
            let machines = book.machines();
            let lessons = Lesson::ALL.into_iter().map(|lesson| {
                let angles = if lesson == Lesson::TopDeadCenter { &ANGLES[..] } else { &[0.0] };
                let figures: Result<Vec<Figure>, BookError> = angles.iter().map(|at| machines.lesson_figure(lesson, doc, *at)).collect();
                Ok((machines.lesson(lesson, doc, unit)?, figures?))
            });
            let lessons: Result<Vec<(LessonView, Vec<Figure>)>, BookError> = lessons.collect();
            let tag = machine.map(|id| machines.listed_machine(id)).transpose()?.map(|line| line.tag);
            Ok::<_, BookError>((tag, lessons?))
        })
        .await?;
    let title = tag.map_or_else(|| "Work card".to_owned(), |tag| format!("Work card for {tag}"));
    let body = html! {
        h1 { (title) }
        p.soft.no-print { "Printed, it is one sheet: what is done, and what goes wrong otherwise. On the phone the first drawing turns with a slider." }
        div.work-card {
            @for (lesson, figures) in &lessons {
                section {
                    h2 { (lesson.title) }
                    div.figures { @for figure in figures { figure { (drawn(figure)) figcaption { (figure.words) } } } }
                    ol { @for point in &lesson.points { li { p { (point.what) } p.soft.why { b { "Why: " } (point.why) } p.soft { b { "Otherwise: " } (point.otherwise) } } } }
                }
            }
            @if let Some((lesson, _)) = lessons.first() { p.soft { (lesson.deference) } }
        }
    };
    Ok(frame(visitor, Place::Inside, &title, &body))
}

/// A drawing as SVG; how its parts look is the style's.
fn drawn(figure: &Figure) -> Markup {
    html! {
        svg.taught viewBox={ "0 0 " (figure.wide) " " (figure.high) } role="img" aria-label=(figure.words) {
            @for shape in &figure.shapes {
                @match shape {
                    Shape::Path { part, points, closed: true } => { polygon class=(part.name()) points=(listed(points)) {} }
                    Shape::Path { part, points, closed: false } => { polyline class=(part.name()) points=(listed(points)) {} }
                    Shape::Circle { part, center: [x, y], radius } => { circle class=(part.name()) cx=(x) cy=(y) r=(radius) {} }
                    Shape::Text { at: [x, y], anchor, text } => {
                        text x=(x) y=(y) text-anchor=(if *anchor == Anchor::Middle { "middle" } else { "start" }) { (text) }
                    }
                }
            }
        }
    }
}

fn listed(points: &[[f64; 2]]) -> String {
    points.iter().map(|[x, y]| format!("{x} {y}")).collect::<Vec<_>>().join(" ")
}
