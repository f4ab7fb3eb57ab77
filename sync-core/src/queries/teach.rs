//! Lessons on the steps of a check, of a machine's engine as far as its card tells it apart.

use serde::Serialize;
use shared::caution::DEFERENCE;
use shared::ids::DocId;
use shared::length::LengthUnit;
use shared::teach::figure::{self, Figure};
use shared::teach::{Lesson, PointWords, Taught};

use super::MachineReader;
use crate::engine::BookError;

/// A lesson in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LessonView {
    /// Which.
    pub lesson: Lesson,
    /// Its title.
    pub title: &'static str,
    /// Its points, in the order of the work.
    pub points: Vec<PointWords>,
    /// Its drawing moves with the crank.
    pub moves: bool,
    /// Whom the tool defers to: shown with it.
    pub deference: &'static str,
}

impl MachineReader<'_> {
    /// A lesson for a machine's engine, or for any.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine; the store.
    pub fn lesson(&self, lesson: Lesson, machine: Option<DocId>, unit: LengthUnit) -> Result<LessonView, BookError> {
        let points = self.taught(machine, |of| lesson.words(of, unit))?;
        Ok(LessonView { lesson, title: lesson.title(), points, moves: lesson == Lesson::TopDeadCenter, deference: DEFERENCE })
    }

    /// A lesson's drawing, that of [`Lesson::TopDeadCenter`] at an angle of the crank: degrees from top dead center of compression.
    ///
    /// # Errors
    /// As [`MachineReader::lesson`].
    pub fn lesson_figure(&self, lesson: Lesson, machine: Option<DocId>, degrees: f64) -> Result<Figure, BookError> {
        match lesson {
            Lesson::TopDeadCenter => self.taught(machine, |of| figure::cycle(degrees, of)),
            Lesson::Leaf => Ok(figure::leaf()),
            Lesson::LockNut => Ok(figure::lock_nut()),
        }
    }

    fn taught<T>(&self, machine: Option<DocId>, teach: impl FnOnce(Taught<'_>) -> T) -> Result<T, BookError> {
        let card = match machine {
            Some(machine) => self.card_of(&self.book.finder().known_machine(machine)?)?,
            None => None,
        };
        Ok(teach(Taught { card: card.as_ref() }))
    }
}
