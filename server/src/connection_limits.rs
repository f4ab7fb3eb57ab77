//! Places for connections: so many in all, and so many of one address.

use std::net::IpAddr;
use std::sync::Arc;

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::permits::{Permit, Permits};

/// Places for connections.
#[derive(Debug, Clone)]
pub(crate) struct Places {
    all: Arc<Semaphore>,
    of_each: Arc<Permits<IpAddr>>,
}

/// A place held; free again when dropped.
#[derive(Debug)]
pub(crate) struct Place {
    _one_of_all: OwnedSemaphorePermit,
    _of_each: Permit<IpAddr>,
}

impl Places {
    pub(crate) fn new(all: usize, of_one: usize) -> Self {
        Self { all: Arc::new(Semaphore::new(all)), of_each: Permits::of_each(of_one) }
    }

    /// Waits until there is a place for anyone at all.
    pub(crate) async fn any(&self) -> std::io::Result<OwnedSemaphorePermit> {
        Arc::clone(&self.all).acquire_owned().await.map_err(std::io::Error::other)
    }

    /// Gives the place to an address, unless it has its share.
    pub(crate) fn give(&self, one_of_all: OwnedSemaphorePermit, peer: IpAddr) -> Option<Place> {
        Some(Place { _one_of_all: one_of_all, _of_each: self.of_each.take(household(peer))? })
    }
}

/// What counts as one address: of IPv6 the first 64 bits, since whoever has one such address has all the others beside it.
pub(crate) fn household(peer: IpAddr) -> IpAddr {
    match peer.to_canonical() {
        IpAddr::V6(v6) => IpAddr::V6((u128::from(v6) >> 64 << 64).into()),
        v4 => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn one_address_gets_its_share_and_no_more() {
        let places = Places::new(4, 2);
        let give = async |peer: &str| places.give(places.any().await.unwrap(), peer.parse().unwrap());
        let first = give("192.0.2.7").await.unwrap();
        let second = give("::ffff:192.0.2.7").await.unwrap();
        assert!(give("192.0.2.7").await.is_none());
        let third = give("2001:db8::1").await.unwrap();
        let fourth = give("2001:db8::ffff:1").await.unwrap();
        // None left for anyone, until one goes.
        assert_eq!(places.all.available_permits(), 0);
        drop(third);
        assert!(give("192.0.2.7").await.is_none(), "what it was refused went back");
        assert!(give("2001:db8:0:1::1").await.is_some());
        drop((first, second, fourth));
        assert_eq!(places.of_each.in_use(), 0);
        assert_eq!(places.all.available_permits(), 4);
    }
}
