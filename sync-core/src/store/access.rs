//! Who may be handed which document from which position on, one-time codes, log-ins used up, and when devices were here.
//! The shop's side only.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{OptionalExtension, params};
use shared::ids::{DeviceId, DocId, PersonId, PropertyId};

use super::documents::DocumentRow;
use super::{StoreError, fixed, from_json, signed, to_json, unsigned};
use crate::crypto::keys::Keys;
use crate::judge::permissions::DocKind;
use crate::judge::roster::Roster;
use crate::store::tables::{Grants, Logins};

/// A one-time code as it is kept: by its hash alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Code {
    /// SHA-256 of the code.
    pub hash: [u8; 32],
    /// For whom.
    pub person: PersonId,
    /// By whom.
    pub issued_by: PersonId,
    /// Until when, ms since 1970 UTC.
    pub until_ms: i64,
}

/// A code, and the request that used it up, where one did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CodeState {
    /// The code.
    pub code: Code,
    /// The enrolment that used it.
    pub used: Option<shared::wire::EnrolRequest>,
}

/// The properties that a person looks after: a stretch of all assignments, found without going over the others.
pub(crate) fn given_to(assignments: &BTreeSet<(PersonId, PropertyId)>, person: PersonId) -> impl Iterator<Item = PropertyId> {
    let ends = [[0; 16], [0xff; 16]].map(|end| (person, PropertyId::from_bytes(end)));
    assignments.range(ends[0]..=ends[1]).map(|(_, property)| *property)
}

/// When a device was here last, by the shop's clock in ms since 1970 UTC.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LastContact {
    /// When.
    pub at_ms: i64,
    /// Shop time minus its clock then, in ms.
    pub skew_ms: i64,
    /// When it last brought a record whose clock evidence contradicted the shop's measure.
    pub clock_doubted_ms: Option<i64>,
}

/// A desk as it is kept.
#[derive(Debug, Clone)]
pub(crate) struct DeskRow {
    pub(crate) person: PersonId,
    pub(crate) device: DeviceId,
    /// Not here where they are sealed.
    pub(crate) keys: Option<Keys>,
    pub(crate) passphrase: String,
}

impl Logins<'_> {
    /// Keeps a one-time code.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn keep_code(&self, code: &Code) -> Result<(), StoreError> {
        self.store.connection.execute(
            "INSERT INTO codes (code_hash, person, issued_by, until_ms) VALUES (?1, ?2, ?3, ?4)",
            params![code.hash.as_slice(), code.person.as_bytes().as_slice(), code.issued_by.as_bytes().as_slice(), code.until_ms],
        )?;
        Ok(())
    }

    /// A code by its hash.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn code(&self, hash: [u8; 32]) -> Result<Option<CodeState>, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT person, issued_by, until_ms, used FROM codes WHERE code_hash = ?1")?;
        let row = statement
            .query_row([hash.as_slice()], |row| {
                Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, Vec<u8>>(1)?, row.get(2)?, row.get::<_, Option<String>>(3)?))
            })
            .optional()?;
        row.map(|(person, issued_by, until_ms, used)| {
            Ok(CodeState {
                code: Code {
                    hash,
                    person: PersonId::from_bytes(fixed(&person)?),
                    issued_by: PersonId::from_bytes(fixed(&issued_by)?),
                    until_ms,
                },
                used: used.map(|text| from_json(&text)).transpose()?,
            })
        })
        .transpose()
    }

    /// Uses a code up.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn use_code(&self, hash: [u8; 32], by: &shared::wire::EnrolRequest) -> Result<(), StoreError> {
        // The code itself is a secret: what is kept of the request is without it.
        let kept = shared::wire::EnrolRequest { code: String::new(), ..by.clone() };
        self.store.connection.execute("UPDATE codes SET used = ?2 WHERE code_hash = ?1", params![hash.as_slice(), to_json(&kept)?])?;
        Ok(())
    }

    /// Keeps a desk, or what has changed of it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn keep_desk(&self, desk: &DeskRow) -> Result<(), StoreError> {
        self.store
            .connection
            .prepare_cached(
                "INSERT INTO desks (person, device, keys, passphrase) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT (person) DO UPDATE SET device = ?2, keys = ?3, passphrase = ?4",
            )?
            .execute(params![
                desk.person.as_bytes().as_slice(),
                desk.device.as_bytes().as_slice(),
                to_json(&desk.keys)?,
                desk.passphrase
            ])?;
        Ok(())
    }

    /// Every desk.
    pub(crate) fn desk_rows(&self) -> Result<Vec<DeskRow>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT person FROM desks")?;
        let people = statement.query_map([], |row| row.get::<_, Vec<u8>>(0))?.collect::<Result<Vec<_>, _>>()?;
        people
            .iter()
            .filter_map(|person| fixed(person).and_then(|person| self.desk_row(PersonId::from_bytes(person))).transpose())
            .collect()
    }

    /// A person's desk.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn desk_row(&self, person: PersonId) -> Result<Option<DeskRow>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT device, keys, passphrase FROM desks WHERE person = ?1")?;
        let row: Option<(Vec<u8>, String, String)> =
            statement.query_row([person.as_bytes().as_slice()], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).optional()?;
        row.map(|(device, keys, passphrase)| {
            Ok(DeskRow { person, device: DeviceId::from_bytes(fixed(&device)?), keys: from_json(&keys)?, passphrase })
        })
        .transpose()
    }

    /// The devices that are desks.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn desk_devices(&self) -> Result<BTreeSet<DeviceId>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT device FROM desks")?;
        let rows = statement.query_map([], |row| row.get::<_, Vec<u8>>(0))?;
        rows.map(|row| Ok(DeviceId::from_bytes(fixed(&row?)?))).collect()
    }

    /// Uses a log-in's `jti` up; false where it was used before.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn use_assertion(&self, device: DeviceId, jti: uuid::Uuid, until_s: i64, now_s: i64) -> Result<bool, StoreError> {
        self.store.connection.prepare_cached("DELETE FROM assertions WHERE until_s < ?1")?.execute([now_s])?;
        let inserted = self
            .store
            .connection
            .prepare_cached("INSERT INTO assertions (device, jti, until_s) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING")?
            .execute(params![device.as_bytes().as_slice(), jti.as_bytes().as_slice(), until_s])?;
        Ok(inserted == 1)
    }

    /// Notes that a device was here, and what its clock showed.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn note_contact(&self, device: DeviceId, at_ms: i64, skew_ms: i64) -> Result<(), StoreError> {
        self.store.connection
            .prepare_cached("INSERT INTO contacts (device, last_ms, skew_ms) VALUES (?1, ?2, ?3) ON CONFLICT (device) DO UPDATE SET last_ms = ?2, skew_ms = ?3")?
            .execute(params![device.as_bytes().as_slice(), at_ms, skew_ms])?;
        Ok(())
    }

    /// Notes that what a device said of its clock contradicted what the shop measured, at a time of the shop's.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn note_clock_doubt(&self, device: DeviceId, at_ms: i64) -> Result<(), StoreError> {
        self.store
            .connection
            .prepare_cached("UPDATE contacts SET doubt_ms = ?2 WHERE device = ?1")?
            .execute(params![device.as_bytes().as_slice(), at_ms])?;
        Ok(())
    }

    /// When each device was here last, and its clock.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn contacts(&self) -> Result<BTreeMap<DeviceId, LastContact>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT device, last_ms, skew_ms, doubt_ms FROM contacts")?;
        let rows = statement.query_map([], |row| {
            Ok((row.get::<_, Vec<u8>>(0)?, LastContact { at_ms: row.get(1)?, skew_ms: row.get(2)?, clock_doubted_ms: row.get(3)? }))
        })?;
        rows.map(|row| {
            let (device, contact) = row?;
            Ok((DeviceId::from_bytes(fixed(&device)?), contact))
        })
        .collect()
    }
}

impl Grants<'_> {
    /// Brings the grants level with the roster: what a person may newly see is handed out from the log's present end on.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn regrant(&self, roster: &Roster) -> Result<(), StoreError> {
        roster.people.keys().try_for_each(|person| self.regrant_to(*person, roster))
    }

    /// As [`Store::regrant`], for one person.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn regrant_to(&self, person: PersonId, roster: &Roster) -> Result<(), StoreError> {
        let end = signed(self.store.log().log_end()?);
        let who = person.as_bytes().as_slice();
        if roster.sees_all(person) {
            self.store
                .connection
                .prepare_cached("INSERT INTO grants_all (person, pos) VALUES (?1, ?2) ON CONFLICT DO NOTHING")?
                .execute(params![who, end])?;
            return Ok(());
        }
        self.store.connection.prepare_cached("DELETE FROM grants_all WHERE person = ?1")?.execute([who])?;
        let wanted = self.wanted_by(person, roster)?;
        let mut statement = self.store.connection.prepare_cached("SELECT num FROM grants WHERE person = ?1")?;
        let held: BTreeSet<i64> = statement.query_map([who], |row| row.get(0))?.collect::<Result<_, _>>()?;
        for num in wanted.difference(&held) {
            self.store
                .connection
                .prepare_cached("INSERT INTO grants (person, num, pos) VALUES (?1, ?2, ?3)")?
                .execute(params![who, num, end])?;
        }
        for num in held.difference(&wanted) {
            self.store.connection.prepare_cached("DELETE FROM grants WHERE person = ?1 AND num = ?2")?.execute(params![who, num])?;
        }
        Ok(())
    }

    /// Properties given to a person, the machines there, and what they have founded: nothing for who has no role.
    fn wanted_by(&self, person: PersonId, roster: &Roster) -> Result<BTreeSet<i64>, StoreError> {
        if roster.role_now(person).is_none() {
            return Ok(BTreeSet::new());
        }
        let mut wanted: BTreeSet<i64> = self.store.documents().documents_founded_by(person)?.into_iter().collect();
        for property in given_to(&roster.assignments, person) {
            wanted.extend(self.store.documents().document(property.doc())?.map(|row| row.num));
            wanted.extend(self.store.machine_rows().machines_at(property)?);
        }
        Ok(wanted)
    }

    /// Documents opened to a person after one position and up to another: numbers after `after`, in order.
    /// The roster and the engines are open to everyone from the beginning.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn newly_open(&self, person: PersonId, from: u64, until: u64, after: u64) -> Result<Vec<i64>, StoreError> {
        let (who, from, until, after) = (person.as_bytes().as_slice(), signed(from), signed(until), signed(after));
        let all = self
            .store
            .connection
            .prepare_cached("SELECT 1 FROM grants_all WHERE person = ?1 AND pos > ?2 AND pos <= ?3")?
            .exists(params![who, from, until])?;
        if all {
            let mut statement = self.store.connection.prepare_cached("SELECT num FROM documents WHERE num > ?1 ORDER BY num")?;
            return Ok(statement.query_map([after], |row| row.get(0))?.collect::<Result<_, _>>()?);
        }
        let mut open: BTreeSet<i64> = BTreeSet::new();
        if from == 0 {
            let mut common =
                self.store.connection.prepare_cached("SELECT num FROM documents WHERE place IN ('roster', 'engines') AND num > ?1")?;
            open.extend(common.query_map([after], |row| row.get::<_, i64>(0))?.collect::<Result<Vec<_>, _>>()?);
        }
        let mut granted =
            self.store.connection.prepare_cached("SELECT num FROM grants WHERE person = ?1 AND pos > ?2 AND pos <= ?3 AND num > ?4")?;
        let rows = granted.query_map(params![who, from, until, after], |row| row.get::<_, i64>(0))?;
        open.extend(rows.collect::<Result<Vec<_>, _>>()?);
        Ok(open.into_iter().collect())
    }

    /// Whether a person may be handed a document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn may_read(&self, person: PersonId, document: &DocumentRow) -> Result<bool, StoreError> {
        if matches!(document.place, DocKind::Roster | DocKind::Engines) {
            return Ok(true);
        }
        let mut statement = self.store.connection.prepare_cached(
            "SELECT 1 WHERE EXISTS (SELECT 1 FROM grants_all WHERE person = ?1) OR EXISTS (SELECT 1 FROM grants WHERE person = ?1 AND num = ?2)",
        )?;
        Ok(statement.exists(params![person.as_bytes().as_slice(), document.num])?)
    }

    /// Positions of changes after one position and up to another, in documents that were open to a person by the first; not of the
    /// roster, which goes before everything else.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn moved(&self, person: PersonId, from: u64, until: u64, most: i64) -> Result<Vec<u64>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT pos FROM segments JOIN documents USING (num) WHERE segments.pos > ?2 AND segments.pos <= ?3 AND (
               place = 'engines'
               OR EXISTS (SELECT 1 FROM grants_all WHERE person = ?1 AND grants_all.pos <= ?2)
               OR EXISTS (SELECT 1 FROM grants WHERE person = ?1 AND grants.num = documents.num AND grants.pos <= ?2)
             ) AND place <> 'roster' ORDER BY segments.pos LIMIT ?4",
        )?;
        let rows =
            statement.query_map(params![person.as_bytes().as_slice(), signed(from), signed(until), most], |row| row.get::<_, i64>(0))?;
        rows.map(|pos| Ok(unsigned(pos?))).collect()
    }

    /// Documents open to a person that moved, or were opened to them, after one position and up to another.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn moved_documents(&self, person: PersonId, from: u64, until: u64) -> Result<Vec<DocId>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "WITH moved AS (SELECT DISTINCT num FROM segments WHERE pos > ?2 AND pos <= ?3)
             SELECT doc FROM documents WHERE
               (num IN moved AND (place IN ('roster', 'engines')
                 OR EXISTS (SELECT 1 FROM grants_all WHERE person = ?1)
                 OR EXISTS (SELECT 1 FROM grants WHERE person = ?1 AND grants.num = documents.num)))
               OR EXISTS (SELECT 1 FROM grants_all WHERE person = ?1 AND pos > ?2 AND pos <= ?3)
               OR EXISTS (SELECT 1 FROM grants WHERE person = ?1 AND grants.num = documents.num AND pos > ?2 AND pos <= ?3)
             ORDER BY num",
        )?;
        let rows =
            statement.query_map(params![person.as_bytes().as_slice(), signed(from), signed(until)], |row| row.get::<_, Vec<u8>>(0))?;
        rows.map(|doc| Ok(DocId::from_bytes(fixed(&doc?)?))).collect()
    }
}
