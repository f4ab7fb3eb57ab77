//! One device of the load: a book of its own, enrolled, written in offline, and brought level over HTTP.

use server::Clock;
use shared::ids::{DocId, RecordId};
use shared::leaf::LeafSet;
use shared::length::{Length, LengthUnit};
use shared::record::Stage;
use shared::valve::Valve;
use shared::wire::{ASSERTION_TYPE, ExchangeAnswer, TokenAnswer};
use sync_core::book::Book;
use sync_core::commands::{ActionContext, ReadingEntry};
use sync_core::store::Store;
use sync_core::sync::{read_body, write_body};

use super::caller::Caller;

/// The most round trips until a device must be level.
const MOST_ROUNDS: u32 = 60;
/// Of so many records one is a note; the others are readings.
const NOTE_EACH: usize = 5;

pub(super) fn chance(buffer: &mut [u8]) {
    // Weak keys would prove nothing here; a system without random bytes is no place for a load.
    assert!(getrandom::fill(buffer).is_ok(), "the system gives no random bytes");
}

/// A device.
pub(super) struct Device<'c> {
    pub(super) book: Book,
    pub(super) caller: Caller<'c>,
    /// What it wrote.
    pub(super) written: Vec<RecordId>,
    token: Option<String>,
}

pub(super) fn words(error: impl std::fmt::Display) -> String {
    error.to_string()
}

impl<'c> Device<'c> {
    pub(super) fn new(caller: Caller<'c>) -> Result<Self, String> {
        let book = Book::over(Store::in_memory().map_err(words)?, &mut chance).map_err(words)?;
        Ok(Self { book, caller, written: Vec::new(), token: None })
    }

    pub(super) fn enrol(&mut self, code: &str, name: &str) -> Result<(), String> {
        let request = self.book.enrol_request(code, name, &self.caller.clock.now(), &mut chance).map_err(words)?;
        let answer = self.caller.post_json("/v1/enrol", None, &request)?;
        self.book.enrolled(&answer, &format!("http://{}", self.caller.address)).map_err(words)
    }

    /// A token, kept once it was given: a load lasts less long than one does, or fails and says so.
    pub(super) fn token(&mut self) -> Result<String, String> {
        if let Some(token) = &self.token {
            return Ok(token.clone());
        }
        let assertion = self.book.tokens().assertion(&self.caller.clock.now(), 0, &mut chance).map_err(words)?;
        let kind = ASSERTION_TYPE.replace(':', "%3A");
        let form = format!("grant_type=client_credentials&client_assertion_type={kind}&client_assertion={assertion}");
        let answer: TokenAnswer = self.caller.post_form("/v1/token", &form)?;
        Ok(self.token.insert(answer.access_token).clone())
    }

    /// Round trips until both sides are level.
    pub(super) fn level(&mut self) -> Result<(), String> {
        let token = self.token()?;
        for _ in 0..MOST_ROUNDS {
            let sent_at = self.caller.clock.now();
            let body = write_body(&self.book.outgoing().offer(&sent_at).map_err(words)?, true).map_err(words)?;
            let (bytes, zstd) = self.caller.post_exchange(&token, &body)?;
            let answer: ExchangeAnswer = read_body(&bytes, zstd).map_err(words)?;
            let report = self.book.peer().take_answer(&sent_at, &answer, &self.caller.clock.now(), &mut chance).map_err(words)?;
            if let Some(refused) = report.refused.first() {
                return Err(format!("the shop refused a record: {}", refused.detail));
            }
            if !report.more {
                return Ok(());
            }
        }
        Err(format!("not level after {MOST_ROUNDS} round trips"))
    }

    /// Writes so many records on its machines in turn, with nobody to send them to.
    pub(super) fn write(&mut self, records: usize, machines: &[DocId]) -> Result<(), String> {
        let valves = Valve::all(2);
        let set = LeafSet::inch();
        for (n, machine) in (0..records).zip(machines.iter().cycle()) {
            let mut hand = ActionContext { now: self.caller.clock.now(), entropy: &mut chance, measured_by: None };
            let record = if n % NOTE_EACH == 0 {
                self.book.author().add_note(*machine, &format!("note {n} of the load"), &mut hand)
            } else {
                let go = 3 + i64::try_from(n % 4).unwrap_or(0);
                let entry = ReadingEntry {
                    valve: *valves.get(n % valves.len()).ok_or("an engine has valves")?,
                    stage: if n % 2 == 0 { Stage::Found } else { Stage::Left },
                    go: Some(Length::from_thou(go)),
                    no_go: Some(Length::from_thou(go + 1)),
                    leaves: vec![],
                    adjusted: false,
                    cold: Some(true),
                };
                self.book.author().take_reading(*machine, entry, &set, LengthUnit::Thou, &mut hand).map(|kept| kept.record)
            };
            self.written.push(record.map_err(words)?);
        }
        Ok(())
    }
}
