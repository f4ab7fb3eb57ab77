//! Private keys at rest: sealed under a storage key that whoever opens the book hands in, and keeps where the platform
//! keeps such things.
//!
//! A device's keys are then in a row `keys/<device>` of their own and nowhere else: one byte for the form, a nonce of 24
//! bytes from the entropy handed in, and both keys under XChaCha20-Poly1305 (draft-irtf-cfrg-xchacha-03, upon RFC 8439)
//! with the row's name as associated data, so that none can be put in another's place. Records are signed and not secret:
//! they lie as they are, and a book opened without its key can still be read.

use std::fmt;

use chacha20poly1305::aead::{Aead, Payload};
use chacha20poly1305::{KeyInit, XChaCha20Poly1305, XNonce};
use serde::Serialize;
use shared::bytes::Blob;
use shared::ids::DeviceId;
use zeroize::Zeroizing;

use crate::book::BookError;
use crate::desk::DeskRow;
use crate::enrol::Pending;
use crate::identity::{Identity, Keys};
use crate::moment::{Entropy, random};
use crate::store::{Store, StoreError};

/// The form of a sealed value.
const FORM: u8 = 1;
const NONCE_BYTES: usize = 24;
/// Sealed keys are in rows whose names begin so.
const ROWS: &str = "keys/";
/// The rows that hold keys in the clear where there is no storage key.
pub(crate) const IDENTITY: &str = "identity";
pub(crate) const PENDING: &str = "pending";

/// The key that a book's private keys are sealed with: 32 bytes that cannot be guessed. Wiped from memory when dropped.
pub struct StorageKey(Zeroizing<[u8; 32]>);

/// What was handed in as a storage key has another length than 32 bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a storage key has 32 bytes, and this one has {0}")]
pub struct KeyLength(pub usize);

impl StorageKey {
    /// The key of these bytes.
    #[must_use]
    pub fn new(bytes: [u8; 32]) -> Self {
        Self(Zeroizing::new(bytes))
    }

    fn cipher(&self) -> XChaCha20Poly1305 {
        XChaCha20Poly1305::new((&*self.0).into())
    }

    /// Seals a value under its name.
    fn seal(&self, name: &str, plain: &[u8], entropy: &mut dyn Entropy) -> Result<Vec<u8>, BookError> {
        let nonce: [u8; NONCE_BYTES] = random(entropy);
        let sealed = self.cipher().encrypt(&XNonce::from(nonce), Payload { msg: plain, aad: name.as_bytes() });
        let sealed = sealed.map_err(|_| BookError::Defect("keys that cannot be sealed".to_owned()))?;
        Ok([&[FORM], nonce.as_slice(), &sealed].concat())
    }

    /// What was sealed under this name with this key; `None` for anything else.
    fn open(&self, name: &str, sealed: &[u8]) -> Option<Zeroizing<Vec<u8>>> {
        let (form, rest) = sealed.split_first()?;
        let (nonce, sealed) = rest.split_first_chunk::<NONCE_BYTES>()?;
        let plain = self.cipher().decrypt(&XNonce::from(*nonce), Payload { msg: sealed, aad: name.as_bytes() });
        plain.ok().filter(|_| *form == FORM).map(Zeroizing::new)
    }
}

impl TryFrom<&[u8]> for StorageKey {
    type Error = KeyLength;

    fn try_from(bytes: &[u8]) -> Result<Self, KeyLength> {
        bytes.try_into().map(Self::new).map_err(|_| KeyLength(bytes.len()))
    }
}

impl fmt::Debug for StorageKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("StorageKey(not shown)")
    }
}

/// How an opening gets at the book's private keys.
#[derive(Debug, Default)]
pub enum Access {
    /// They lie in the book as they are.
    #[default]
    InTheClear,
    /// With this key. What lies in the clear is sealed with it first.
    With(StorageKey),
    /// Not at all: for reading, and for saving what is not at the shop yet.
    WithoutKeys,
}

/// How a book's private keys are kept, as far as an opening knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum KeysAtRest {
    /// In the book's file as they are: whoever has a copy of it can sign as this device.
    Clear,
    /// Sealed, with the key that this opening was handed.
    Sealed,
    /// Not got at by this opening: it reads, and signs nothing.
    Locked,
}

impl Access {
    pub(crate) const fn at_rest(&self) -> KeysAtRest {
        match self {
            Self::InTheClear => KeysAtRest::Clear,
            Self::With(_) => KeysAtRest::Sealed,
            Self::WithoutKeys => KeysAtRest::Locked,
        }
    }
}

/// Gives a store that was just opened its access. Keys that lie in the clear are sealed where there is a storage key: in one
/// transaction, and then nothing of them is left in the file or its log.
///
/// # Errors
/// [`BookError::Sealed`] and [`BookError::KeyWrong`], having changed nothing; the store.
pub(crate) fn unlock(store: &mut Store, access: Access, entropy: &mut dyn Entropy) -> Result<(), BookError> {
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
    match store.leave_no_trace() {
        // The keys are sealed, and a person with a full disk must be able to work: the traces go at the next opening.
        Err(StoreError::Full) => Ok(()),
        other => Ok(other?),
    }
}

/// Seals whatever lies in the clear.
fn seal_all(store: &Store, entropy: &mut dyn Entropy) -> Result<(), BookError> {
    let identity = store.meta::<Identity>(IDENTITY)?.filter(|identity| identity.keys.is_some());
    let pending = store.meta::<Pending>(PENDING)?.filter(|pending| pending.keys.is_some());
    let desks: Vec<DeskRow> = store.desk_rows()?.into_iter().filter(|desk| desk.keys.is_some()).collect();
    if identity.is_none() && pending.is_none() && desks.is_empty() {
        return Ok(());
    }
    store.overwrite_what_goes()?;
    store.atomically(|store| {
        store.note_traces()?;
        if let Some(mut identity) = identity {
            identity.keys = keep(store, identity.device, identity.keys, entropy)?;
            store.set_meta(IDENTITY, &identity)?;
        }
        if let Some(mut pending) = pending {
            pending.keys = keep(store, pending.device, pending.keys, entropy)?;
            store.set_meta(PENDING, &pending)?;
        }
        for mut desk in desks {
            desk.keys = keep(store, desk.device, desk.keys, entropy)?;
            store.keep_desk(&desk)?;
        }
        Ok(())
    })
}

/// Keeps a device's keys, and gives what of them its own row is to hold: nothing where they are sealed elsewhere.
///
/// # Errors
/// [`BookError::Sealed`] where this opening does not get at keys; the store.
pub(crate) fn keep(store: &Store, device: DeviceId, keys: Option<Keys>, entropy: &mut dyn Entropy) -> Result<Option<Keys>, BookError> {
    match store.access() {
        Access::InTheClear => Ok(keys),
        Access::WithoutKeys => Err(BookError::Sealed),
        Access::With(key) => {
            if let Some(keys) = keys {
                let name = row(device);
                let sealed = key.seal(&name, &*keys.bytes(), entropy)?;
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
            let keys = key.open(&name, &sealed).and_then(|both| Keys::from_bytes(&both));
            Ok(Some(keys.ok_or(BookError::KeyWrong)?))
        }
    }
}

/// Whose book it is, without its keys.
///
/// # Errors
/// [`BookError::Store`].
pub(crate) fn owner_of(store: &Store) -> Result<Option<Identity>, BookError> {
    let identity = store.meta::<Identity>(IDENTITY)?;
    Ok(identity.map(|identity| Identity { keys: None, ..identity }))
}

/// Whose book it is, with its keys where this opening gets at them.
///
/// # Errors
/// As [`keys_of`].
pub(crate) fn identity_of(store: &Store) -> Result<Option<Identity>, BookError> {
    let Some(mut identity) = store.meta::<Identity>(IDENTITY)? else { return Ok(None) };
    identity.keys = keys_of(store, identity.device, identity.keys)?;
    Ok(Some(identity))
}

fn row(device: DeviceId) -> String {
    format!("{ROWS}{device}")
}

#[cfg(test)]
mod tests;
