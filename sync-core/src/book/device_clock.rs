//! What a device knows of its own clock: the evidence that goes into its records.

use shared::record::ClockEvidence;

use crate::book::Book;
use crate::engine::BookError;
use crate::judge::corrected_time::Contact;
use crate::store::{CONTACT, Identity};
use crate::sys::clock::ClockReading;

impl Book {
    /// What this device knows of its clock now. Before any exchange it knows when the shop enrolled it.
    ///
    /// # Errors
    /// [`BookError::Store`].
    pub fn clock_evidence(&self, now: &ClockReading) -> Result<ClockEvidence, BookError> {
        if self.identity.as_ref().is_some_and(Identity::is_shop) {
            return Ok(ClockEvidence { offset_ms: Some(0), uncertainty_ms: Some(0), ..ClockEvidence::default() });
        }
        let contact: Option<Contact> = self.store.meta(&CONTACT)?;
        let device = || self.roster.as_ref()?.devices.get(&self.identity.as_ref()?.device);
        let enrolled = || ClockEvidence { contact_ms: device().map(|device| device.enrolled_ms.max(0)), ..ClockEvidence::default() };
        Ok(contact.map_or_else(enrolled, |contact| contact.evidence(now)))
    }
}
