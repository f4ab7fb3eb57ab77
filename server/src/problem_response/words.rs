//! What a refusal says to people: its sentence, and the field of a form that it is about.

use super::ApiError;

impl ApiError {
    /// The same, of a field of a form.
    pub(crate) fn of_field(mut self, name: &str) -> Self {
        self.field = Some(name.to_owned());
        self
    }

    /// The field of a form that is wrong, where it is known.
    pub(crate) fn field(&self) -> Option<&str> {
        self.field.as_deref()
    }
}

/// A text of the core as a sentence of its own.
pub(crate) fn sentence(text: &str) -> String {
    let text = text.trim();
    let mut letters = text.chars();
    let mut out: String = letters.next().map(|first| first.to_uppercase().collect()).unwrap_or_default();
    out.push_str(letters.as_str());
    if !out.ends_with(['.', '?', '!']) {
        out.push('.');
    }
    out
}
