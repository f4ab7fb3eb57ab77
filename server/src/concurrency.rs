//! Exchanges and pictures under way: how many of one device, how many are read and answered at once, and how many answers one device
//! leaves unread.
//!
//! An exchange may hold 8 MiB as it came and several times that once it is unpacked, and its answer 6 MiB for as long as nobody
//! reads it; without these bounds one enrolled device could make the server hold that hundreds of times over.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::body::Bytes;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use shared::ids::{DeviceId, PersonId};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::bearer::Caller;
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

/// Who is exchanging.
#[derive(Debug)]
pub(crate) struct Turns {
    most_of_one: usize,
    under_way: Mutex<BTreeMap<Client, usize>>,
    unpacking: Arc<Semaphore>,
}

impl Turns {
    pub(crate) fn new(most_of_one: usize, at_once: usize) -> Self {
        Self { most_of_one, under_way: Mutex::default(), unpacking: Arc::new(Semaphore::new(at_once)) }
    }

    /// Begins one, where the client has not too many under way.
    pub(crate) fn begin(self: &Arc<Self>, client: Client) -> Option<Turn> {
        let mut under_way = self.under_way.lock().unwrap_or_else(PoisonError::into_inner);
        let count = under_way.entry(client).or_default();
        if *count >= self.most_of_one {
            return None;
        }
        *count += 1;
        Some(Turn { client, turns: Arc::clone(self) })
    }
}

/// Bytes of an answer, which hold a turn until the last of them is sent or the connection is given up.
pub(crate) fn until_sent(bytes: Vec<u8>, turn: Turn) -> Bytes {
    struct Unread {
        bytes: Vec<u8>,
        _turn: Turn,
    }
    impl AsRef<[u8]> for Unread {
        fn as_ref(&self) -> &[u8] {
            &self.bytes
        }
    }
    Bytes::from_owner(Unread { bytes, _turn: turn })
}

/// One exchange under way; over when dropped.
#[derive(Debug)]
pub(crate) struct Turn {
    client: Client,
    turns: Arc<Turns>,
}

impl Turn {
    /// Room for one more, or none: for what would hold its room for as long as a poor signal lasts.
    pub(crate) fn room_now(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.turns.unpacking).try_acquire_owned().ok()
    }

    /// Waits until there is room to unpack.
    pub(crate) async fn room(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.turns.unpacking).acquire_owned().await.ok()
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        let mut under_way = self.turns.under_way.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = under_way.get_mut(&self.client) {
            *count -= 1;
            if *count == 0 {
                under_way.remove(&self.client);
            }
        }
    }
}

/// A caller whose turn it is. Asked for before the body, which so is not even read where it is not.
#[derive(Debug)]
pub(crate) struct Exchanger {
    pub(crate) caller: Caller,
    pub(crate) turn: Turn,
    /// Its answer, until it is sent.
    pub(crate) unread: Turn,
}

impl FromRequestParts<ServerState> for Exchanger {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        let caller = Caller::from_request_parts(parts, state).await?;
        let turn = state.turns.begin(Client::Device(caller.device)).ok_or_else(ApiError::too_many_exchanges)?;
        let unread = state.unread.begin(Client::Device(caller.device)).ok_or_else(ApiError::too_much_unread)?;
        Ok(Self { caller, turn, unread })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_that_is_over_makes_room_and_leaves_nothing_behind() {
        let turns = Arc::new(Turns::new(2, 1));
        let one = Client::Device(DeviceId::from_bytes([1; 16]));
        let other = Client::Person(PersonId::from_bytes([1; 16]));
        let first = turns.begin(one).unwrap();
        let second = turns.begin(one).unwrap();
        assert!(turns.begin(one).is_none());
        drop(turns.begin(other).unwrap());
        drop(first);
        let third = turns.begin(one).unwrap();
        assert!(turns.begin(one).is_none());
        drop((second, third));
        assert!(turns.under_way.lock().unwrap().is_empty());
        let (one, other) = (turns.begin(one).unwrap(), turns.begin(other).unwrap());
        let room = one.room_now().unwrap();
        assert!(other.room_now().is_none());
        drop(room);
        assert!(other.room_now().is_some());
    }
}
