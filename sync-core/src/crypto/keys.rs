//! A device's two private keys: one signs records, the other log-ins.

use std::fmt;
use std::sync::{Arc, OnceLock};

use ed25519_dalek::SigningKey;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha512};
use shared::bytes::Bytes32;
use zeroize::Zeroizing;

use crate::sys::rng::{CryptoRng, random};

/// The private keys are sealed, and the book was opened without the key that they are sealed with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the private keys of this book are sealed, and it was opened without their key")]
pub struct KeysSealed;

/// A pair of private keys: one signs records, the other log-ins, so that a changed log-in orphans no record.
#[derive(Clone, Serialize, Deserialize)]
pub struct Keys {
    record: Bytes32,
    login: Bytes32,
    /// The first of them made ready once for all copies: that takes as long as signing a record.
    #[serde(skip)]
    ready: Arc<OnceLock<SigningKey>>,
}

impl Keys {
    /// A fresh pair.
    pub fn fresh(entropy: &mut dyn CryptoRng) -> Self {
        Self { record: Bytes32(random(entropy)), login: Bytes32(random(entropy)), ready: Arc::default() }
    }

    /// The key that signs records.
    #[must_use]
    pub fn record(&self) -> &SigningKey {
        self.ready.get_or_init(|| SigningKey::from_bytes(&self.record.0))
    }

    /// The key that signs log-ins.
    #[must_use]
    pub fn login(&self) -> SigningKey {
        SigningKey::from_bytes(&self.login.0)
    }

    /// The secret that seals cursors.
    #[must_use]
    pub(crate) fn for_cursors(&self) -> [u8; 64] {
        self.derived(b"tappetbook cursors")
    }

    /// The secret behind the addresses of calendar feeds.
    #[must_use]
    pub(crate) fn for_calendars(&self) -> [u8; 64] {
        self.derived(b"tappetbook calendars")
    }

    /// The secret behind the cookies of browsers that are known.
    #[must_use]
    pub(crate) fn for_browsers(&self) -> [u8; 64] {
        self.derived(b"tappetbook browsers")
    }

    /// Both keys, the one for records first, to be sealed.
    pub(crate) fn bytes(&self) -> Zeroizing<[u8; 64]> {
        let mut both = Zeroizing::new([0; 64]);
        let (record, login) = both.split_at_mut(32);
        record.copy_from_slice(&self.record.0);
        login.copy_from_slice(&self.login.0);
        both
    }

    /// What [`Keys::bytes`] gave; `None` for another length.
    pub(crate) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (record, login) = bytes.split_at_checked(32)?;
        Some(Self { record: Bytes32::from_slice(record)?, login: Bytes32::from_slice(login)?, ready: Arc::default() })
    }

    /// A secret derived so that it serves nothing else; as long as a block of SHA-256.
    fn derived(&self, purpose: &[u8]) -> [u8; 64] {
        let mut hash = Sha512::new();
        hash.update(purpose);
        hash.update(self.login.0);
        hash.finalize().into()
    }

    /// The public halves: record key, log-in key.
    #[must_use]
    pub fn public(&self) -> (Bytes32, Bytes32) {
        (Bytes32(self.record().verifying_key().to_bytes()), Bytes32(self.login().verifying_key().to_bytes()))
    }
}

impl fmt::Debug for Keys {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Keys(not shown)")
    }
}
