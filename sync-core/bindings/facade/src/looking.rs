//! What a screen asks for. Nothing here writes.

use serde::Serialize;
use shared::engine_card::EngineCard;
use shared::ids::{DocId, PropertyId, RecordId};
use shared::slot::Slot;
use shared::symptom::SymptomError;
use sync_core::book::Book;
use sync_core::crypto::storage_key::KeysAtRest;
use sync_core::engine::BookError;
use sync_core::queries::bounds::MOST_QUARANTINED;
use sync_core::queries::{
    ContestedSlot, DueLine, DuePage, DueQuery, HistoryLine, MachineView, NoteLine, PropertyLine, QuarantineLine, QuarantineView, RoundPage,
    Status, SymptomView,
};

use crate::Kit;
use crate::error::KitError;

/// How this device and its book are.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct KitStatus {
    /// The book belongs to a shop.
    pub enrolled: bool,
    /// Shop, person, role, what waits for the shop's receipt, the last exchange; absent before enrolment.
    #[serde(flatten)]
    pub level: Option<Status>,
    /// Pictures of photos that are on this device alone, or that the shop has not said it has.
    pub photos_waiting: usize,
    /// What this device's clock shows, ms since 1970 UTC: for saying how long ago something was.
    pub now_ms: i64,
    /// The mark of the book's state now, for [`Kit::moved`].
    pub mark: u64,
    /// How this device's private keys are kept.
    pub keys: KeysAtRest,
}

/// A property and its machines, the most pressing first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stop {
    /// The property.
    #[serde(flatten)]
    pub property: PropertyLine,
    /// Its machines with what is due, the most pressing first.
    pub due: Vec<DueLine>,
}

/// A property as its own screen shows it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Place {
    /// The property, and its machines.
    #[serde(flatten)]
    pub stop: Stop,
    /// The latest notes, newest first.
    pub notes: Vec<NoteLine>,
    /// How many older notes there are.
    pub more_notes: usize,
}

/// What moved in the book since a mark.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Moved {
    /// The mark now.
    pub mark: u64,
    /// The roster or an engine card is among it: whatever is on the screen may say something else.
    pub everything: bool,
    /// The documents: machines and properties by their own ids.
    pub documents: Vec<DocId>,
}

impl Kit {
    /// What to look at on a machine for a symptom, in which order and why, with what the book knows: `clatters`, `down-on-power`,
    /// `hard-to-pull`, `kicks-back` or `pops`.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where the book has no such machine; [`KitError::Given`] for a symptom that is none.
    pub fn symptom(&mut self, machine: DocId, symptom: &str) -> Result<SymptomView, KitError> {
        let symptom = symptom.parse().map_err(|error: SymptomError| KitError::Given(error.to_string()))?;
        let now = self.around.now();
        Ok(self.book.machines().symptom(machine, symptom, self.unit()?, &now)?)
    }

    /// How this device and its book are.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn status(&mut self) -> Result<KitStatus, KitError> {
        let level = match self.book.reader().status() {
            Ok(status) => Some(status),
            Err(BookError::NotEnrolled) => None,
            Err(other) => return Err(other.into()),
        };
        let photos_waiting = if level.is_some() { self.photos_due()?.len() } else { 0 };
        let (now_ms, mark) = (self.around.now().wall_ms, self.book.store().log().log_end()?);
        let keys = self.book.keys_at_rest();
        Ok(KitStatus { enrolled: level.is_some(), level, photos_waiting, now_ms, mark, keys })
    }

    /// The day's round: every property that this book knows with what is due there, the most pressing first.
    ///
    /// # Errors
    /// [`KitError`] where the book belongs to no shop, or the store fails.
    pub fn round(&mut self) -> Result<Vec<Stop>, KitError> {
        let due = self.due()?;
        let mut stops: Vec<Stop> =
            self.book.reader().properties()?.into_iter().map(|property| Stop { property, due: Vec::new() }).collect();
        let mut order: Vec<PropertyId> = Vec::new();
        for line in due {
            let Some(stop) = stops.iter_mut().find(|stop| Some(stop.property.property) == line.property) else { continue };
            if stop.due.is_empty() {
                order.push(stop.property.property);
            }
            stop.due.push(line);
        }
        // The due list is in order of need already; a property without machines comes last.
        stops.sort_by_key(|stop| order.iter().position(|id| *id == stop.property.property).unwrap_or(usize::MAX));
        Ok(stops)
    }

    /// One property with its machines and its latest notes.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where this book has no such property.
    pub fn property(&mut self, property: PropertyId) -> Result<Place, KitError> {
        let stop = self.round()?.into_iter().find(|stop| stop.property.property == property);
        let stop = stop.ok_or_else(|| BookError::Unknown("this book has no such property".to_owned()))?;
        let (notes, more_notes) = self.book.reader().notes(property.doc())?;
        Ok(Place { stop, notes, more_notes })
    }

    /// A page of the machines that are looked for: by words, by what is the matter, in an order.
    ///
    /// # Errors
    /// As [`Kit::round`].
    pub fn due_page(&mut self, query: &DueQuery) -> Result<DuePage, KitError> {
        let now = self.around.now();
        Ok(self.book.reader().due_page(query, &now)?)
    }

    /// A page of the round, with what is looked for at each property.
    ///
    /// # Errors
    /// As [`Kit::round`].
    pub fn round_page(&mut self, query: &DueQuery) -> Result<RoundPage, KitError> {
        let now = self.around.now();
        Ok(self.book.reader().round_page(query, &now)?)
    }

    /// Every engine card that stands, by name: to choose from where a machine is entered.
    ///
    /// # Errors
    /// As [`Kit::round`].
    pub fn engine_cards(&self) -> Result<Vec<EngineCard>, KitError> {
        Ok(self.book.reader().engine_cards()?)
    }

    /// The records about a machine or a property that this person may take back, newest first: see [`Kit::void`].
    ///
    /// # Errors
    /// As [`Kit::round`].
    pub fn to_take_back(&self, doc: DocId) -> Result<Vec<RecordId>, KitError> {
        Ok(self.book.advisor().to_take_back(doc)?)
    }

    /// Every property that this book knows, by name.
    ///
    /// # Errors
    /// As [`Kit::round`].
    pub fn properties(&self) -> Result<Vec<PropertyLine>, KitError> {
        Ok(self.book.reader().properties()?)
    }

    /// Every machine with what is due, the most pressing first.
    ///
    /// # Errors
    /// As [`Kit::round`].
    pub fn due(&mut self) -> Result<Vec<DueLine>, KitError> {
        let now = self.around.now();
        Ok(self.book.reader().due_list(&now)?)
    }

    /// A machine by what people call it: its tag, or the last digits of its id.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where none or several are meant.
    pub fn find_machine(&self, given: &str) -> Result<DocId, KitError> {
        self.book.identity()?;
        Ok(self.book.finder().find_machine(given)?)
    }

    /// One machine: card, clearances with their verdicts, hours, what is due, findings, visits, history.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where this book has no such machine.
    pub fn machine(&mut self, machine: DocId) -> Result<MachineView, KitError> {
        let (unit, now) = (self.unit()?, self.around.now());
        Ok(self.book.machines().machine_screen(machine, unit, &now)?)
    }

    /// A machine's history, newest first.
    ///
    /// # Errors
    /// As [`Kit::machine`].
    pub fn history(&self, machine: DocId) -> Result<Vec<HistoryLine>, KitError> {
        Ok(self.book.machines().history(machine, self.unit()?)?)
    }

    /// Every slot that wants a ruling, with its readings side by side.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn contested(&self) -> Result<Vec<ContestedSlot>, KitError> {
        Ok(self.book.reader().contested(self.unit()?)?)
    }

    /// One slot with its readings side by side, contested or not.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where nothing speaks about the slot.
    pub fn slot(&self, doc: DocId, slot: &Slot) -> Result<ContestedSlot, KitError> {
        Ok(self.book.reader().slot_view(doc, slot, self.unit()?)?)
    }

    /// What the shop did not take, or this device could not: the record in words, who stated it, why it waits. At most
    /// [`MOST_QUARANTINED`], the oldest first.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn quarantine(&self) -> Result<Vec<QuarantineLine>, KitError> {
        Ok(self.book.reader().quarantine_lines(0, MOST_QUARANTINED, self.unit()?)?)
    }

    /// One of them by its number, with what letting it in would change, which is tried.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where there is none of this number.
    pub fn quarantined(&mut self, id: i64) -> Result<QuarantineView, KitError> {
        let (unit, now) = (self.unit()?, self.around.now());
        let held = self.book.store().quarantine().one_quarantined(id)?;
        let held = held.ok_or_else(|| BookError::Unknown("nothing of this number is in quarantine".to_owned()))?;
        Ok(self.book.reader().quarantine_view(held, unit, &now)?)
    }

    /// What moved since a mark that [`Kit::status`] or this gave: what a front end draws anew. 0 for everything.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn moved(&self, since: u64) -> Result<Moved, KitError> {
        let mark = self.book.store().log().log_end()?;
        let documents = if mark == since { Vec::new() } else { self.book.store().documents().moved_since(since)? };
        let shop = self.book.identity().map(|identity| identity.root.shop);
        let everything = shop.is_ok_and(|shop| documents.iter().any(|doc| *doc == shop.roster() || *doc == shop.engines()));
        Ok(Moved { mark, everything, documents })
    }

    /// Proves the whole book against a rebuild of itself. Takes a while.
    ///
    /// # Errors
    /// [`KitError`] where it cannot even be read.
    pub fn verify(&self) -> Result<sync_core::engine::Verification, KitError> {
        Ok(Book::verify(&self.book)?)
    }
}
