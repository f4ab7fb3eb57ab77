//! People, devices, properties, and how far this device is level with the shop.

use serde::Serialize;
use shared::bytes::Bytes16;
use shared::ids::{DeviceId, PersonId, PropertyId};
use shared::record::{PropertyCard, ShopCard};
use shared::role::Role;
use shared::usage::Between;

use super::names::Names;
use crate::engine::BookError;
use crate::judge::corrected_time::Contact;
use crate::judge::permissions::{self, DocKind};
use crate::queries::Reader;
use crate::store::{CONTACT, EPOCH, QuarantineState, given_to};

/// A person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PersonLine {
    /// Which.
    pub person: PersonId,
    /// The name.
    pub name: String,
    /// The role now.
    pub role: Option<Role>,
    /// The properties given to the person, by name.
    pub properties: Vec<String>,
}

/// A device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DeviceLine {
    /// Which.
    pub device: DeviceId,
    /// What it is called.
    pub name: String,
    /// Whose.
    pub person: PersonId,
    /// That person's name.
    pub person_name: String,
    /// Trusted no more since, ms since 1970 UTC.
    pub revoked_ms: Option<i64>,
}

/// What strangers to the book must know of the shop: its settings, and where its server says it answers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ShopFront {
    /// The settings.
    pub settings: ShopCard,
    /// The address under which devices know the shop.
    pub issuer: String,
}

/// A property.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PropertyLine {
    /// Which.
    pub property: PropertyId,
    /// Its name.
    pub name: String,
    /// Where it is.
    pub address: String,
    /// What the crew must know.
    pub access: String,
    /// When its machines are in use, where its own card says so.
    pub season: Option<Between>,
    /// How many machines this book knows there.
    pub machines: usize,
}

/// How far this device is level with the shop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Status {
    /// The shop's name.
    pub shop: String,
    /// The person's name.
    pub person: String,
    /// The person's role, as far as this device knows.
    pub role: Option<Role>,
    /// The person may measure by themselves; the office only writes down for someone.
    pub measures: bool,
    /// The person may sign a visit off.
    pub signs_off: bool,
    /// The shop's time zone, by its name.
    pub time_zone: String,
    /// Where the server answers.
    pub server: String,
    /// Machines in the book.
    pub machines: usize,
    /// Records in the book.
    pub records: u64,
    /// Records that the shop has not receipted.
    pub waiting: u64,
    /// The oldest of those, device time, ms since 1970 UTC.
    pub oldest_waiting_ms: Option<i64>,
    /// Records in quarantine.
    pub quarantined: usize,
    /// Parts of the log that were kept on the shop's word, whose signatures are still to be looked at here.
    pub unverified: usize,
    /// The last exchange, device time, ms since 1970 UTC.
    pub last_exchange_ms: Option<i64>,
    /// Shop time minus device time then, in ms.
    pub clock_offset_ms: Option<i64>,
    /// The shop epoch known here.
    pub epoch: Option<Bytes16>,
}

impl Reader<'_> {
    /// Everyone on the roster, by name.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn people(&self) -> Result<Vec<PersonLine>, BookError> {
        let roster = self.book.roster()?;
        let (mut people, mut names) = (Vec::with_capacity(roster.people.len()), Names::default());
        for (person, name) in &roster.people {
            let mut properties = Vec::new();
            for property in given_to(&roster.assignments, *person) {
                properties.push(names.property(self.book, Some(property))?);
            }
            people.push(PersonLine { person: *person, name: name.clone(), role: roster.role_now(*person), properties });
        }
        people.sort_by(|a, b| (&a.name, a.person).cmp(&(&b.name, b.person)));
        Ok(people)
    }

    /// Every device on the roster, by its person's name.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`].
    pub fn devices(&self) -> Result<Vec<DeviceLine>, BookError> {
        let roster = self.book.roster()?;
        let mut devices: Vec<DeviceLine> = roster
            .devices
            .values()
            .map(|d| DeviceLine {
                device: d.card.device,
                name: d.card.name.clone(),
                person: d.card.person,
                person_name: roster.name(d.card.person),
                revoked_ms: d.revoked_ms,
            })
            .collect();
        devices.sort_by(|a, b| (&a.person_name, &a.name, a.device).cmp(&(&b.person_name, &b.name, b.device)));
        Ok(devices)
    }

    /// Every property this book knows, by name.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn properties(&self) -> Result<Vec<PropertyLine>, BookError> {
        let mut properties = Vec::new();
        for document in self.book.store.documents().all()? {
            if document.place == DocKind::Property {
                let property = PropertyId(document.doc.0);
                if let Some(card) = self.property(property)? {
                    properties.push(self.property_line(property, card)?);
                }
            }
        }
        properties.sort_by(|a, b| (&a.name, a.property).cmp(&(&b.name, b.property)));
        Ok(properties)
    }

    pub(super) fn property_line(&self, property: PropertyId, card: PropertyCard) -> Result<PropertyLine, BookError> {
        let machines = self.book.store.machine_rows().machines_at(property)?.len();
        Ok(PropertyLine { property, name: card.name, address: card.address, access: card.access, season: card.season, machines })
    }

    /// Who looks after which property.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`].
    pub fn assignments(&self) -> Result<Vec<(PersonId, PropertyId)>, BookError> {
        Ok(self.book.roster()?.assignments.iter().copied().collect())
    }

    /// The shop's settings, and the address under which devices know it.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`].
    pub fn shop_front(&self) -> Result<ShopFront, BookError> {
        Ok(ShopFront { settings: self.book.roster()?.settings.clone(), issuer: self.book.identity()?.issuer.clone() })
    }

    /// A mark that is another one whenever a day sheet may say something else: the log grew, quarantine did, or a device was here.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn day_mark(&self) -> Result<String, BookError> {
        use QuarantineState::{KeptOut, Released, Waiting};
        let waiting = self.book.store.quarantine().count_quarantined(Waiting)?;
        let held = waiting
            + self.book.store.quarantine().count_quarantined(Released)?
            + self.book.store.quarantine().count_quarantined(KeptOut)?;
        let last_ms = self.book.store.logins().contacts()?.values().map(|contact| contact.at_ms).max().unwrap_or(0);
        Ok(format!("{}-{held}-{waiting}-{last_ms}", self.book.store.log().log_end()?))
    }

    /// How far this device is level with the shop.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`], or the store.
    pub fn status(&self) -> Result<Status, BookError> {
        let identity = self.book.identity()?;
        let roster = self.book.roster()?;
        let (records, waiting, oldest_waiting_ms) = self.book.store.records().counts()?;
        let contact: Option<Contact> = self.book.store.meta(&CONTACT)?;
        let role = roster.role_now(identity.person);
        Ok(Status {
            shop: roster.settings.name.clone(),
            person: roster.name(identity.person),
            role,
            measures: role.is_some_and(permissions::measures),
            signs_off: role.is_some_and(permissions::signs_off),
            time_zone: roster.settings.time_zone.clone(),
            machines: self.book.store.machine_rows().count_machines()?,
            server: identity.server.clone(),
            records,
            waiting,
            oldest_waiting_ms,
            quarantined: self.book.store.quarantine().count_quarantined(QuarantineState::Waiting)?,
            unverified: self.book.store.documents().unverified()?,
            last_exchange_ms: contact.map(|c| c.wall_ms),
            clock_offset_ms: contact.map(|c| c.offset_ms),
            epoch: self.book.store.meta(&EPOCH)?,
        })
    }
}
