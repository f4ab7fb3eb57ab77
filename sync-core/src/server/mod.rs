//! The shop as its server sees it: everything that HTTP needs, behind one trait, so that another store can take the
//! place of one SQLite file without the exchange or the server noticing.

mod housekeeping;
mod office;
mod photos;
mod tables;

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard};

use jiff::civil::Date;
use shared::bytes::{Bytes16, Bytes32};
use shared::engine_card::EngineCard;
use shared::ids::{DeviceId, DocId, PersonId, PropertyId, RecordId};
use shared::length::LengthUnit;
use shared::role::Role;
use shared::wire::{CodeIssued, EnrolAnswer, EnrolRequest, ExchangeAnswer, ExchangeRequest};

use crate::book::Book;
use crate::book::enrol::{EnrolError, Founding};
use crate::book::feed::FeedSecret;
use crate::book::keeping;
use crate::book::keeping::{BackupLine, backup_name, backups_in};
use crate::book::login::LoginError;
use crate::book::pictures::{PHOTOS, Pictures, private_folder};
use crate::commands::desk::{Desk, DeskDone, DeskStep};
use crate::engine::BookError;
use crate::engine::Verification;
use crate::queries::question::{Answer, Question};
use crate::queries::{
    ClosedDay, ContestedSlot, DaySheet, DeviceLine, DueLine, Evening, HistoryLine, MachineLine, MachineView, PersonLine, PropertyLine,
    PropertyView, RecordView, ServiceRecord, ShopStatus,
};
use crate::store::{BackupError, QuarantineState};
use crate::sys::moment::{Entropy, Moment};

pub use housekeeping::Housekeeping;
pub use office::OfficeFacts;
pub use photos::Photos;
pub use tables::Tables;

/// Source of randomness that a server hands over for good.
pub type OwnedEntropy = Box<dyn Entropy + Send>;

/// What a shop can be asked.
#[expect(clippy::missing_errors_doc, reason = "each fails as the function of Book that it stands for")]
pub trait Shop: Housekeeping + OfficeFacts + Photos + Tables + Send + Sync {
    /// Takes a device that presents a one-time code.
    fn enrol(&self, request: &EnrolRequest, now: &Moment) -> Result<EnrolAnswer, EnrolError>;
    /// Issues a one-time code.
    fn issue_code(&self, by: PersonId, person: PersonId, now: &Moment) -> Result<CodeIssued, EnrolError>;
    /// Takes a log-in; gives a token and its life in seconds.
    fn log_in(&self, assertion: &str, now: &Moment) -> Result<(String, i64), LoginError>;
    /// Whom a token speaks for, and the person's role now.
    fn bearer(&self, token: &str, now: &Moment) -> Result<(DeviceId, PersonId, Option<Role>), LoginError>;
    /// The key that verifies tokens.
    fn token_key(&self) -> Result<(DeviceId, Bytes32), BookError>;
    /// Answers an exchange.
    fn exchange(&self, device: DeviceId, request: &ExchangeRequest, now: &Moment) -> Result<ExchangeAnswer, BookError>;
    /// The day sheet; of today in the shop's zone where no day is given.
    fn day_sheet(&self, day: Option<Date>, unit: LengthUnit, now: &Moment) -> Result<DaySheet, BookError>;
    /// The due list.
    fn due(&self, now: &Moment) -> Result<Vec<DueLine>, BookError>;
    /// The due list, as far as it is open to a person.
    fn due_for(&self, person: PersonId, now: &Moment) -> Result<Vec<DueLine>, BookError>;
    /// The day in the shop's zone.
    fn today(&self, now: &Moment) -> Result<Date, BookError>;
    /// Slots that want a ruling.
    fn contested(&self, unit: LengthUnit) -> Result<Vec<ContestedSlot>, BookError>;
    /// One machine, its lists as long as a screen shows them.
    fn machine(&self, doc: DocId, unit: LengthUnit, now: &Moment) -> Result<MachineView, BookError>;
    /// What the arithmetic answers.
    fn reckon(&self, question: &Question, unit: LengthUnit, now: &Moment) -> Result<Answer, BookError>;
    /// Whether a person may read a document.
    fn may_read(&self, person: PersonId, doc: DocId) -> Result<bool, BookError>;
    /// How many records are in quarantine in this state.
    fn count_quarantined(&self, state: QuarantineState) -> Result<usize, BookError>;
    /// Lets a record in from quarantine, or keeps it out.
    fn settle(&self, quarantine_id: i64, release: bool, by: PersonId, now: &Moment) -> Result<(), BookError>;
    /// Verifies the book.
    fn verify(&self) -> Result<Verification, BookError>;
    /// Makes a backup among the shop's own.
    fn backup(&self, now: &Moment) -> Result<BackupLine, BackupError>;
    /// The shop's backups, newest first.
    fn backups(&self) -> Result<Vec<BackupLine>, BackupError>;

    // Desks and days.

    /// Opens a person's desk with a one-time code, or gives it another passphrase.
    fn open_desk(&self, code: &str, passphrase: &str, now: &Moment) -> Result<Desk, EnrolError>;
    /// The open desk of the person with a name.
    fn desk(&self, name: &str) -> Result<Option<Desk>, BookError>;
    /// A person's open desk.
    fn desk_of(&self, person: PersonId) -> Result<Option<Desk>, BookError>;
    /// Does one thing at a person's desk.
    fn at_desk(&self, person: PersonId, step: &DeskStep, now: &Moment) -> Result<DeskDone, BookError>;
    /// The closed days, latest first, at most so many.
    fn closed_days(&self, most: usize, unit: LengthUnit) -> Result<Vec<ClosedDay>, BookError>;
    /// The closing of a day that stands.
    fn closed_day(&self, day: Date, unit: LengthUnit) -> Result<Option<ClosedDay>, BookError>;
    /// How a document stood when a day was closed.
    fn evening(&self, day: Date, doc: DocId, unit: LengthUnit) -> Result<Evening, BookError>;
    /// Everyone on the roster.
    fn people(&self) -> Result<Vec<PersonLine>, BookError>;
    /// Every device on the roster.
    fn devices(&self) -> Result<Vec<DeviceLine>, BookError>;
    /// Every engine card that stands.
    fn engine_cards(&self) -> Result<Vec<EngineCard>, BookError>;
    /// The properties open to a person.
    fn properties(&self, person: PersonId) -> Result<Vec<PropertyLine>, BookError>;
    /// One property with its machines, as far as they are open to a person.
    fn property(&self, person: PersonId, property: PropertyId) -> Result<PropertyView, BookError>;
    /// The machines open to a person.
    fn machines(&self, person: PersonId) -> Result<Vec<MachineLine>, BookError>;
    /// A machine's history behind a place in it, newest first, at most so many lines.
    fn history(
        &self,
        machine: DocId,
        before: Option<(i64, RecordId)>,
        most: usize,
        unit: LengthUnit,
    ) -> Result<Vec<HistoryLine>, BookError>;
    /// The service record of a visit, where it is open to a person.
    fn service_record(&self, person: PersonId, visit: RecordId, unit: LengthUnit, now: &Moment) -> Result<ServiceRecord, BookError>;
    /// One record, where it is open to a person.
    fn record(&self, person: PersonId, id: RecordId, unit: LengthUnit) -> Result<RecordView, BookError>;
    /// What the shop's book holds, in numbers.
    fn status(&self) -> Result<ShopStatus, BookError>;
    /// The end of the shop's log.
    fn log_end(&self) -> Result<LogEnd, BookError>;
    /// Documents open to a person that moved after one position of the shop's log and up to another.
    fn moved(&self, person: PersonId, from: u64, until: u64) -> Result<Vec<DocId>, BookError>;
    /// The secret of a person's calendar feed, and the shop's issuer.
    fn calendar_feed(&self, device: DeviceId) -> Result<(FeedSecret, String), BookError>;
    /// Whose a calendar feed's secret is, where it holds now.
    fn calendar_person(&self, secret: &FeedSecret) -> Result<PersonId, LoginError>;
}

/// Where the shop's log ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LogEnd {
    /// The last change's position.
    pub position: u64,
    /// The epoch in which that means anything.
    pub epoch: Option<Bytes16>,
}

/// A shop in one SQLite file.
#[expect(missing_debug_implementations, reason = "it holds a source of randomness")]
pub struct SqliteShop {
    inner: Mutex<(Book, OwnedEntropy)>,
    /// Folder of the backups, beside the file.
    backups: PathBuf,
    /// The bytes of photos, beside the file.
    pictures: Pictures,
}

/// What opening a shop gave.
#[expect(missing_debug_implementations, reason = "it holds a source of randomness")]
pub struct OpenedShop {
    /// The shop.
    pub shop: SqliteShop,
    /// Where it was founded just now: the first office person's one-time code. Never shown again.
    pub first_code: Option<String>,
}

impl SqliteShop {
    /// Opens the shop in a file, founding it where there is none.
    ///
    /// # Errors
    /// [`BookError`] where the file is no book, is in use, is a device's, or cannot be written.
    pub fn open(path: &Path, founding: &Founding, now: &Moment, mut entropy: OwnedEntropy) -> Result<OpenedShop, BookError> {
        let mut book = Book::open(path, &mut *entropy)?;
        let first_code = match book.identity() {
            Ok(identity) if identity.is_shop() => None,
            Ok(_) => return Err(BookError::Unknown("this file is a device's book, not a shop's".to_owned())),
            Err(_) => Some(book.found_shop(founding, now, &mut *entropy)?),
        };
        // A disk too full to write the file anew is no reason not to serve.
        let _ = book.close_holes();
        let backups = path.with_file_name(crate::book::keeping::BACKUPS);
        let pictures = Pictures::of_shop(path);
        pictures.sweep();
        Ok(OpenedShop { shop: Self { inner: Mutex::new((book, entropy)), backups, pictures }, first_code })
    }

    /// After a step that panicked, the book first comes back to what is kept.
    fn lock(&self) -> MutexGuard<'_, (Book, OwnedEntropy)> {
        match self.inner.lock() {
            Ok(guard) => guard,
            Err(poisoned) => {
                let mut guard = poisoned.into_inner();
                // Where even that fails the store says so again at the step that follows.
                if guard.0.recover().is_ok() {
                    self.inner.clear_poison();
                }
                guard
            }
        }
    }
}

impl Shop for SqliteShop {
    fn enrol(&self, request: &EnrolRequest, now: &Moment) -> Result<EnrolAnswer, EnrolError> {
        let (book, entropy) = &mut *self.lock();
        book.admit_device(request, now, &mut **entropy)
    }

    fn issue_code(&self, by: PersonId, person: PersonId, now: &Moment) -> Result<CodeIssued, EnrolError> {
        let (book, entropy) = &mut *self.lock();
        book.issue_code(by, person, now, &mut **entropy)
    }

    fn log_in(&self, assertion: &str, now: &Moment) -> Result<(String, i64), LoginError> {
        self.lock().0.log_in(assertion, now)
    }

    fn bearer(&self, token: &str, now: &Moment) -> Result<(DeviceId, PersonId, Option<Role>), LoginError> {
        let book = &self.lock().0;
        let (device, person) = book.bearer(token, now)?;
        let role = book.roster()?.role_now(person);
        Ok((device, person, role))
    }

    fn token_key(&self) -> Result<(DeviceId, Bytes32), BookError> {
        self.lock().0.token_key()
    }

    fn exchange(&self, device: DeviceId, request: &ExchangeRequest, now: &Moment) -> Result<ExchangeAnswer, BookError> {
        let (book, entropy) = &mut *self.lock();
        book.answer(device, request, now, &mut **entropy)
    }

    fn day_sheet(&self, day: Option<Date>, unit: LengthUnit, now: &Moment) -> Result<DaySheet, BookError> {
        self.lock().0.day_sheet(day, unit, now)
    }

    fn due(&self, now: &Moment) -> Result<Vec<DueLine>, BookError> {
        self.lock().0.due_list(now)
    }

    fn due_for(&self, person: PersonId, now: &Moment) -> Result<Vec<DueLine>, BookError> {
        self.lock().0.due_for(person, now)
    }

    fn today(&self, now: &Moment) -> Result<Date, BookError> {
        let book = &self.lock().0;
        Ok(book.roster()?.day(book.shop_now_ms(now)?))
    }

    fn contested(&self, unit: LengthUnit) -> Result<Vec<ContestedSlot>, BookError> {
        self.lock().0.contested(unit)
    }

    fn machine(&self, doc: DocId, unit: LengthUnit, now: &Moment) -> Result<MachineView, BookError> {
        self.lock().0.machine_screen(doc, unit, now)
    }

    fn reckon(&self, question: &Question, unit: LengthUnit, now: &Moment) -> Result<Answer, BookError> {
        self.lock().0.reckon(question, unit, now)
    }

    fn may_read(&self, person: PersonId, doc: DocId) -> Result<bool, BookError> {
        self.lock().0.may_read(person, doc)
    }

    fn count_quarantined(&self, state: QuarantineState) -> Result<usize, BookError> {
        Ok(self.lock().0.store().count_quarantined(state)?)
    }

    fn settle(&self, quarantine_id: i64, release: bool, by: PersonId, now: &Moment) -> Result<(), BookError> {
        let (book, entropy) = &mut *self.lock();
        if release {
            return book.release(quarantine_id, by, now, &mut **entropy);
        }
        let waiting = book.store().one_quarantined(quarantine_id)?.is_some_and(|held| held.state == QuarantineState::Waiting);
        if !waiting {
            return Err(BookError::Unknown(format!("quarantine holds nothing waiting under {quarantine_id}")));
        }
        Ok(book.store().settle_quarantined(quarantine_id, QuarantineState::KeptOut)?)
    }

    fn verify(&self) -> Result<Verification, BookError> {
        self.lock().0.verify()
    }

    fn backup(&self, now: &Moment) -> Result<BackupLine, BackupError> {
        private_folder(&self.backups).map_err(|why| BackupError::Unwritable { path: self.backups.clone(), why: why.to_string() })?;
        let name = backup_name(now);
        // Only the copying holds the book up; it is proved and brought to the disk while exchanges go on.
        let draft = self.lock().0.copy_for(&self.backups.join(&name))?;
        let made = keeping::keep(draft)?;
        crate::book::keeping::copy_pictures(&self.pictures, &Pictures::at(self.backups.join(PHOTOS)))?;
        Ok(BackupLine { made_ms: now.wall_ms, name, bytes: made.bytes })
    }

    fn backups(&self) -> Result<Vec<BackupLine>, BackupError> {
        backups_in(&self.backups)
    }

    fn open_desk(&self, code: &str, passphrase: &str, now: &Moment) -> Result<Desk, EnrolError> {
        let (book, entropy) = &mut *self.lock();
        book.open_desk(code, passphrase, now, &mut **entropy)
    }

    fn desk(&self, name: &str) -> Result<Option<Desk>, BookError> {
        self.lock().0.desk(name)
    }

    fn desk_of(&self, person: PersonId) -> Result<Option<Desk>, BookError> {
        self.lock().0.desk_of(person)
    }

    fn at_desk(&self, person: PersonId, step: &DeskStep, now: &Moment) -> Result<DeskDone, BookError> {
        let (book, entropy) = &mut *self.lock();
        book.at_desk(person, step, now, &mut **entropy)
    }

    fn closed_days(&self, most: usize, unit: LengthUnit) -> Result<Vec<ClosedDay>, BookError> {
        self.lock().0.closed_days(most, unit)
    }

    fn closed_day(&self, day: Date, unit: LengthUnit) -> Result<Option<ClosedDay>, BookError> {
        self.lock().0.closed_day(day, unit)
    }

    fn evening(&self, day: Date, doc: DocId, unit: LengthUnit) -> Result<Evening, BookError> {
        self.lock().0.evening(day, doc, unit)
    }

    fn people(&self) -> Result<Vec<PersonLine>, BookError> {
        self.lock().0.people()
    }

    fn devices(&self) -> Result<Vec<DeviceLine>, BookError> {
        self.lock().0.devices()
    }

    fn engine_cards(&self) -> Result<Vec<EngineCard>, BookError> {
        self.lock().0.engine_cards()
    }

    fn properties(&self, person: PersonId) -> Result<Vec<PropertyLine>, BookError> {
        self.lock().0.properties_for(person)
    }

    fn property(&self, person: PersonId, property: PropertyId) -> Result<PropertyView, BookError> {
        self.lock().0.property_for(person, property)
    }

    fn machines(&self, person: PersonId) -> Result<Vec<MachineLine>, BookError> {
        self.lock().0.machines_for(person)
    }

    fn history(
        &self,
        machine: DocId,
        before: Option<(i64, RecordId)>,
        most: usize,
        unit: LengthUnit,
    ) -> Result<Vec<HistoryLine>, BookError> {
        self.lock().0.history_before(machine, before, most, unit)
    }

    fn service_record(&self, person: PersonId, visit: RecordId, unit: LengthUnit, now: &Moment) -> Result<ServiceRecord, BookError> {
        self.lock().0.service_record_for(person, visit, unit, now)
    }

    fn record(&self, person: PersonId, id: RecordId, unit: LengthUnit) -> Result<RecordView, BookError> {
        self.lock().0.record_for(person, id, unit)
    }

    fn status(&self) -> Result<ShopStatus, BookError> {
        self.lock().0.shop_status()
    }

    fn log_end(&self) -> Result<LogEnd, BookError> {
        let store = &self.lock().0.store;
        Ok(LogEnd { position: store.log_end()?, epoch: store.meta("epoch")? })
    }

    fn moved(&self, person: PersonId, from: u64, until: u64) -> Result<Vec<DocId>, BookError> {
        self.lock().0.moved_for(person, from, until)
    }

    fn calendar_feed(&self, device: DeviceId) -> Result<(FeedSecret, String), BookError> {
        self.lock().0.calendar_feed(device)
    }

    fn calendar_person(&self, secret: &FeedSecret) -> Result<PersonId, LoginError> {
        self.lock().0.calendar_person(secret)
    }
}
