//! How many requests come how fast, and how many wrong codes: a pace for each device, and one for each address of those who have
//! shown no token; and one for all strangers together, so wide that it takes many addresses to fill.
//!
//! Where addresses are not known (behind a proxy of which nothing more was said, see `origin.rs`) all strangers have one pace.
//!
//! A one-time code has 50 bits and is good for a day. At the pace of all, 50 wrong ones a second for a year are 1.6e9 of 1.1e15
//! codes: 1.4e-6 a year for each code that is always out, 1.4e-5 for ten of them. So no stranger's wrong codes need stop others.

use std::convert::Infallible;
use std::net::IpAddr;

use axum::extract::FromRequestParts;
use axum::http::Extensions;
use axum::http::request::Parts;
use shared::ids::DeviceId;
use sync_core::sys::clock::ClockReading;

use crate::keyed::{Keyed, Paced};

/// How much may come at once, and how fast more may follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rate {
    /// Requests at once, after a rest.
    pub burst: u32,
    /// Requests per second after that.
    pub per_s: u32,
}

impl From<Rate> for Paced {
    fn from(rate: Rate) -> Self {
        Self { burst: rate.burst, each_us: 1_000_000 / i64::from(rate.per_s.max(1)) }
    }
}

/// Wrong codes of one address: a crew that joins at once passes, and so do its slips.
const CODES_OF_ONE: Paced = Paced { burst: 30, each_us: 6_000_000 };
/// Wrong codes of all: see above.
const CODES_OF_ALL: Paced = Paced { burst: 1_000, each_us: 20_000 };

/// The address that a request came from, where it is known. Of IPv6 the network alone (see `household`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Peer(pub(crate) Option<IpAddr>);

impl Peer {
    /// The address that the connection, or the proxy where it was said to name it, gave a request.
    pub(crate) fn of(extensions: &Extensions) -> Self {
        extensions.get().copied().unwrap_or(Self(None))
    }
}

impl<S: Sync> FromRequestParts<S> for Peer {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        Ok(Self::of(&parts.extensions))
    }
}

/// The pace of all who ask.
#[derive(Debug)]
pub(crate) struct Pace {
    devices: Keyed<DeviceId>,
    strangers: Keyed<Peer>,
    all_strangers: Keyed<()>,
    codes: Keyed<Peer>,
    all_codes: Keyed<()>,
}

/// A code that is tried. Counts as wrong until it is forgiven, so that many at once cannot slip through.
#[derive(Debug)]
#[must_use = "a try that is not forgiven counts as wrong"]
pub(crate) struct Try(Peer);

impl Pace {
    pub(crate) fn new(device: Rate, strangers: Rate, all_strangers: Rate) -> Self {
        Self {
            devices: Keyed::new(device.into()),
            strangers: Keyed::new(strangers.into()),
            all_strangers: Keyed::new(all_strangers.into()),
            codes: Keyed::new(CODES_OF_ONE),
            all_codes: Keyed::new(CODES_OF_ALL),
        }
    }

    /// Counts a request of a device that showed its token, or says how many seconds to wait.
    pub(crate) fn device(&self, device: DeviceId, now: &ClockReading) -> Result<(), i64> {
        self.devices.take(&device, now)
    }

    /// Counts a request of somebody who showed no token, or says how many seconds to wait.
    pub(crate) fn stranger(&self, peer: Peer, now: &ClockReading) -> Result<(), i64> {
        self.strangers.take(&peer, now)?;
        self.all_strangers.take(&(), now)
    }

    /// Begins to try a code, or says how many seconds to wait.
    pub(crate) fn code(&self, peer: Peer, now: &ClockReading) -> Result<Try, i64> {
        if peer.0.is_some() {
            self.codes.take(&peer, now)?;
        }
        self.all_codes.take(&(), now).inspect_err(|_| self.codes.give_back(&peer))?;
        Ok(Try(peer))
    }

    /// Forgets a try whose code was right.
    pub(crate) fn forgive(&self, right: &Try) {
        self.codes.give_back(&right.0);
        self.all_codes.give_back(&());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: Rate = Rate { burst: 3, per_s: 2 };
    const WIDE: Rate = Rate { burst: 100, per_s: 100 };
    const HERE: Peer = Peer(None);

    fn device(n: u8) -> DeviceId {
        DeviceId::from_bytes([n; 16])
    }

    #[test]
    fn a_burst_passes_then_one_comes_every_half_second() {
        let pace = Pace::new(RATE, RATE, WIDE);
        for _ in 0..3 {
            pace.device(device(1), &ClockReading::at(10)).unwrap();
        }
        assert_eq!(pace.device(device(1), &ClockReading::at(10)), Err(1));
        assert_eq!(pace.device(device(1), &ClockReading::at(509)), Err(1));
        pace.device(device(1), &ClockReading::at(510)).unwrap();
        assert_eq!(pace.device(device(1), &ClockReading::at(510)), Err(1));
        // Rest fills it up, and not beyond.
        for _ in 0..3 {
            pace.device(device(1), &ClockReading::at(3_600_000)).unwrap();
        }
        assert_eq!(pace.device(device(1), &ClockReading::at(3_600_000)), Err(1));
    }

    #[test]
    fn one_device_does_not_slow_another_nor_the_strangers() {
        let pace = Pace::new(RATE, RATE, WIDE);
        while pace.device(device(1), &ClockReading::at(0)).is_ok() {}
        pace.device(device(2), &ClockReading::at(0)).unwrap();
        pace.stranger(HERE, &ClockReading::at(0)).unwrap();
        while pace.stranger(HERE, &ClockReading::at(0)).is_ok() {}
        pace.device(device(2), &ClockReading::at(0)).unwrap();
    }

    #[test]
    fn a_clock_that_runs_back_gives_nothing_and_breaks_nothing() {
        let pace = Pace::new(RATE, RATE, WIDE);
        while pace.stranger(HERE, &ClockReading::at(5_000)).is_ok() {}
        assert!(pace.stranger(HERE, &ClockReading::at(i64::MIN)).is_err());
        pace.stranger(HERE, &ClockReading::at(i64::MAX)).unwrap();
    }

    #[test]
    fn the_wait_named_is_long_enough() {
        for per_s in [0, 1, 3, 7, 1000] {
            let rate = Rate { burst: 1, per_s };
            let pace = Pace::new(rate, rate, WIDE);
            pace.stranger(HERE, &ClockReading::at(0)).unwrap();
            let wait_s = pace.stranger(HERE, &ClockReading::at(0)).unwrap_err();
            assert!((1..=2).contains(&wait_s), "{per_s}: {wait_s}");
            pace.stranger(HERE, &ClockReading::at(wait_s * 1000)).unwrap();
        }
    }

    #[test]
    fn wrong_codes_stop_the_address_they_come_from_and_right_ones_never_count() {
        let pace = Pace::new(RATE, RATE, WIDE);
        let (one, other) = (Peer(Some([192, 0, 2, 1].into())), Peer(Some([192, 0, 2, 2].into())));
        for _ in 0..100 {
            let right = pace.code(one, &ClockReading::at(0)).unwrap();
            pace.forgive(&right);
        }
        let wrong = (0..100).filter(|_| pace.code(one, &ClockReading::at(0)).is_ok()).count();
        assert_eq!(wrong, 30);
        let _other = pace.code(other, &ClockReading::at(0)).unwrap();
        let _later = pace.code(one, &ClockReading::at(6_000)).unwrap();
        // All together, from however many addresses, and where no address is known.
        let all = (0..2000).filter(|_| pace.code(Peer(None), &ClockReading::at(6_000)).is_ok()).count();
        assert_eq!(all, 999);
    }
}
