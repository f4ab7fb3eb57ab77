//! What people type, as quantities: leaves with their stacks, a temperature, a slot.

use shared::length::{Length, LengthUnit};
use shared::record::Stage;
use shared::slot::Slot;
use shared::valve::Valve;

use crate::exit::Failure;

/// The two leaves of a reading, and the single leaves where any were stacked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Leaves {
    pub(crate) go: Option<Length>,
    pub(crate) no_go: Option<Length>,
    pub(crate) single: Vec<Length>,
}

impl Leaves {
    /// Reads `5/6` (5 goes, 6 does not), `5/` (5 goes), `/6` (6 does not go). A stack is written `3+2`.
    pub(crate) fn short(text: &str, unit: LengthUnit) -> Result<Self, Failure> {
        let (go, no_go) = text
            .split_once('/')
            .ok_or_else(|| Failure::Given(format!("\"{text}\" does not say which leaf goes: write 5/6 (5 goes, 6 does not), 5/ or /6")))?;
        let some = |side: &str| Some(side.trim().to_owned()).filter(|side| !side.is_empty());
        Self::of(some(go).as_deref(), some(no_go).as_deref(), unit)
    }

    /// Reads the two leaves apart.
    pub(crate) fn of(go: Option<&str>, no_go: Option<&str>, unit: LengthUnit) -> Result<Self, Failure> {
        let mut leaves = Self::default();
        leaves.go = go.map(|text| leaves.stack(text, unit)).transpose()?;
        leaves.no_go = no_go.map(|text| leaves.stack(text, unit)).transpose()?;
        Ok(leaves)
    }

    /// One leaf, or several stacked, as one thickness.
    fn stack(&mut self, text: &str, unit: LengthUnit) -> Result<Length, Failure> {
        let single = text.split('+').map(|leaf| Length::parse(leaf, unit)).collect::<Result<Vec<_>, _>>();
        let single = single.map_err(|error| Failure::Given(error.to_string()))?;
        let thickness = single.iter().fold(Length::ZERO, |sum, leaf| sum.plus(*leaf));
        if single.len() > 1 {
            self.single.extend(single);
        }
        Ok(thickness)
    }
}

/// A temperature in degrees Celsius with at most one decimal, as tenths.
pub(crate) fn tenth_c(text: &str) -> Result<i32, String> {
    let wrong = || format!("\"{text}\" is not a temperature: write degrees Celsius with at most one decimal, as in 18.5");
    let (negative, digits) = text.trim().strip_prefix('-').map_or((false, text.trim()), |rest| (true, rest));
    let (whole, fraction) = digits.split_once(['.', ',']).unwrap_or((digits, "0"));
    let all_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if !all_digits(whole) || !all_digits(fraction) || whole.len() > 4 || fraction.len() > 1 {
        return Err(wrong());
    }
    let tenths: i32 = format!("{whole}{fraction}").parse().map_err(|_| wrong())?;
    Ok(if negative { -tenths } else { tenths })
}

/// A slot as people name it: `1I found`, `hours`, `machine card`; or its own name.
pub(crate) fn slot(text: &str) -> Slot {
    let mut words = text.split_whitespace();
    if let (Some(valve), Some(stage), None) = (words.next(), words.next(), words.next())
        && let (Ok(valve), Ok(stage)) = (valve.parse::<Valve>(), stage.parse::<Stage>())
    {
        return Slot::lash(valve, stage);
    }
    match text.trim().to_ascii_lowercase().as_str() {
        "hours" | "hour meter" => Slot::hours(),
        "card" | "machine card" => Slot("machine".to_owned()),
        _ => Slot(text.trim().to_owned()),
    }
}

/// What can be read in a command's arguments, or a failure that says why not.
pub(crate) fn read<T: std::str::FromStr>(text: &str) -> Result<T, Failure>
where
    T::Err: std::fmt::Display,
{
    text.parse().map_err(|error: T::Err| Failure::Given(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_leaves() {
        let read = |text| Leaves::short(text, LengthUnit::Thou);
        let thou = |n| Some(Length::from_thou(n));
        assert_eq!(read("5/6").unwrap(), Leaves { go: thou(5), no_go: thou(6), single: vec![] });
        assert_eq!(read("5/").unwrap(), Leaves { go: thou(5), no_go: None, single: vec![] });
        assert_eq!(read(" / 6").unwrap(), Leaves { go: None, no_go: thou(6), single: vec![] });
        let stacked = read("3+2/6").unwrap();
        assert_eq!((stacked.go, stacked.single), (thou(5), vec![Length::from_thou(3), Length::from_thou(2)]));
        for bad in ["5", "five/6", "5/6/7", "3+/6", "5//6"] {
            assert!(matches!(read(bad), Err(Failure::Given(_))), "{bad}");
        }
    }

    #[test]
    fn temperatures() {
        assert_eq!(tenth_c("18.5"), Ok(185));
        assert_eq!(tenth_c("-4"), Ok(-40));
        for bad in ["", "warm", "1.25", "99999", "-", "."] {
            assert!(tenth_c(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn slots() {
        assert_eq!(slot("1i  Found").0, "lash/1I/found");
        assert_eq!(slot("hours"), Slot::hours());
        assert_eq!(slot("lash/2E/left").0, "lash/2E/left");
    }
}
