//! Exchanges and pictures under way: how many of one device, how many are read and answered at once, and how many answers one device
//! leaves unread.
//!
//! An exchange may hold 8 MiB as it came and several times that once it is unpacked, and its answer 6 MiB for as long as nobody
//! reads it; without these bounds one enrolled device could make the server hold that hundreds of times over.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use shared::ids::{DeviceId, PersonId};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::bearer::Caller;
use crate::permits::{Permit, Permits};
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// Exchanges unpacked and answered at once. The book answers one at a time; the next is unpacked meanwhile.
pub(crate) const MOST_UNPACKED: usize = 2;

/// Whose turn it is: a device, or a person at a browser, which has no device of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Client {
    Device(DeviceId),
    Person(PersonId),
}

/// Exchanges, or pictures, under way.
#[derive(Debug)]
pub(crate) struct Turns {
    of_each: Arc<Permits<Client>>,
    at_once: Arc<Semaphore>,
}

impl Turns {
    pub(crate) fn new(most_of_one: usize, at_once: usize) -> Self {
        Self { of_each: Permits::of_each(most_of_one), at_once: Arc::new(Semaphore::new(at_once)) }
    }

    /// Begins one, where the client has not too many under way.
    pub(crate) fn begin(&self, client: Client) -> Option<Turn> {
        Some(Turn { _of_each: self.of_each.take(client)?, at_once: Arc::clone(&self.at_once) })
    }
}

/// Bytes of an answer, which hold a permit until the last of them is sent or the connection is given up.
pub(crate) fn until_sent(bytes: Vec<u8>, permit: Permit<Client>) -> Bytes {
    struct Unread {
        bytes: Vec<u8>,
        _permit: Permit<Client>,
    }
    impl AsRef<[u8]> for Unread {
        fn as_ref(&self) -> &[u8] {
            &self.bytes
        }
    }
    Bytes::from_owner(Unread { bytes, _permit: permit })
}

/// One exchange, or picture, under way; over when dropped.
#[derive(Debug)]
pub(crate) struct Turn {
    _of_each: Permit<Client>,
    at_once: Arc<Semaphore>,
}

impl Turn {
    /// Room for one more, or none: for what would hold its room for as long as a poor signal lasts.
    pub(crate) fn room_now(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.at_once).try_acquire_owned().ok()
    }

    /// Waits until there is room to unpack.
    pub(crate) async fn room(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.at_once).acquire_owned().await.ok()
    }
}

/// A caller whose turn it is. Asked for before the body, which so is not even read where it is not.
#[derive(Debug)]
pub(crate) struct Exchanger {
    pub(crate) caller: Caller,
    pub(crate) turn: Turn,
    /// Its answer, until it is sent.
    pub(crate) unread: Permit<Client>,
}

impl FromRequestParts<ServerState> for Exchanger {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        let caller = Caller::from_request_parts(parts, state).await?;
        let turn = state.turns.begin(Client::Device(caller.device)).ok_or_else(ApiError::too_many_exchanges)?;
        let unread = state.unread.take(Client::Device(caller.device)).ok_or_else(ApiError::too_much_unread)?;
        Ok(Self { caller, turn, unread })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_client_has_so_many_turns_and_all_of_them_so_much_room() {
        let turns = Turns::new(2, 1);
        let one = Client::Device(DeviceId::from_bytes([1; 16]));
        let other = Client::Person(PersonId::from_bytes([1; 16]));
        let (first, _second) = (turns.begin(one).unwrap(), turns.begin(one).unwrap());
        assert!(turns.begin(one).is_none());
        let other = turns.begin(other).unwrap();
        let room = first.room_now().unwrap();
        assert!(other.room_now().is_none());
        drop(room);
        assert!(other.room_now().is_some());
    }
}
