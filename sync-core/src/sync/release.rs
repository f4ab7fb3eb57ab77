//! What the office decides on a record in quarantine: it is let in, with the shop's receipt, or kept out.

use shared::ids::PersonId;

use super::server::{ONE_WAY_UNCERTAINTY_MS, Taking};
use crate::engine::allowance::Allowance;
use crate::engine::append::{append_signed, follow_roster};
use crate::engine::validate::{entry_of, may_be_let_in};
use crate::engine::{BookError, projection};
use crate::judge::corrected_time::Receipt;
use crate::judge::permissions::Site;
use crate::store::QuarantineState;
use crate::store::frontier::Frontier;
use crate::sync::Peer;
use crate::sys::clock::ClockReading;
use crate::sys::rng::CryptoRng;

impl Peer<'_> {
    /// Lets a record in from quarantine or keeps it out, as a person of the office decides.
    ///
    /// # Errors
    /// As [`Peer::release`]; [`BookError::Unknown`] where nothing waits under this number.
    pub fn settle(
        &mut self,
        quarantine_id: i64,
        let_in: bool,
        by: PersonId,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
    ) -> Result<(), BookError> {
        if let_in {
            return self.release(quarantine_id, by, now, entropy);
        }
        let waiting =
            self.book.store.quarantine().one_quarantined(quarantine_id)?.is_some_and(|held| held.state == QuarantineState::Waiting);
        if !waiting {
            return Err(BookError::Unknown(format!("quarantine holds nothing waiting under {quarantine_id}")));
        }
        Ok(self.book.store.quarantine().settle_quarantined(quarantine_id, QuarantineState::KeptOut)?)
    }

    /// Lets a record in from quarantine, in the name of an office person. The record's own signature must hold.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where there is no such record, [`BookError::Denied`] where it can never come in.
    pub fn release(&mut self, quarantine_id: i64, by: PersonId, now: &ClockReading, entropy: &mut dyn CryptoRng) -> Result<(), BookError> {
        let identity = self.book.identity()?.clone();
        let before = self.book.roster_of_now()?;
        let waiting = self.book.store.quarantine().one_quarantined(quarantine_id)?.filter(|held| held.state != QuarantineState::Released);
        let Some(waiting) = waiting else {
            return Err(BookError::Unknown(format!("quarantine holds nothing under {quarantine_id} that could still be let in")));
        };
        let (opened, Site { place, .. }) = may_be_let_in(&self.book.store, &before, &waiting)?;
        let actor = self.book.actor();
        let roster = self.book.store.atomically(|store| {
            let (named, device) = (opened.receipted(), opened.device);
            let signed = vec![(entry_of(&opened), waiting.bytes.clone())];
            append_signed(store, actor, waiting.doc, place, signed, now.wall_ms, true)?;
            let receipt = Receipt::measured(now.wall_ms, 0, ONE_WAY_UNCERTAINTY_MS);
            let mut taking =
                Taking { store, identity: &identity, actor, device, receipt, allowance: Allowance::at_the_shop(now.wall_ms), now, entropy };
            let mut frontier = Frontier::read(store, waiting.doc)?;
            taking.receipt_for(&mut frontier, &[named], Some(by))?;
            store.log().index(&mut frontier)?;
            if let Some(document) = store.documents().document(waiting.doc)? {
                projection::derive(store, &document, &before)?;
            }
            store.quarantine().settle_quarantined(quarantine_id, QuarantineState::Released)?;
            let after = follow_roster(store, &before, waiting.doc == identity.root.shop.roster())?;
            store.grants().regrant(after.as_ref().unwrap_or(&before))?;
            Ok::<_, BookError>(after)
        })?;
        self.book.roster = roster.or(Some(before));
        Ok(())
    }
}
