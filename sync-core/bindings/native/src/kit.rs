//! The kit as an object: joining a shop, being level with it, and what a screen asks for. `opening.rs` opens it; work is in `work.rs`.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde_json::Value;
use shared::length::Length;
use shared::slot::Slot;
use tappet_kit::{Kit, KitError};

use crate::asking::{given, given_json, json};
use crate::error::{TappetError, WatchError};
use crate::plain::{BundleMade, BundleTaken, Call, Enrolled, Exchanged, Leaves, LengthRead, LengthUnit, LogIn, Moved};
use crate::status::Status;

const QUERY: &str = "query";

/// Told what moved. Called on the thread whose step moved it, once the step is kept; it may call the kit.
#[uniffi::export(with_foreign)]
pub trait Watcher: Send + Sync {
    /// These documents say something else than before: draw them anew.
    ///
    /// # Errors
    /// A watcher that fails changes nothing; it is told the same again with the next step.
    fn moved(&self, moved: Moved) -> Result<(), WatchError>;
}

/// An open book, and the device around it. One program has a book open at a time, and one object of this.
#[derive(uniffi::Object)]
pub struct TappetKit {
    kit: Mutex<Kit>,
    watching: Mutex<Option<Watching>>,
}

/// A watcher, and up to where it has been told.
#[derive(Clone)]
struct Watching {
    watcher: Arc<dyn Watcher>,
    mark: u64,
}

impl std::fmt::Debug for TappetKit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("TappetKit").finish_non_exhaustive()
    }
}

/// A step that panicked has kept nothing: the store's transactions see to it, so the book may be used again.
fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl TappetKit {
    pub(crate) fn around(kit: Kit) -> Arc<Self> {
        Arc::new(Self { kit: Mutex::new(kit), watching: Mutex::new(None) })
    }

    /// Asks the kit something.
    pub(crate) fn ask<T>(&self, question: impl FnOnce(&mut Kit) -> Result<T, KitError>) -> Result<T, TappetError> {
        Ok(question(&mut locked(&self.kit))?)
    }

    /// Does a step that may move something, and tells the watcher. A step that failed may have: a message half taken in.
    pub(crate) fn does<T>(&self, step: impl FnOnce(&mut Kit) -> Result<T, KitError>) -> Result<T, TappetError> {
        let outcome = step(&mut locked(&self.kit));
        self.tell();
        Ok(outcome?)
    }

    fn tell(&self) {
        let Some(Watching { watcher, mark }) = locked(&self.watching).clone() else { return };
        // What cannot be told now is told with the next step: the mark stays.
        let Ok(moved) = locked(&self.kit).moved(mark) else { return };
        if moved.mark == mark {
            return;
        }
        let told = moved.mark;
        // No lock is held here: a watcher may call the kit.
        if watcher.moved(moved.into()).is_ok()
            && let Some(watching) = locked(&self.watching).as_mut().filter(|watching| Arc::ptr_eq(&watching.watcher, &watcher))
        {
            watching.mark = watching.mark.max(told);
        }
    }
}

#[uniffi::export]
impl TappetKit {
    /// How this device and its book are.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn status(&self) -> Result<Status, TappetError> {
        self.ask(|kit| Ok(kit.status()?.into()))
    }

    /// Tells a watcher of whatever moves from now on; `None` ends it. Whoever would rather look by themselves asks `moved`.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn watch(&self, watcher: Option<Arc<dyn Watcher>>) -> Result<(), TappetError> {
        let mark = self.ask(|kit| Ok(kit.status()?.mark))?;
        *locked(&self.watching) = watcher.map(|watcher| Watching { watcher, mark });
        Ok(())
    }

    /// What moved since a mark that `status` or this gave; 0 for everything.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn moved(&self, since: u64) -> Result<Moved, TappetError> {
        self.ask(|kit| Ok(kit.moved(since)?.into()))
    }

    /// The request to enrol with a one-time code. Made again before the answer came, it has the same keys.
    ///
    /// # Errors
    /// `enrolled-already`; the store.
    pub fn enrol_call(&self, code: &str, device_name: &str) -> Result<Call, TappetError> {
        self.ask(|kit| Ok(kit.enrol_call(code, device_name)?.into()))
    }

    /// Takes the answer to `enrol_call`; `server` is the address where it was asked.
    ///
    /// # Errors
    /// The shop's own code, as `code-invalid`. The book is then as it was.
    pub fn enrolled(&self, status: u16, body: Vec<u8>, server: &str) -> Result<Enrolled, TappetError> {
        self.does(|kit| Ok(kit.enrolled(status, &body, server)?.into()))
    }

    /// Whether a log-in must come before the next exchange.
    pub fn needs_log_in(&self) -> bool {
        locked(&self.kit).needs_log_in()
    }

    /// The request to log in.
    ///
    /// # Errors
    /// `not-enrolled`.
    pub fn log_in_call(&self) -> Result<Call, TappetError> {
        self.ask(|kit| Ok(kit.log_in_call()?.into()))
    }

    /// Takes the answer to `log_in_call`. A device whose clock is off is told to try once more, and never locked out.
    ///
    /// # Errors
    /// The shop's own code, as `device-revoked`.
    pub fn logged_in(&self, status: u16, body: Vec<u8>) -> Result<LogIn, TappetError> {
        self.ask(|kit| Ok(kit.logged_in(status, &body)?.into()))
    }

    /// The token of this device's log-in, for what else is asked of the server; absent where there is none.
    pub fn token(&self) -> Option<String> {
        locked(&self.kit).token().map(str::to_owned)
    }

    /// The next half of the exchange. With `hand_over_only` nothing of others comes back: for a signal that may be gone in
    /// a moment. The answer then says `more` for as long as the shop has anything for this device: go on only while it also
    /// took something.
    ///
    /// # Errors
    /// `log-in-first`; `not-enrolled`.
    pub fn exchange_call(&self, hand_over_only: bool) -> Result<Call, TappetError> {
        self.ask(|kit| Ok(kit.exchange_call(hand_over_only)?.into()))
    }

    /// Takes the answer to `exchange_call`: one transaction, or nothing. While it says `more`, call again at once.
    ///
    /// # Errors
    /// The shop's own code; with `token-invalid`, log in and try again.
    pub fn exchanged(&self, status: u16, body: Vec<u8>) -> Result<Exchanged, TappetError> {
        self.does(|kit| Ok(kit.exchanged(status, &body)?.into()))
    }

    /// Proves what was kept on the shop's word, up to a count of parts of the log, when nobody waits. Gives how many are left.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn verify_deferred(&self, most: u32) -> Result<u64, TappetError> {
        self.does(|kit| Ok(kit.verify_deferred(usize::try_from(most).unwrap_or(usize::MAX))? as u64))
    }

    /// Tidies up to a count of documents, when nobody waits. Gives how many.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn tidy(&self, most: u32) -> Result<u64, TappetError> {
        self.does(|kit| Ok(kit.tidy(usize::try_from(most).unwrap_or(usize::MAX))? as u64))
    }

    /// What the shop is not known to hold, as a bundle, or as several where one would be too large: to be saved to files, or carried to
    /// another device.
    ///
    /// # Errors
    /// `not-enrolled`.
    pub fn save_unsent(&self) -> Result<BundleMade, TappetError> {
        self.ask(|kit| Ok(kit.export_unsent()?.into()))
    }

    /// Takes in a bundle that another device made. The same bundle twice changes nothing.
    ///
    /// # Errors
    /// Bytes that are no bundle, or one of another shop.
    pub fn take_bundle(&self, bytes: Vec<u8>) -> Result<BundleTaken, TappetError> {
        self.does(|kit| Ok(kit.take_bundle(&bytes)?.into()))
    }

    /// The day's round as JSON: every property with what is due there, the most pressing first.
    ///
    /// # Errors
    /// `not-enrolled`; the store.
    pub fn round(&self) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.round()?))
    }

    /// Every property by name, as JSON.
    ///
    /// # Errors
    /// As [`TappetKit::round`].
    pub fn properties(&self) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.properties()?))
    }

    /// One property with its machines, as JSON.
    ///
    /// # Errors
    /// `not-found`.
    pub fn property(&self, property: &str) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.property(given(property, "property's id")?)?))
    }

    /// Every machine with what is due, the most pressing first, as JSON (a list of `DueLine`).
    ///
    /// # Errors
    /// As [`TappetKit::round`].
    pub fn due(&self) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.due()?))
    }

    /// A page of the machines that are looked for, as JSON (`DuePage`): the query is JSON too, as `{"find": "yard 12", "only": "held",
    /// "order": "place", "skip": 100}`; each part may be left out.
    ///
    /// # Errors
    /// As [`TappetKit::round`]; `given-unreadable` for a query that is none.
    pub fn due_page(&self, query: &str) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.due_page(&given_json(query, QUERY)?)?))
    }

    /// A page of the round with what is looked for at each property, as JSON (`RoundPage`); the query as for `due_page`.
    ///
    /// # Errors
    /// As [`TappetKit::due_page`].
    pub fn round_page(&self, query: &str) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.round_page(&given_json(query, QUERY)?)?))
    }

    /// The id of a machine by its tag, or by the last digits of its id.
    ///
    /// # Errors
    /// `not-found` where none or several are meant.
    pub fn find_machine(&self, tag: &str) -> Result<String, TappetError> {
        self.ask(|kit| Ok(kit.find_machine(tag)?.to_string()))
    }

    /// One machine as JSON (`MachineView`): card, clearances with their verdicts, hours, what is due, findings, visits.
    ///
    /// # Errors
    /// `not-found`.
    pub fn machine(&self, machine: &str) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.machine(given(machine, "machine's id")?)?))
    }

    /// A machine's history, newest first, as JSON (a list of `HistoryLine`).
    ///
    /// # Errors
    /// `not-found`.
    pub fn history(&self, machine: &str) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.history(given(machine, "machine's id")?)?))
    }

    /// Every contested slot with its readings side by side, as JSON (a list of `ContestedSlot`).
    ///
    /// # Errors
    /// Where the store fails.
    pub fn contested(&self) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.contested()?))
    }

    /// One slot with its readings side by side, contested or not, as JSON (`ContestedSlot`). Slots are named as the views name
    /// them: `lash/1I/found`, `hours`.
    ///
    /// # Errors
    /// `not-found` where nothing speaks about it.
    pub fn slot(&self, doc: &str, slot: &str) -> Result<String, TappetError> {
        self.ask(|kit| {
            let slot: Slot = serde_json::from_value(Value::from(slot)).map_err(|e| KitError::Given(format!("this is no slot: {e}")))?;
            json(&kit.slot(given(doc, "document's id")?, &slot)?)
        })
    }

    /// Records that were not taken, and why, as JSON. Nothing entered is ever dropped.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn quarantine(&self) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.quarantine()?))
    }

    /// One of them by its number, with what letting it in would change, as JSON. That is tried, so ask it of the one that is looked at.
    ///
    /// # Errors
    /// `not-found`.
    pub fn quarantined(&self, id: i64) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.quarantined(id)?))
    }

    /// Proves the whole book against a rebuild of itself, as JSON; `faults` is empty where all holds. Takes a while.
    ///
    /// # Errors
    /// Where it cannot even be read.
    pub fn verify(&self) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.verify()?))
    }

    /// The unit in which lengths are said.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn unit(&self) -> Result<LengthUnit, TappetError> {
        self.ask(|kit| Ok(kit.unit()?.into()))
    }

    /// Says lengths in this unit from now on.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn set_unit(&self, unit: LengthUnit) -> Result<(), TappetError> {
        self.ask(|kit| kit.set_unit(unit.into()))
    }

    /// The leaves that the person has: they decide what is offered to be tried next.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn leaves(&self) -> Result<Leaves, TappetError> {
        self.ask(|kit| Ok(kit.leaves()?.into()))
    }

    /// Keeps the person's leaves, as in `2-12` or `1.5,2,2.5,3`; an empty text goes back to the plain set.
    ///
    /// # Errors
    /// `entry-invalid` where the text names no leaves.
    pub fn set_leaves(&self, text: &str) -> Result<Leaves, TappetError> {
        self.ask(|kit| Ok(kit.set_leaves(text)?.into()))
    }

    /// Reads a length as a person writes it, in tenths of a micrometre; a bare number is in the person's unit
    /// or, where it is written so, in inches: then the answer says so.
    ///
    /// # Errors
    /// `given-unreadable` where it is none.
    pub fn read_length(&self, text: &str) -> Result<LengthRead, TappetError> {
        self.ask(|kit| Ok(kit.read_length(text)?.into()))
    }

    /// A length in words, in the person's unit.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn show_length(&self, tenth_um: i64) -> Result<String, TappetError> {
        self.ask(|kit| kit.show_length(Length::from_tenth_um(tenth_um)))
    }

    /// What a front end had remembered under a name, as JSON; absent where nothing. No record, and never sent.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn remembered(&self, name: &str) -> Result<Option<String>, TappetError> {
        self.ask(|kit| kit.remembered(name)?.map(|value| json(&value)).transpose())
    }

    /// Remembers JSON under a name, or forgets it where there is none.
    ///
    /// # Errors
    /// `given-unreadable` where it is no JSON, or over 64 KiB.
    pub fn remember(&self, name: &str, value: Option<String>) -> Result<(), TappetError> {
        self.ask(|kit| {
            let value: Option<Value> = value.map(|text| given_json(&text, "JSON")).transpose()?;
            kit.remember(name, value.as_ref())
        })
    }
}
