//! Whether the shop's own clock can be right: by the steady clock, by what was, and by what devices agree on.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use shared::ids::DeviceId;

use crate::book::Book;
use crate::engine::BookError;
use crate::judge::corrected_time::IGNORED_OFFSET_MS;
use crate::judge::words::apart;
use crate::store::{LastContact, MetaKey, Store};
use crate::sys::clock::ClockReading;

/// The named value that says when the shop's clock was last set while its server ran.
const SET: MetaKey<ClockSet> = MetaKey::new("clock-set");
/// Devices that were here within so long tell of the shop's clock, in ms.
const RECENT_MS: i64 = 24 * 3_600_000;

/// The shop's clock was set while its server ran.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct ClockSet {
    /// By the clock as set, ms since 1970 UTC.
    pub(crate) at_ms: i64,
    /// Forward by so much, ms; less than 0: back.
    pub(crate) by_ms: i64,
}

impl ClockSet {
    /// How far a clock has moved against the steady clock of one boot; `None` where that is no more than phones drift.
    #[must_use]
    pub(crate) fn between(before: &ClockReading, now: &ClockReading) -> Option<Self> {
        let by_ms = now.wall_ms.saturating_sub(before.wall_ms).saturating_sub(now.steady_ms.saturating_sub(before.steady_ms));
        (before.boot == now.boot && by_ms.abs() > IGNORED_OFFSET_MS).then_some(Self { at_ms: now.wall_ms, by_ms })
    }
}

impl Book {
    /// Whether the shop's own clock can be right, in sentences; nothing where it can. Wrong, it misdates what arrives meanwhile.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub(crate) fn shop_clock_doubts(&self, now: &ClockReading) -> Result<Vec<String>, BookError> {
        let set: Option<ClockSet> = self.store.meta(&SET)?;
        let set = set.filter(|set| (now.wall_ms - set.at_ms).abs() < RECENT_MS);
        let contacts = self.store.logins().contacts()?;
        let moved = set.map(|set| {
            let (far, way) = (apart(set.by_ms), if set.by_ms > 0 { "forward" } else { "back" });
            format!("The shop's clock was set {far} {way} while the server ran. What arrived before may be dated wrong by as much.")
        });
        let future = contacts.values().map(|contact| contact.at_ms.saturating_sub(now.wall_ms)).max().filter(|ms| *ms > IGNORED_OFFSET_MS);
        let future = future.map(|ms| {
            format!("By the shop's clock a device was here {} from now: the clock was ahead then, or is behind. Set it right.", apart(ms))
        });
        let agreed = agreed_off(&contacts, now.wall_ms).map(|(devices, ms)| {
            let (far, way) = (apart(ms), if ms > 0 { "ahead" } else { "behind" });
            format!("{devices} devices agree that the shop's clock is {far} {way}. Set it right: what arrives meanwhile is misdated.")
        });
        Ok(moved.into_iter().chain(future).chain(agreed).collect())
    }
}

/// Notes where the shop's clock was set since the last exchange.
pub(crate) fn note_where_set(store: &Store, last: Option<&ClockReading>, now: &ClockReading) -> Result<(), BookError> {
    let set = last.and_then(|last| ClockSet::between(last, now));
    set.map_or(Ok(()), |set| Ok(store.set_meta(&SET, &set)?))
}

/// How many devices agree on how far the shop's clock is ahead of theirs, in ms, where they are most of those that were here lately
/// and at least two. Phones are set by their networks, and seldom wrong together.
fn agreed_off(contacts: &BTreeMap<DeviceId, LastContact>, now_ms: i64) -> Option<(usize, i64)> {
    let recent = contacts.values().filter(|contact| (now_ms - contact.at_ms).abs() < RECENT_MS);
    let mut skews: Vec<i64> = recent.map(|contact| contact.skew_ms).collect();
    skews.sort_unstable();
    let middle = *skews.get(skews.len() / 2)?;
    let agreeing = skews.iter().filter(|skew| (**skew - middle).abs() <= IGNORED_OFFSET_MS).count();
    let most = agreeing >= 2 && 2 * agreeing > skews.len();
    (most && middle.abs() > IGNORED_OFFSET_MS).then_some((agreeing, middle))
}

#[cfg(test)]
mod tests {
    use shared::bytes::Bytes16;

    use super::*;

    const HOUR: i64 = 3_600_000;

    fn here(contacts: &[(i64, i64)]) -> BTreeMap<DeviceId, LastContact> {
        let of = |(n, (at_ms, skew_ms)): (usize, &(i64, i64))| {
            let device = DeviceId::from_bytes([u8::try_from(n).unwrap(); 16]);
            (device, LastContact { at_ms: *at_ms, skew_ms: *skew_ms, clock_doubted_ms: None })
        };
        contacts.iter().enumerate().map(of).collect()
    }

    #[test]
    fn devices_that_agree_outvote_the_shops_clock_and_one_alone_does_not() {
        let now = 100 * HOUR;
        let day = 24 * HOUR;
        assert_eq!(agreed_off(&here(&[(now, day), (now, day + 60_000), (now, 0)]), now), Some((2, day)));
        assert_eq!(agreed_off(&here(&[(now, -HOUR), (now, -HOUR)]), now), Some((2, -HOUR)));
        assert_eq!(agreed_off(&here(&[(now, day)]), now), None, "one phone alone may be wrong itself");
        assert_eq!(agreed_off(&here(&[(now, day), (now, 0), (now, 90_000)]), now), None, "most say that it is right");
        assert_eq!(agreed_off(&here(&[(now, HOUR), (now, 3 * HOUR)]), now), None, "they do not agree");
        assert_eq!(agreed_off(&here(&[(now - 25 * HOUR, day), (now - 26 * HOUR, day)]), now), None, "that was long ago");
    }

    #[test]
    fn a_clock_that_moves_against_the_steady_one_was_set() {
        let boot = Bytes16([1; 16]);
        let before = ClockReading { wall_ms: 10 * HOUR, steady_ms: HOUR, boot };
        let later = ClockReading { wall_ms: 11 * HOUR, steady_ms: 2 * HOUR, boot };
        assert_eq!(ClockSet::between(&before, &later), None);
        let set = ClockReading { wall_ms: 35 * HOUR, ..later };
        assert_eq!(ClockSet::between(&before, &set), Some(ClockSet { at_ms: 35 * HOUR, by_ms: 24 * HOUR }));
        assert_eq!(
            ClockSet::between(&before, &ClockReading { boot: Bytes16([2; 16]), ..set }),
            None,
            "another boot has another steady clock"
        );
    }
}
