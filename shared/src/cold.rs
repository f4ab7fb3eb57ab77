//! Whether "the engine is cold" still counts: it expires with time, and when the engine has run since.
//!
//! Ranges are for a cold engine. What a person said of it in the morning says nothing of it after lunch, or next week. Whatever
//! takes a reading in a visit asks [`Said::at`] first; a reading without a cold that counts is kept, and never in spec.

use serde::{Deserialize, Serialize};

/// How long a cold engine counts as cold after somebody said so, ms. Common practice, no source: one working day.
pub const LASTS_MS: i64 = 12 * 3_600_000;

/// What a person said of the engine, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Said {
    /// It is cold.
    pub cold: bool,
    /// When that was said, ms since 1970 UTC.
    pub at_ms: i64,
    /// The hour meter has moved since: the engine has run.
    pub ran_since: bool,
}

/// How cold the engine is for a reading. On the wire `{"engine":"cold"}` or `{"engine":"too-long-ago","hours":144}`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case", tag = "engine")]
pub enum Cold {
    /// Said to be cold, and that counts.
    Cold,
    /// Said not to be cold.
    Warm,
    /// Nobody has said how it is: no visit is open.
    NotSaid,
    /// Said to be cold, too long ago to count.
    TooLongAgo {
        /// Whole hours since.
        hours: u64,
    },
    /// Said to be cold, and run since.
    RanSince,
}

impl Said {
    /// Whether what was said counts at a time, ms since 1970 UTC. A time before the saying counts like one after it: a clock was
    /// set in between, and which of the two was right is not known.
    #[must_use]
    pub const fn at(&self, now_ms: i64) -> Cold {
        let since_ms = self.at_ms.abs_diff(now_ms);
        if !self.cold {
            Cold::Warm
        } else if self.ran_since {
            Cold::RanSince
        } else if since_ms > LASTS_MS.unsigned_abs() {
            Cold::TooLongAgo { hours: since_ms / 3_600_000 }
        } else {
            Cold::Cold
        }
    }
}

impl Cold {
    /// Whether a reading taken now is judged against the range.
    #[must_use]
    pub const fn counts(self) -> bool {
        matches!(self, Self::Cold)
    }

    /// Whether somebody said cold, and it is to be asked again.
    #[must_use]
    pub const fn expired(self) -> bool {
        matches!(self, Self::TooLongAgo { .. } | Self::RanSince)
    }

    /// Why a reading taken now is not judged, and what to do; empty where it is.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Cold => String::new(),
            Self::Warm => "The engine was said not to be cold. Let it cool, say so, and read again.".to_owned(),
            Self::NotSaid => "No visit of yours is open, so nobody has said that the engine is cold.".to_owned(),
            Self::TooLongAgo { hours } => {
                format!(
                    "The engine was said to be cold {hours} hours ago, which counts for 12. Feel it again, say how it is, and read again."
                )
            }
            Self::RanSince => {
                "The hour meter has moved since the engine was said to be cold. Feel it again, say how it is, and read again.".to_owned()
            }
        }
    }
}

/// Whether the engine has run, by what its hour meter showed since a time: hours on one scale, in the order of time.
///
/// One reading alone says nothing: what the meter showed before may be from long before the engine cooled.
#[must_use]
pub fn has_run(hours_since: impl IntoIterator<Item = crate::hours::Hours>) -> bool {
    let mut hours = hours_since.into_iter();
    let Some(first) = hours.next() else { return false };
    hours.any(|later| later > first)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hours::Hours;

    const HOUR_MS: i64 = 3_600_000;

    fn said(cold: bool, ran_since: bool) -> Said {
        Said { cold, at_ms: 1_790_000_000_000, ran_since }
    }

    fn after(hours: i64) -> Cold {
        said(true, false).at(1_790_000_000_000 + hours * HOUR_MS)
    }

    #[test]
    fn cold_counts_for_twelve_hours_and_not_six_days() {
        assert_eq!([after(0), after(12)], [Cold::Cold, Cold::Cold]);
        assert_eq!([after(13), after(144)], [Cold::TooLongAgo { hours: 13 }, Cold::TooLongAgo { hours: 144 }]);
        assert_eq!(said(true, false).at(1_790_000_000_000 + LASTS_MS + 1), Cold::TooLongAgo { hours: 12 });
        // The clock was set back in between.
        assert_eq!([after(-11), after(-13)], [Cold::Cold, Cold::TooLongAgo { hours: 13 }]);
        assert_eq!([after(i64::MIN / HOUR_MS / 2).counts(), after(144).expired()], [false, true]);
    }

    #[test]
    fn an_engine_that_ran_is_not_cold() {
        let now = 1_790_000_000_000;
        assert_eq!(said(true, true).at(now), Cold::RanSince);
        assert_eq!(said(false, true).at(now), Cold::Warm, "nobody said it was cold: there is nothing to expire");
        assert!(!Cold::Warm.expired() && !Cold::NotSaid.expired());
        let all = [Cold::Cold, Cold::Warm, Cold::NotSaid, after(13), Cold::RanSince];
        assert_eq!(all.map(Cold::counts), [true, false, false, false, false]);
        let h = Hours::from_tenths;
        assert!(!has_run([]) && !has_run([h(4_126)]) && !has_run([h(4_126), h(4_126)]));
        assert!(has_run([h(4_126), h(4_127)]) && has_run([h(4_126), h(4_126), h(4_130)]));
    }

    #[test]
    fn what_does_not_count_says_why() {
        assert!(after(144).words().starts_with("The engine was said to be cold 144 hours ago"));
        assert_eq!(Cold::Cold.words(), "");
    }
}
