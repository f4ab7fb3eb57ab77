//! What an implausible hour reading was most likely meant to be: one slip of the finger undone.

use serde::{Deserialize, Serialize};

use crate::hours::{Hours, MS_PER_TENTH_HOUR};

/// A slip of the finger in writing down an hour meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Slip {
    /// The point was left out: 1523.4 entered as 15234.
    DecimalDropped,
    /// A point was put in: 1523 entered as 152.3.
    DecimalAdded,
    /// Two neighbouring digits changed places: 1523.4 entered as 1532.4.
    DigitsSwapped,
    /// A digit too many before the point: 1523.4 entered as 15523.4.
    DigitExtra,
    /// A digit too few before the point: 1523.4 entered as 153.4.
    DigitMissing,
}

impl Slip {
    /// Every slip, in the order in which they are looked for.
    pub const ALL: [Self; 5] = [Self::DecimalDropped, Self::DecimalAdded, Self::DigitsSwapped, Self::DigitExtra, Self::DigitMissing];

    /// The slip in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::DecimalDropped => "the decimal point left out",
            Self::DecimalAdded => "a decimal point put in",
            Self::DigitsSwapped => "two digits swapped",
            Self::DigitExtra => "a digit too many",
            Self::DigitMissing => "a digit left out",
        }
    }

    /// Every reading that this slip could have turned into the digits entered, last digit tenths.
    fn undone(self, digits: &[u8]) -> Vec<Vec<u8>> {
        let whole = digits.len().saturating_sub(1);
        match self {
            Self::DecimalDropped if digits.last() == Some(&0) => vec![digits[..whole].to_vec()],
            Self::DecimalDropped => Vec::new(),
            Self::DecimalAdded => vec![[digits, &[0]].concat()],
            Self::DigitsSwapped => (1..digits.len())
                .map(|at| {
                    let mut swapped = digits.to_vec();
                    swapped.swap(at - 1, at);
                    swapped
                })
                .collect(),
            Self::DigitExtra => (0..whole).map(|at| [&digits[..at], &digits[at + 1..]].concat()).collect(),
            Self::DigitMissing => {
                let put = |at: usize, digit: u8| [&digits[..at], &[digit], &digits[at..]].concat();
                (0..=whole).flat_map(|at| (0..=9).map(move |digit| put(at, digit))).collect()
            }
        }
    }
}

/// What `entered` was most likely meant to be: the reading from `low` to `high`, both included, that one slip turns
/// into it. Slips are looked for in the order of [`Slip::ALL`]; where one slip allows several readings, the least of
/// them, because an engine runs far less than the clock. From experience of typing, no source.
///
/// `None` where no single slip explains it, where it lies in the interval itself, or where it is below zero.
#[must_use]
pub fn likely_slip(entered: Hours, low: Hours, high: Hours) -> Option<(Hours, Slip)> {
    if entered.tenths() < 0 || (low <= entered && entered <= high) {
        return None;
    }
    // Two digits at the least, so that there is always one before the point.
    let digits: Vec<u8> = format!("{:02}", entered.tenths()).bytes().map(|byte| byte - b'0').collect();
    Slip::ALL.into_iter().find_map(|slip| {
        let meant = slip.undone(&digits).into_iter().filter_map(|digits| reading(&digits));
        meant.filter(|meant| low <= *meant && *meant <= high).min().map(|meant| (meant, slip))
    })
}

/// Whether a reading lower than an earlier one is best explained by a replaced meter: one that began at zero after the earlier
/// reading shows at most the hours that have passed since. A used meter, which begins higher, is not seen. From what a meter can
/// do, no source.
#[must_use]
pub fn likely_replaced(earlier: Hours, earlier_ms: i64, later: Hours, later_ms: i64) -> bool {
    let passed = i128::from(later_ms) - i128::from(earlier_ms);
    later < earlier && i128::from(later.tenths()) * i128::from(MS_PER_TENTH_HOUR) <= passed + i128::from(MS_PER_TENTH_HOUR)
}

/// The reading of these digits; `None` where nobody would write it so (a leading zero) or no meter shows it.
fn reading(digits: &[u8]) -> Option<Hours> {
    if matches!(digits, [0, _, _, ..]) {
        return None;
    }
    let tenths = digits.iter().try_fold(0i64, |sum, digit| sum.checked_mul(10)?.checked_add(i64::from(*digit)))?;
    (tenths <= Hours::MOST.tenths()).then_some(Hours::from_tenths(tenths))
}
