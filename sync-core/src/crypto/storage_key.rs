//! The key that private keys are sealed with at rest, and how an opening gets at them.
//!
//! A sealed value is one byte for the form, a nonce of 24 bytes from the entropy handed in, and the value under XChaCha20-Poly1305
//! (draft-irtf-cfrg-xchacha-03, upon RFC 8439) with its row's name as associated data, so that none can be put in another's place.

use std::fmt;

use chacha20poly1305::aead::{Aead, Payload};
use chacha20poly1305::{KeyInit, XChaCha20Poly1305, XNonce};
use serde::Serialize;
use zeroize::Zeroizing;

use crate::sys::rng::{CryptoRng, random};

/// The form of a sealed value.
const FORM: u8 = 1;
const NONCE_BYTES: usize = 24;

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

    /// Seals a value under its name; `None` where it is longer than the cipher takes.
    pub(crate) fn seal(&self, name: &str, plain: &[u8], entropy: &mut dyn CryptoRng) -> Option<Vec<u8>> {
        let nonce: [u8; NONCE_BYTES] = random(entropy);
        let sealed = self.cipher().encrypt(&XNonce::from(nonce), Payload { msg: plain, aad: name.as_bytes() });
        sealed.ok().map(|sealed| [&[FORM], nonce.as_slice(), &sealed].concat())
    }

    /// What was sealed under this name with this key; `None` for anything else.
    pub(crate) fn open(&self, name: &str, sealed: &[u8]) -> Option<Zeroizing<Vec<u8>>> {
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
    /// In the book's file as they are: anybody with a copy of it can sign as this device.
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
