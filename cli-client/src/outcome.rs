//! What a command gives back: text for people, one JSON document for programs, and how it went.

use serde::Serialize;
use serde_json::Value;

use crate::exit::{Exit, Failure};

/// What a command did.
#[derive(Debug)]
pub(crate) struct Outcome {
    /// For programs.
    pub(crate) json: Value,
    /// For people.
    pub(crate) text: String,
    /// How it went.
    pub(crate) exit: Exit,
}

impl Outcome {
    /// A thing done, with what it is for programs and for people.
    pub(crate) fn new(json: &impl Serialize, text: impl Into<String>) -> Result<Self, Failure> {
        Ok(Self { json: to_json(json)?, text: text.into(), exit: Exit::Done })
    }

    /// The same, needing a look where `look` says so.
    pub(crate) fn needing(mut self, look: bool) -> Self {
        if look {
            self.exit = Exit::NeedsALook;
        }
        self
    }

    /// The same with something more for programs under a name.
    pub(crate) fn with(mut self, name: &str, value: &impl Serialize) -> Result<Self, Failure> {
        let value = to_json(value)?;
        match &mut self.json {
            Value::Object(fields) => {
                fields.insert(name.to_owned(), value);
            }
            other => {
                let result = other.take();
                self.json = serde_json::json!({ "result": result, name: value });
            }
        }
        Ok(self)
    }

    /// The same with a paragraph more for people.
    pub(crate) fn and_say(mut self, paragraph: &str) -> Self {
        if !paragraph.is_empty() {
            self.text = format!("{}\n{paragraph}", self.text.trim_end());
        }
        self
    }
}

/// A value as JSON.
pub(crate) fn to_json(value: &impl Serialize) -> Result<Value, Failure> {
    serde_json::to_value(value).map_err(|error| Failure::Defect(error.to_string()))
}
