//! This computer's own time and chance, for tests with the real programs.

use std::time::{SystemTime, UNIX_EPOCH};

use sync_core::moment::Moment;

pub(crate) fn chance(buffer: &mut [u8]) {
    getrandom::fill(buffer).unwrap();
}

pub(crate) fn now() -> Moment {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    Moment::at(i64::try_from(since.as_millis()).unwrap())
}
