//! A step asked for twice is done once: for a caller who cannot know whether the first asking was heard.

use sync_core::store::MetaKey;

use crate::Kit;
use crate::error::KitError;

/// Where the last answers are kept, by the keys under which they were asked for.
const ANSWERED: MetaKey<Vec<(String, String)>> = MetaKey::new("answered");
/// How many answers are kept. A tab has one question at a time that writes, and a phone a few tabs.
const MOST_ANSWERS: usize = 16;

impl Kit {
    /// Does a step under a key that the caller drew for it, and gives its answer. Asked again under the same key, as after a program that
    /// was asked ended before it answered, it gives that answer and does nothing: the answer is kept with the step, or neither is.
    ///
    /// # Errors
    /// The step's own, having kept nothing; the same key then does it again.
    pub fn once(&mut self, key: &str, step: impl FnOnce(&mut Self) -> Result<String, KitError>) -> Result<String, KitError> {
        let mut answered: Vec<(String, String)> = self.book.store().meta(&ANSWERED)?.unwrap_or_default();
        if let Some((_, answer)) = answered.iter().find(|(known, _)| known == key) {
            return Ok(answer.clone());
        }
        let begun = self.book.begin_step()?;
        let result = step(self).and_then(|answer| {
            answered.push((key.to_owned(), answer.clone()));
            answered.drain(..answered.len().saturating_sub(MOST_ANSWERS));
            self.book.store().set_meta(&ANSWERED, &answered)?;
            Ok(answer)
        });
        self.book.end_step(begun, result)
    }
}
