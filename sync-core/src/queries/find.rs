//! Finding things by what people call them: a tag, a name, the last digits of an id.

use shared::ids::{DeviceId, DocId, PersonId, PropertyId, RecordId};

use super::short;
use crate::engine::BookError;
use crate::judge::machine::MachineState;
use crate::queries::Finder;

/// Picks the one match, or says what is wrong with the name.
fn one<T>(what: &str, given: &str, mut matches: Vec<T>) -> Result<T, BookError> {
    match (matches.pop(), matches.len()) {
        (Some(found), 0) => Ok(found),
        (None, _) => Err(BookError::Unknown(format!("this book has no {what} \"{given}\""))),
        (Some(_), others) => {
            Err(BookError::Unknown(format!("\"{given}\" could be any of {}; say which {what} by the last digits of its id", others + 1)))
        }
    }
}

fn same(name: &str, given: &str) -> bool {
    name.to_lowercase() == given.trim().to_lowercase()
}

fn ends(id: &impl std::fmt::Display, given: &str) -> bool {
    let digits: String = given.chars().filter(char::is_ascii_hexdigit).collect::<String>().to_lowercase();
    digits.len() >= 4 && id.to_string().replace('-', "").ends_with(&digits)
}

impl Finder<'_> {
    /// The state of a machine that the book has.
    pub(crate) fn known_machine(&self, machine: DocId) -> Result<MachineState, BookError> {
        let row = self.book.store.machine_rows().machine(machine)?;
        row.map(|row| row.state).ok_or_else(|| BookError::Unknown("this book has no such machine".to_owned()))
    }

    /// A machine by its tag or the last digits of its id.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where none or several are meant.
    pub fn find_machine(&self, given: &str) -> Result<DocId, BookError> {
        let rows = self.book.store.machine_rows().tags()?;
        let tagged: Vec<DocId> = rows.iter().filter(|(_, tag)| same(tag, given)).map(|(doc, _)| *doc).collect();
        if tagged.is_empty() {
            return one("machine", given, rows.iter().filter(|(doc, _)| ends(doc, given)).map(|(doc, _)| *doc).collect());
        }
        one("machine", given, tagged)
    }

    /// The machines with this very tag. The digits of an id are not asked: a tag may look like those of another machine.
    pub(crate) fn tagged(&self, tag: &str) -> Result<Vec<DocId>, BookError> {
        Ok(self.book.store.machine_rows().tags()?.into_iter().filter(|(_, known)| same(known, tag)).map(|(doc, _)| doc).collect())
    }

    /// The properties with this very name.
    pub(crate) fn properties_named(&self, name: &str) -> Result<Vec<PropertyId>, BookError> {
        Ok(self.book.reader().properties()?.into_iter().filter(|line| same(&line.name, name)).map(|line| line.property).collect())
    }

    /// Whether a person has this very name.
    pub(crate) fn is_named(&self, name: &str) -> Result<bool, BookError> {
        Ok(self.book.roster()?.people.values().any(|known| same(known, name)))
    }

    /// A property by its name or the last digits of its id.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where none or several are meant.
    pub fn find_property(&self, given: &str) -> Result<PropertyId, BookError> {
        let all = self.book.reader().properties()?;
        let matches = all.iter().filter(|p| same(&p.name, given) || ends(&p.property, given)).map(|p| p.property).collect();
        one("property", given, matches)
    }

    /// A person by name or the last digits of the id.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where none or several are meant.
    pub fn find_person(&self, given: &str) -> Result<PersonId, BookError> {
        let people = &self.book.roster()?.people;
        one("person", given, people.iter().filter(|(id, name)| same(name, given) || ends(id, given)).map(|(id, _)| *id).collect())
    }

    /// A device by its name or the last digits of its id.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where none or several are meant.
    pub fn find_device(&self, given: &str) -> Result<DeviceId, BookError> {
        let devices = &self.book.roster()?.devices;
        let matches = devices.values().filter(|d| same(&d.card.name, given) || ends(&d.card.device, given));
        one("device", given, matches.map(|d| d.card.device).collect())
    }

    /// An engine card by its name or the last digits of its id.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where none or several are meant.
    pub fn find_card(&self, given: &str) -> Result<shared::ids::CardId, BookError> {
        let cards = self.book.reader().engine_cards()?;
        one("engine card", given, cards.iter().filter(|c| same(&c.name, given) || ends(&c.card, given)).map(|c| c.card).collect())
    }

    /// A record by the last digits of its id.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where none or several are meant.
    pub fn find_record(&self, given: &str) -> Result<RecordId, BookError> {
        if given.chars().filter(char::is_ascii_hexdigit).count() < 4 {
            return Err(BookError::Unknown(format!("\"{given}\" names no record: give the last eight digits shown beside it")));
        }
        let ids = self.book.store.records().ids_like(given)?;
        one("record", given, ids.into_iter().filter(|id| ends(id, given) || short(id) == given).collect())
    }
}
