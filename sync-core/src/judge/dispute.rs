//! Whether things said about one slot can all be so: asked of two, and of any number at once without comparing each with each.

use shared::hours::Hours;
use shared::length::Length;
use shared::record::Body;

/// Two hour readings may be so many tenths of an hour apart beyond what the clock between them allows.
const HOURS_APART: i64 = 2;

/// One of the things said about a slot.
#[derive(Debug, Clone, Copy)]
pub struct Said<'a> {
    /// What.
    pub body: &'a Body,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
    /// For an hour reading: tenths of an engine hour, where they are known.
    pub engine_hours: Option<i64>,
}

/// Whether two of them say what cannot both be so.
#[must_use]
pub fn disagree(a: Said<'_>, b: Said<'_>, tolerance: Length) -> bool {
    any_disagree(&[a, b], tolerance)
}

/// Whether any two of them say what cannot both be so; in O(n log n).
///
/// Clearances: brackets, widened by the tolerance, that do not overlap. Hours: more apart than the clock between them and
/// 0.2 h allow. Changes of the meter: other figures. Signatures and decisions agree with each other; any other kinds must say the same. All of a slot are of one kind.
#[must_use]
pub fn any_disagree(said: &[Said<'_>], tolerance: Length) -> bool {
    let mut said = said;
    while let Some((first, rest)) = said.split_first() {
        if rest.is_empty() {
            return false;
        }
        match first.body {
            Body::SignOff(_) | Body::Void(_) | Body::Ruling(_) | Body::FindingCleared(_) | Body::DeviceRevoked(_) | Body::DayClosed(_) => {
                said = rest;
            }
            Body::Clearance(_) => return clearances_disagree(said, tolerance),
            Body::Hours(_) => return hours_disagree(said),
            Body::MeterChange(_) => return rest.iter().any(|other| figures(other.body) != figures(first.body)),
            body => return rest.iter().any(|other| other.body != body),
        }
    }
    false
}

/// What a change of the meter adds to every reading after it goes by these alone.
const fn figures(body: &Body) -> Option<(Hours, Hours)> {
    match body {
        Body::MeterChange(change) => Some((change.old, change.new)),
        _ => None,
    }
}

/// Of brackets that all overlap in twos, the highest low end lies below the lowest high end.
fn clearances_disagree(said: &[Said<'_>], tolerance: Length) -> bool {
    let (mut highest_go, mut lowest_no_go) = (None::<Length>, None::<Length>);
    for one in said {
        let Body::Clearance(reading) = one.body else { return true };
        let Ok(bracket) = reading.bracket() else { return true };
        highest_go = highest_go.max(bracket.go());
        lowest_no_go = match (lowest_no_go, bracket.no_go()) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
    }
    highest_go.zip(lowest_no_go).is_some_and(|(go, no_go)| go.minus(tolerance) >= no_go.plus(tolerance))
}

/// In the order of time, hours must not fall below the most before them, nor rise faster than the clock since any before them:
/// of the latter the reading with the least of hours less clock is the strictest.
fn hours_disagree(said: &[Said<'_>]) -> bool {
    let tenth_ms = i128::from(shared::hours::MS_PER_TENTH_HOUR);
    let known = |one: &Said<'_>| Some((one.at_ms, one.engine_hours.filter(|_| matches!(one.body, Body::Hours(_)))?));
    let Some(mut shown) = said.iter().map(known).collect::<Option<Vec<(i64, i64)>>>() else { return true };
    shown.sort_unstable();
    let mut before: Option<(i128, i128)> = None;
    for (at_ms, tenths) in shown {
        let (tenths, at_ms) = (i128::from(tenths), i128::from(at_ms));
        let ahead_ms = tenths * tenth_ms - at_ms;
        if let Some((most, least_ahead_ms)) = before {
            let falls = tenths < most - i128::from(HOURS_APART);
            // Risen by more than the whole tenths that the clock allows, and the allowance.
            let races = ahead_ms - i128::from(HOURS_APART) * tenth_ms > least_ahead_ms;
            if falls || races {
                return true;
            }
        }
        before = Some(before.map_or((tenths, ahead_ms), |(most, least)| (most.max(tenths), least.min(ahead_ms))));
    }
    false
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use shared::hours::MS_PER_TENTH_HOUR;
    use shared::record::{Clearance, HourReading, Note, SignOff, Stage};

    use super::*;

    /// The rule in the design's words, of two.
    fn two(a: &Said<'_>, b: &Said<'_>, tolerance: Length) -> bool {
        match (a.body, b.body) {
            (Body::Clearance(x), Body::Clearance(y)) => match (x.bracket(), y.bracket()) {
                (Ok(x), Ok(y)) => !x.overlaps(&y, tolerance),
                _ => true,
            },
            (Body::Hours(_), Body::Hours(_)) => match (a.engine_hours, b.engine_hours) {
                (Some(x), Some(y)) => {
                    let ((t0, h0), (t1, h1)) = if a.at_ms <= b.at_ms { ((a.at_ms, x), (b.at_ms, y)) } else { ((b.at_ms, y), (a.at_ms, x)) };
                    h1 - h0 < -2 || h1 - h0 > (t1 - t0) / MS_PER_TENTH_HOUR + 2
                }
                _ => true,
            },
            (Body::SignOff(_), _) => false,
            (x, y) => x != y,
        }
    }

    fn clearance() -> impl Strategy<Value = (Body, i64, Option<i64>)> {
        (prop::option::of(1..9_i64), prop::option::of(1..9_i64)).prop_map(|(go, no_go)| {
            let leaf = |l: Option<i64>| l.map(Length::from_thou);
            let valve = "1I".parse().unwrap();
            let (stage, leaves) = (Stage::Found, Vec::new());
            let reading = Clearance {
                valve,
                stage,
                go: leaf(go),
                no_go: leaf(no_go),
                leaves,
                cold: true,
                engine_tenth_c: None,
                adjusted: false,
                visit: None,
            };
            (reading.into(), 0, None)
        })
    }

    fn hours() -> impl Strategy<Value = (Body, i64, Option<i64>)> {
        (0..12_i64, 0..7_i64, prop::option::weighted(0.95, 0..9_i64)).prop_map(|(steps, off, tenths)| {
            let body = HourReading { meter: Hours::from_tenths(0), visit: None };
            (body.into(), steps * MS_PER_TENTH_HOUR / 2 + off, tenths)
        })
    }

    fn other() -> impl Strategy<Value = (Body, i64, Option<i64>)> {
        let note = |text: &str| Body::from(Note { text: text.to_owned(), visit: None });
        let signed = |remark: &str| {
            Body::from(SignOff { visit: shared::ids::RecordId::from_bytes([1; 16]), complete: true, remark: remark.to_owned() })
        };
        prop_oneof![4 => Just(note("a")), 1 => Just(note("b")), 2 => Just(signed("a")), 1 => Just(signed("b"))]
            .prop_map(|body| (body, 0, None))
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1024))]
        #[test]
        fn any_number_is_judged_as_every_two_are(
            said in prop_oneof![
                4 => prop::collection::vec(clearance(), 0..6),
                4 => prop::collection::vec(hours(), 0..6),
                1 => prop::collection::vec(other(), 0..5),
                1 => prop::collection::vec(prop_oneof![clearance(), hours(), other()], 0..4),
            ],
            tolerance in 0..600_i64,
        ) {
            let tolerance = Length::from_tenth_um(tolerance);
            let said: Vec<Said<'_>> = said.iter().map(|(body, at_ms, engine_hours)| Said { body, at_ms: *at_ms, engine_hours: *engine_hours }).collect();
            let by_twos = said.iter().enumerate().any(|(n, a)| said[n + 1..].iter().any(|b| two(a, b, tolerance)));
            prop_assert_eq!(any_disagree(&said, tolerance), by_twos);
        }
    }
}
