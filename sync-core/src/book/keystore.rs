//! Private keys at rest: sealed under a storage key that whoever opens the book hands in, and keeps where the platform
//! keeps such things.
//!
//! A device's keys are then in a row `keys/<device>` of their own and nowhere else: one byte for the form, a nonce of 24
//! bytes from the entropy handed in, and both keys under XChaCha20-Poly1305 (draft-irtf-cfrg-xchacha-03, upon RFC 8439)
//! with the row's name as associated data, so that none can be put in another's place. Records are signed and not secret:
//! they lie as they are, and a book opened without its key can still be read.

use shared::bytes::Blob;
use shared::ids::DeviceId;

use crate::book::enrol::PendingEnrolment;
use crate::crypto::keys::Keys;
use crate::crypto::storage_key::Access;
use crate::engine::BookError;
use crate::store::{DeskRow, IDENTITY, Identity, MetaKey, Store, StoreError};
use crate::sys::rng::CryptoRng;

/// Sealed keys are in rows whose names begin so.
const ROWS: &str = "keys/";
/// The row of an enrolment that is under way.
pub(crate) const PENDING: MetaKey<PendingEnrolment> = MetaKey::new("pending");

/// Gives a store that was just opened its access. Keys that lie in the clear are sealed where there is a storage key: in one
/// transaction, and then nothing of them is left in the file or its log.
///
/// # Errors
/// [`BookError::Sealed`] and [`BookError::KeyWrong`], having changed nothing; the store.
pub(crate) fn unlock(store: &mut Store, access: Access, entropy: &mut dyn CryptoRng) -> Result<(), BookError> {
    let sealed: Vec<(String, Blob)> = store.metas(ROWS)?;
    match &access {
        Access::InTheClear if !sealed.is_empty() => return Err(BookError::Sealed),
        Access::With(key) if !sealed.iter().all(|(name, Blob(bytes))| key.open(name, bytes).is_some()) => return Err(BookError::KeyWrong),
        _ => {}
    }
    store.set_access(access);
    if !matches!(store.access(), Access::With(_)) {
        return Ok(());
    }
    seal_all(store, entropy)?;
    match store.compaction().leave_no_trace() {
        // The keys are sealed, and a person with a full disk must be able to work: the traces go at the next opening.
        Err(StoreError::Full) => Ok(()),
        other => Ok(other?),
    }
}

/// Seals whatever lies in the clear.
fn seal_all(store: &Store, entropy: &mut dyn CryptoRng) -> Result<(), BookError> {
    let identity = store.meta(&IDENTITY)?.filter(|identity| identity.keys.is_some());
    let pending = store.meta(&PENDING)?.filter(|pending| pending.keys.is_some());
    let desks: Vec<DeskRow> = store.logins().desk_rows()?.into_iter().filter(|desk| desk.keys.is_some()).collect();
    if identity.is_none() && pending.is_none() && desks.is_empty() {
        return Ok(());
    }
    store.compaction().overwrite_what_goes()?;
    store.atomically(|store| {
        store.compaction().note_traces()?;
        if let Some(mut identity) = identity {
            identity.keys = keep(store, identity.device, identity.keys, entropy)?;
            store.set_meta(&IDENTITY, &identity)?;
        }
        if let Some(mut pending) = pending {
            pending.keys = keep(store, pending.device, pending.keys, entropy)?;
            store.set_meta(&PENDING, &pending)?;
        }
        for mut desk in desks {
            desk.keys = keep(store, desk.device, desk.keys, entropy)?;
            store.logins().keep_desk(&desk)?;
        }
        Ok(())
    })
}

/// Keeps a device's keys, and gives what of them its own row is to hold: nothing where they are sealed elsewhere.
///
/// # Errors
/// [`BookError::Sealed`] where this opening does not get at keys; the store.
pub(crate) fn keep(store: &Store, device: DeviceId, keys: Option<Keys>, entropy: &mut dyn CryptoRng) -> Result<Option<Keys>, BookError> {
    match store.access() {
        Access::InTheClear => Ok(keys),
        Access::WithoutKeys => Err(BookError::Sealed),
        Access::With(key) => {
            if let Some(keys) = keys {
                let name = row(device);
                let sealed = key.seal(name.name(), &*keys.bytes(), entropy);
                let sealed = sealed.ok_or_else(|| BookError::Defect("keys that cannot be sealed".to_owned()))?;
                store.set_meta(&name, &Blob(sealed))?;
            }
            Ok(None)
        }
    }
}

/// A device's keys, `beside` being what its own row holds; `None` where this opening does not get at them.
///
/// # Errors
/// [`BookError::KeyWrong`] where they are damaged; [`StoreError::Damaged`] where they are not there.
pub(crate) fn keys_of(store: &Store, device: DeviceId, beside: Option<Keys>) -> Result<Option<Keys>, BookError> {
    let gone = || StoreError::Damaged("a device's private keys are not in the book".to_owned());
    match store.access() {
        Access::InTheClear => Ok(Some(beside.ok_or_else(gone)?)),
        Access::WithoutKeys => Ok(None),
        Access::With(key) => {
            let name = row(device);
            let Blob(sealed) = store.meta(&name)?.ok_or_else(gone)?;
            let keys = key.open(name.name(), &sealed).and_then(|both| Keys::from_bytes(&both));
            Ok(Some(keys.ok_or(BookError::KeyWrong)?))
        }
    }
}

/// Whose book it is, with its keys where this opening gets at them.
///
/// # Errors
/// As [`keys_of`].
pub(crate) fn identity_of(store: &Store) -> Result<Option<Identity>, BookError> {
    let Some(mut identity) = store.meta(&IDENTITY)? else { return Ok(None) };
    identity.keys = keys_of(store, identity.device, identity.keys)?;
    Ok(Some(identity))
}

fn row(device: DeviceId) -> MetaKey<Blob> {
    MetaKey::under(ROWS, device)
}

#[cfg(test)]
mod tests;
