//! Whose book it is: a device of a person, or the shop's server, with its private keys where this opening gets at them.

use serde::{Deserialize, Serialize};
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, PersonId};

use super::{MetaKey, Store, StoreError};
use crate::crypto::keys::{Keys, KeysSealed};
use crate::judge::roster::ShopRoot;

/// The row that says whose book it is.
pub const IDENTITY: MetaKey<Identity> = MetaKey::new("identity");

/// Who this book belongs to.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Identity {
    /// The device.
    pub device: DeviceId,
    /// Its person; the shop itself on the server.
    pub person: PersonId,
    /// The shop.
    pub root: ShopRoot,
    /// The issuer that log-ins name as their audience.
    pub issuer: String,
    /// Where the shop's server answers; empty on the server itself.
    pub server: String,
    /// The public half of the key that signs records, which is never sealed.
    pub record_key: Bytes32,
    /// The keys. Not here where they are kept elsewhere, sealed ([`crate::book::keystore`]), and the book was opened without their key.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) keys: Option<Keys>,
}

impl Identity {
    /// The keys.
    ///
    /// # Errors
    /// [`KeysSealed`] where the book was opened without the key that they are sealed with.
    pub fn keys(&self) -> Result<&Keys, KeysSealed> {
        self.keys.as_ref().ok_or(KeysSealed)
    }

    /// Whether this is the shop's own server.
    #[must_use]
    pub fn is_shop(&self) -> bool {
        self.device == self.root.device
    }
}

impl Store {
    /// Whose book it is, without its keys.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn owner(&self) -> Result<Option<Identity>, StoreError> {
        let identity = self.meta(&IDENTITY)?;
        Ok(identity.map(|identity| Identity { keys: None, ..identity }))
    }
}
