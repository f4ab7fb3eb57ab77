//! What is in quarantine, so that it can be decided on: the record in words, who stated it, and what it would change if it were let in.
//!
//! What it would change is not guessed: the document's records are laid out once more with this one among them, let in as the office
//! would let it in, and the same rules say what stands.

use serde::Serialize;
use shared::ids::{PersonId, RecordId};
use shared::length::LengthUnit;
use shared::problem::Code;
use shared::record::{Arrival, Body, ClockEvidence, FindingKind, Record};
use shared::slot::Slot;

use super::bounds::MOST_LINES;
use super::history::by;
use super::{describe, short};
use crate::crypto::envelope::{self, Opened};
use crate::engine::BookError;
use crate::engine::validate::{entry_of, may_be_let_in, target};
use crate::judge::corrected_time::correct;
use crate::judge::ledger::{Entry, Ledger};
use crate::judge::permissions::{self, Target};
use crate::judge::roster::Roster;
use crate::judge::standing::{Standing, stands};
use crate::queries::Reader;
use crate::store::{BroughtTooMuch, QuarantineState, Quarantined};
use crate::sys::clock::ClockReading;

/// A record in quarantine as one reads it. What letting it in would change is not tried.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct QuarantineLine {
    /// As quarantine holds it.
    #[serde(flatten)]
    pub held: Quarantined,
    /// The document it was meant for: a machine's tag, or another name.
    pub title: String,
    /// Who stated it; empty where it cannot be read.
    pub by_name: String,
    /// The role its author has now, or that there is none; empty where it cannot be read.
    pub role: String,
    /// The device that signed it, by name.
    pub device_name: String,
    /// When it was stated, by the device's clock, ms since 1970 UTC.
    pub stated_ms: Option<i64>,
    /// What it says; empty where it cannot be read.
    pub words: String,
    /// Why it waits, in a sentence, by what this book knows now.
    pub detail: String,
}

/// A record in quarantine with what the office decides by.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct QuarantineView {
    /// As one reads it.
    #[serde(flatten)]
    pub line: QuarantineLine,
    /// What letting it in would change, a sentence each. Empty once it is settled.
    pub would_change: Vec<String>,
    /// It can be let in: it is readable, whole, and signed by a device of this shop.
    pub can_be_let_in: bool,
}

impl Reader<'_> {
    /// How many records are in quarantine in this state.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn count_quarantined(&self, state: QuarantineState) -> Result<usize, BookError> {
        Ok(self.book.store.quarantine().count_quarantined(state)?)
    }

    /// Devices that brought more than is taken in a day, or than quarantine has room for.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn brought_too_much(&self) -> Result<Vec<BroughtTooMuch>, BookError> {
        Ok(self.book.store.quarantine().brought_too_much()?)
    }

    /// What is in quarantine in this state, or in any, with what the office decides by: numbers beyond `after`, at most so many.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn quarantine_views(
        &self,
        state: Option<QuarantineState>,
        after: i64,
        most: usize,
        unit: LengthUnit,
        now: &ClockReading,
    ) -> Result<Vec<QuarantineView>, BookError> {
        let held = self.book.store.quarantine().some_quarantined(state, after, most)?;
        held.into_iter().map(|held| self.quarantine_view(held, unit, now)).collect()
    }

    /// What is in quarantine, as one reads it: numbers beyond `after`, at most so many.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn quarantine_lines(&self, after: i64, most: usize, unit: LengthUnit) -> Result<Vec<QuarantineLine>, BookError> {
        self.book.store.quarantine().some_quarantined(None, after, most)?.into_iter().map(|held| self.quarantine_line(held, unit)).collect()
    }

    fn quarantine_line(&self, held: Quarantined, unit: LengthUnit) -> Result<QuarantineLine, BookError> {
        let roster = self.book.roster()?;
        let device_name = held.device.map_or_else(
            || "a device that cannot be read".to_owned(),
            |id| roster.devices.get(&id).map_or_else(|| "a device that the roster does not know".to_owned(), |d| d.card.name.clone()),
        );
        let opened = envelope::decode_unverified(&held.bytes).ok();
        let mut line = QuarantineLine {
            title: self.title(held.doc)?,
            by_name: String::new(),
            role: String::new(),
            device_name,
            stated_ms: None,
            words: String::new(),
            detail: self.why(&held)?,
            held,
        };
        if let Some(entry) = opened.as_ref().map(entry_of) {
            line.by_name = by(&entry, roster);
            line.role = roster.role_now(entry.record.by).map_or("no role", shared::role::Role::name).to_owned();
            line.stated_ms = Some(entry.record.at_ms);
            line.words = describe(&entry.record.body, unit, roster);
        }
        Ok(line)
    }

    /// One record in quarantine, with what the office decides by.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn quarantine_view(&self, held: Quarantined, unit: LengthUnit, now: &ClockReading) -> Result<QuarantineView, BookError> {
        let roster = self.book.roster()?;
        let mut view = QuarantineView { line: self.quarantine_line(held, unit)?, would_change: Vec::new(), can_be_let_in: false };
        if view.line.held.state != QuarantineState::Waiting {
            return Ok(view);
        }
        match may_be_let_in(&self.book.store, roster, &view.line.held) {
            Ok((opened, _)) => {
                view.can_be_let_in = true;
                view.would_change = self.would_change(&opened, unit, now)?;
            }
            Err(BookError::Denied(why)) => view.would_change = vec![format!("Nothing: {why}.").replace("..", ".")],
            Err(other) => return Err(other),
        }
        Ok(view)
    }

    /// Why a record waits, by what this book knows now: what is wrong with it, or what its author may not. Where neither can be told any
    /// more, as of a change that did not fit, what its code means.
    fn why(&self, held: &Quarantined) -> Result<String, BookError> {
        let (store, roster) = (&self.book.store, self.book.roster()?);
        let denied = match may_be_let_in(store, roster, held) {
            // What was let in is in the book: that says nothing of why it once waited.
            _ if held.state != QuarantineState::Waiting => None,
            Err(BookError::Denied(why)) => Some(why),
            Err(other) => return Err(other),
            Ok((opened, site)) if held.code == Code::RoleMayNot => {
                let record = &opened.record;
                let target = Target { place: Some(site.place), ..target(store, roster, record)? };
                let at_ms = correct(record, None, None).ms;
                permissions::may_write_at(record, roster, at_ms, None, &target).err().map(|why| format!("not taken: {why}"))
            }
            Ok(_) => None,
        };
        let why = denied.unwrap_or_else(|| {
            match held.code {
                Code::DocumentClosed => "its author may not read this document",
                Code::DeviceRevoked => "the device that signed it is revoked",
                code => code.title(),
            }
            .to_owned()
        });
        Ok(format!("{}.", why.trim_end_matches('.')))
    }

    /// What letting a record in would change of what its document says, a sentence each.
    fn would_change(&self, opened: &Opened, unit: LengthUnit, now: &ClockReading) -> Result<Vec<String>, BookError> {
        let roster = self.book.roster()?;
        let (id, body) = (opened.record.id, &opened.record.body);
        let before = self.book.store.records().ledger_of(opened.record.doc)?;
        let after = Ledger::clone(&before).with([entry_of(opened), let_in(opened, roster, now)]);
        let told = Told { unit, roster, id };
        let mut lines = Vec::new();
        for slot in slots_touched(&opened.record, &before) {
            lines.extend(told.change(&stands(&slot, &before, roster), &stands(&slot, &after, roster), &before, &after));
        }
        match body {
            Body::Void(void) => match (before.get(void.target), after.voided_by(void.target, roster)) {
                (Some(entry), Some(by)) if by == id => lines.insert(0, format!("It would undo {}.", told.named(entry))),
                (Some(entry), _) => lines.insert(0, format!("It would not undo {}: its author has no right to.", told.named(entry))),
                (None, _) => lines.insert(0, "It would undo a record that this book does not hold.".to_owned()),
            },
            Body::Finding(finding) if finding.grade == FindingKind::Hold => {
                lines.push("The machine would be on hold: do not run.".to_owned());
            }
            Body::FindingCleared(cleared) => {
                lines.extend(before.get(cleared.finding).map(|entry| format!("It is about {}.", told.named(entry))));
            }
            Body::SignOff(sign_off) if stands(&Slot::SignOff(sign_off.visit), &after, roster).stands == Some(id) => {
                lines.extend(before.get(sign_off.visit).map(|entry| {
                    let (by, when) = (by(entry, roster), roster.local(before.time(sign_off.visit).ms));
                    let how = if sign_off.complete { "complete" } else { "with something left open" };
                    format!("The visit that {by} opened on {when} would count as finished, {how}.")
                }));
            }
            Body::Unknown(_) => lines.push("This program does not understand it: it would be kept and passed on.".to_owned()),
            _ => {}
        }
        lines.truncate(MOST_LINES);
        Ok(lines)
    }
}

/// The slots of which what stands may be another once a record is in.
fn slots_touched(record: &Record, ledger: &Ledger) -> Vec<Slot> {
    match &record.body {
        Body::Void(void) => ledger.get(void.target).and_then(|entry| Slot::of(&entry.record)).into_iter().collect(),
        Body::Ruling(ruling) => vec![ruling.slot.clone()],
        // Each is a thing of its own: there is nothing that it could stand against.
        Body::Visit(_) | Body::Finding(_) | Body::Note(_) | Body::Photo(_) => Vec::new(),
        _ => Slot::of(record).into_iter().collect(),
    }
}

/// What a comparison of two standings is told with.
struct Told<'a> {
    unit: LengthUnit,
    roster: &'a Roster,
    id: RecordId,
}

impl Told<'_> {
    fn named(&self, entry: &Entry) -> String {
        format!("“{}” by {}", describe(&entry.record.body, self.unit, self.roster), by(entry, self.roster))
    }

    fn standing(&self, standing: &Standing, ledger: &Ledger) -> Option<String> {
        let id = standing.stands?;
        Some(format!("{}, {}", self.named(ledger.get(id)?), self.roster.local(ledger.time(id).ms)))
    }

    fn change(&self, before: &Standing, after: &Standing, in_book: &Ledger, with_it: &Ledger) -> Vec<String> {
        let (slot, now) = (before.slot.words(), self.standing(before, in_book));
        let mut lines = Vec::new();
        lines.push(match (&now, after.stands) {
            (None, Some(id)) if id == self.id => format!("Nothing stands for {slot} now; this would."),
            (Some(now), Some(id)) if id == self.id => format!("For {slot} now stands {now}. This would stand in its place."),
            (Some(now), stands) if stands == before.stands => format!("For {slot} {now} would go on standing."),
            (Some(now), Some(_)) => {
                let then = self.standing(after, with_it).unwrap_or_default();
                format!("For {slot} now stands {now}. {then} would stand in its place.")
            }
            (Some(now), None) => format!("For {slot} now stands {now}. Nothing would stand any more."),
            (None, Some(_)) => format!("Nothing stands for {slot} now; {} would.", self.standing(after, with_it).unwrap_or_default()),
            (None, None) => format!("Nothing stands for {slot} now, and nothing would."),
        });
        if let Some(aside) = after.aside.iter().find(|aside| aside.id == self.id) {
            lines.push(format!("This would not be used by itself: {}.", aside.why));
        }
        if after.wants_ruling() && !before.wants_ruling() {
            lines.push(format!("People would disagree about {slot}, and a ruling would be needed."));
        }
        lines
    }
}

/// The receipt with which the office would let a record in now. Its own id comes behind every other; it is written nowhere.
fn let_in(opened: &Opened, roster: &Roster, now: &ClockReading) -> Entry {
    let shop = roster.root.shop;
    let arrival = Arrival {
        records: vec![opened.receipted()],
        at: now.wall_ms,
        skew_ms: 0,
        uncertainty_ms: 0,
        brought_by: opened.device,
        position: 0,
        released_by: Some(PersonId::shop(shop)),
    };
    let record = Record {
        id: RecordId::from_bytes([0xff; 16]),
        doc: opened.record.doc,
        by: PersonId::shop(shop),
        measured_by: None,
        at_ms: now.wall_ms,
        clock: ClockEvidence::default(),
        seen: Vec::new(),
        body: Body::Arrival(arrival),
    };
    Entry { device: roster.root.device, record, sha256: shared::bytes::Bytes32([0; 32]) }
}

impl QuarantineLine {
    /// The record and its author in one line: what it is about, what it says, who said it.
    #[must_use]
    pub fn headline(&self) -> String {
        if self.words.is_empty() {
            return format!("A record that cannot be read, for {}", self.title);
        }
        format!("{}: {}", self.title, self.words)
    }

    /// How people name the record.
    #[must_use]
    pub fn short(&self) -> Option<String> {
        self.held.record.as_ref().map(short)
    }
}
