//! Who may write what: the one table, for the device that writes, the shop that admits and the phone that checks a bundle.

use shared::ids::{DocId, PersonId, PropertyId, RecordId, ShopId};
use shared::record::{Body, Record};
use shared::role::Role;

use crate::judge::ledger::{Entry, Ledger};
use crate::judge::reason::{Denied, Writers};
use crate::judge::roster::Roster;

/// Which kind of document a document is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DocKind {
    /// People, devices, roles, assignments, the shop.
    Roster,
    /// Engine cards.
    Engines,
    /// One property.
    Property,
    /// One machine.
    Machine,
    /// The closings of days.
    Days,
}

impl DocKind {
    /// The place's name in the store.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Roster => "roster",
            Self::Engines => "engines",
            Self::Property => "property",
            Self::Machine => "machine",
            Self::Days => "days",
        }
    }

    /// The place with this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Roster, Self::Engines, Self::Property, Self::Machine, Self::Days].into_iter().find(|p| p.name() == name)
    }

    /// What kind of document a first record founds. The shop's own documents are founded with the shop.
    #[must_use]
    pub const fn founded_by(body: &Body) -> Option<Self> {
        match body {
            Body::Machine(_) => Some(Self::Machine),
            Body::Property(_) => Some(Self::Property),
            _ => None,
        }
    }

    /// Whether it is founded with the shop, and by no record.
    #[must_use]
    pub const fn is_reserved(self) -> bool {
        matches!(self, Self::Roster | Self::Engines | Self::Days)
    }

    /// What kind of document has a reserved id, which no record can found.
    #[must_use]
    pub fn reserved(shop: ShopId, doc: DocId) -> Option<Self> {
        let reserved = [(shop.roster(), Self::Roster), (shop.engines(), Self::Engines), (shop.days(), Self::Days)];
        reserved.into_iter().find_map(|(id, place)| (id == doc).then_some(place))
    }

    /// Whether a kind of record belongs here, in whatever version. A kind that is not known belongs anywhere.
    #[must_use]
    pub fn takes(self, kind: &str) -> bool {
        match kind {
            "shop" | "person" | "role" | "device" | "device-revoked" | "assignment" => self == Self::Roster,
            "engine-card" => self == Self::Engines,
            "day-closed" => self == Self::Days,
            "property" => self == Self::Property,
            "machine" | "visit" | "sign-off" | "hours" | "meter-change" | "clearance" | "finding" | "finding-cleared" => {
                self == Self::Machine
            }
            _ => true,
        }
    }
}

/// A document as far as its readers and writers depend on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Site {
    /// What kind of document it is.
    pub place: DocKind,
    /// The property that it is, or that its machine is at.
    pub property: Option<PropertyId>,
    /// Who founded it.
    pub founder: Option<PersonId>,
}

impl Site {
    /// A document of which no more is known than its kind.
    #[must_use]
    pub const fn of_kind(place: DocKind) -> Self {
        Self { place, property: None, founder: None }
    }

    /// The document that a record founds; `None` where it founds none.
    #[must_use]
    pub fn founded_by(record: &Record) -> Option<Self> {
        let property = match &record.body {
            Body::Machine(card) => card.property,
            _ => PropertyId::from_bytes(*record.doc.as_bytes()),
        };
        DocKind::founded_by(&record.body).map(|place| Self { place, property: Some(property), founder: Some(record.by) })
    }
}

/// What the writer must know of a record that the new one speaks about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Target {
    /// What a void takes back; `None` where it is not held.
    pub voided: Option<Voided>,
    /// One of the records that a ruling weighs is the author's own.
    pub rules_own: bool,
    /// The document has a machine card already.
    pub machine_known: bool,
    /// What kind of document it is in.
    pub place: Option<DocKind>,
    /// The time of the latest record that it decides on, ms of shop time since 1970 UTC: it was written after that, whatever it claims.
    pub not_before_ms: Option<i64>,
}

/// A record that a void takes back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Voided {
    /// Its author.
    pub author: PersonId,
    /// The author's role when it was written.
    pub role: Option<Role>,
    /// It is of a kind that the office alone writes: the office alone takes it back.
    pub of_office: bool,
}

impl Voided {
    /// A record of a ledger.
    #[must_use]
    pub fn of(entry: &Entry, ledger: &Ledger, roster: &Roster) -> Self {
        let Record { id, by: author, body, .. } = &entry.record;
        Self { author: *author, role: roster.role_at(*author, ledger.time(*id).ms), of_office: is_offices(body.kind()) }
    }
}

/// Whether the office alone writes a kind.
fn is_offices(kind: &str) -> bool {
    matches!(kind, "shop" | "person" | "role" | "device-revoked" | "assignment" | "day-closed")
}

/// Whether a kind decides about people, devices, cards or other people's records, in whatever version. Its author needs the right
/// when it was written and when it arrived: the time of writing is the author's own word.
#[must_use]
pub fn decides(kind: &str) -> bool {
    matches!(
        kind,
        "shop"
            | "person"
            | "role"
            | "device"
            | "device-revoked"
            | "assignment"
            | "engine-card"
            | "property"
            | "machine"
            | "void"
            | "ruling"
            | "sign-off"
            | "finding-cleared"
            | "day-closed"
    )
}

/// Whether the author had the right to write a record, by the roles in force when it was written and when it arrived, both in ms of
/// shop time since 1970 UTC. Where it has not arrived yet, now counts.
///
/// # Errors
/// Why not.
pub fn may_write_at(record: &Record, roster: &Roster, written_ms: i64, arrived_ms: Option<i64>, target: &Target) -> Result<(), Denied> {
    may_write(record, roster.role_at(record.by, target.after(written_ms)), false, target)?;
    let on_arrival = roster.role_on_arrival(record.by, arrived_ms.unwrap_or(i64::MAX));
    if decides(record.body.kind()) { may_write(record, on_arrival, false, target) } else { Ok(()) }
}

/// Whether a record that is held had its author's right, as far as its document's ledger and the roster tell. It is asked of every
/// record that decides, however it came in: through the shop's gate, with a receipt, from a bundle, or before this program could
/// read its kind.
///
/// # Errors
/// Why not.
pub fn had_right(entry: &Entry, ledger: &Ledger, roster: &Roster) -> Result<(), Denied> {
    let record = &entry.record;
    if !decides(record.body.kind()) {
        return Ok(());
    }
    if entry.device == roster.root.device {
        return may_write(record, None, true, &Target::default());
    }
    let (written_ms, target) = (ledger.time(record.id).ms, Target::in_ledger(record, ledger, roster));
    match ledger.receipt(record.id) {
        // Whether it may count though its author has the right no more is what the office has decided.
        Some(receipt) if receipt.released => may_write(record, roster.role_at(record.by, target.after(written_ms)), false, &target),
        receipt => may_write_at(record, roster, written_ms, receipt.map(|receipt| receipt.at_ms), &target),
    }
}

impl Target {
    /// What a record in a ledger speaks about.
    fn in_ledger(record: &Record, ledger: &Ledger, roster: &Roster) -> Self {
        let decides_on: &[RecordId] = match &record.body {
            Body::Void(void) => &[void.target],
            Body::Ruling(ruling) => &ruling.of,
            Body::SignOff(sign_off) => &[sign_off.visit],
            Body::FindingCleared(cleared) => &[cleared.finding],
            _ => &[],
        };
        let not_before_ms = decides_on.iter().filter(|id| ledger.get(**id).is_some()).map(|id| ledger.time(*id).ms).max();
        let target = match &record.body {
            Body::Void(void) => {
                Self { voided: ledger.get(void.target).map(|target| Voided::of(target, ledger, roster)), ..Self::default() }
            }
            Body::Ruling(ruling) => {
                let weighed = ruling.of.iter().filter_map(|id| ledger.get(*id));
                Self { rules_own: weighed.map(|e| &e.record).any(|r| r.by == record.by || r.measurer() == record.by), ..Self::default() }
            }
            // Of several cards the office's stands; which came first does not matter here.
            Body::Machine(card) => Self { machine_known: !card.provisional, ..Self::default() },
            _ => Self::default(),
        };
        Self { not_before_ms, ..target }
    }

    /// A time that a record claims, or that of what it decides on, whichever is later.
    fn after(&self, claimed_ms: i64) -> i64 {
        self.not_before_ms.map_or(claimed_ms, |floor| claimed_ms.max(floor))
    }
}

/// Whether the author, in a role, may write a record.
///
/// # Errors
/// Why not.
pub fn may_write(record: &Record, role: Option<Role>, by_shop: bool, target: &Target) -> Result<(), Denied> {
    let kind = record.body.kind();
    if by_shop {
        return match kind {
            "arrival" | "shop" | "person" | "role" | "device" => Ok(()),
            _ => Err(Denied::NotTheServers { kind: kind.to_owned() }),
        };
    }
    let Some(role) = role else {
        return Err(Denied::NoRole { kind: kind.to_owned() });
    };
    transcription(record, role)?;
    may_write_kind(kind, role, target.place)?;
    match &record.body {
        Body::Machine(card) if role != Role::Office => match (card.provisional, target.machine_known, role) {
            (true, false, _) | (false, true, Role::Lead) => Ok(()),
            (true, true, _) => Err(Denied::MachineKnown),
            _ => Err(Denied::NotProvisional),
        },
        Body::Void(_) => match target.voided {
            Some(voided) => may_void(record.by, role, &voided),
            None => Err(Denied::NothingToVoid),
        },
        Body::Ruling(_) if role == Role::Lead && target.rules_own => Err(Denied::RulesOwn),
        // What it says cannot be read: whom it takes back, what it weighs, whether it only proposes.
        Body::Unknown(_) if matches!(kind, "void" | "ruling" | "machine") => only(kind, role, Writers::Office),
        _ => Ok(()),
    }
}

/// Who may write a kind at all, in whatever version.
fn may_write_kind(kind: &str, role: Role, place: Option<DocKind>) -> Result<(), Denied> {
    match kind {
        "visit" | "hours" | "meter-change" | "clearance" | "finding" | "note" | "photo" | "machine" | "void" => Ok(()),
        "sign-off" | "finding-cleared" => only(kind, role, Writers::NotHelpers),
        "engine-card" | "property" => only(kind, role, Writers::OfficeOrProposal),
        "ruling" => only(kind, role, Writers::LeadOrOffice),
        _ if is_offices(kind) => only(kind, role, Writers::Office),
        "arrival" => Err(Denied::ReceiptIsShops),
        "device" => Err(Denied::DeviceIsShops),
        // What it does is not known, and these documents decide about everybody.
        _ if matches!(place, Some(DocKind::Roster | DocKind::Engines | DocKind::Days)) => only(kind, role, Writers::Office),
        _ => Ok(()),
    }
}

fn only(kind: &str, role: Role, writers: Writers) -> Result<(), Denied> {
    if writers.roles().contains(&role) { Ok(()) } else { Err(Denied::RoleMayNot { kind: kind.to_owned(), writers, role }) }
}

/// The office measures nothing: its readings name who did. Nobody else names another.
fn transcription(record: &Record, role: Role) -> Result<(), Denied> {
    let measures = matches!(record.body, Body::Visit(_) | Body::Hours(_) | Body::MeterChange(_) | Body::Clearance(_) | Body::Finding(_));
    match (role, record.measured_by) {
        (Role::Office, None) if measures => Err(Denied::NobodyMeasured { kind: record.body.kind().to_owned() }),
        (Role::Office, _) | (_, None) => Ok(()),
        (_, Some(_)) => Err(Denied::AnotherMeasured),
    }
}

/// Whether a role measures by itself; the office writes down what others measured.
#[must_use]
pub fn measures(role: Role) -> bool {
    role != Role::Office
}

/// Whether a role signs visits off.
#[must_use]
pub fn signs_off(role: Role) -> bool {
    may_write_kind("sign-off", role, Some(DocKind::Machine)).is_ok()
}

/// Whether an author in a role may take back what is in a ledger.
#[must_use]
pub fn takes_back(author: PersonId, role: Role, entry: &Entry, ledger: &Ledger, roster: &Roster) -> bool {
    is_voidable(entry.record.body.kind()) && may_void(author, role, &Voided::of(entry, ledger, roster)).is_ok()
}

/// Whether a record of a kind can be taken back. A device's card is the shop's word, and a device is revoked for ever.
#[must_use]
pub fn is_voidable(kind: &str) -> bool {
    !matches!(kind, "void" | "arrival" | "device" | "device-revoked")
}

/// Whether an author may take a record back: their own; a lead also those of lower roles; the office any.
///
/// # Errors
/// Why not.
fn may_void(author: PersonId, role: Role, voided: &Voided) -> Result<(), Denied> {
    match role {
        Role::Office => Ok(()),
        _ if voided.of_office => Err(Denied::OfficesToVoid),
        _ if author == voided.author => Ok(()),
        Role::Lead if voided.role.is_none_or(|r| r.rank() < Role::Lead.rank()) => Ok(()),
        Role::Lead => Err(Denied::NotLower),
        _ => Err(Denied::NotOwn),
    }
}

/// Whether a record only proposes: a lead's word on a card that is the office's to keep. It never stands by itself.
#[must_use]
pub fn proposes(record: &Record, role: Option<Role>) -> bool {
    role == Some(Role::Lead)
        && match &record.body {
            Body::EngineCard(_) | Body::Property(_) => true,
            Body::Machine(card) => !card.provisional,
            _ => false,
        }
}
