//! An engine card from flags: ranges as 4-6, threads as M6x1 or 1/4-28, a ratio as 1.3.

use shared::engine_card::{Adjuster, EngineCard, Interval, Range, Rocker, Source, Thread};
use shared::ids::CardId;
use shared::length::LengthUnit;

use crate::exit::Failure;
use crate::given::{length, ratio_milli, thousandths};

/// What `card add` takes.
#[derive(Debug, clap::Args)]
pub(super) struct CardFlags {
    /// What the shop calls this engine type
    #[arg(long)]
    name: String,
    /// How many cylinders
    #[arg(long, value_name = "N")]
    cylinders: u8,
    /// Intake range, engine cold, as in 4-6 or 0.10mm-0.15mm
    #[arg(long, value_name = "LOW-HIGH")]
    intake: String,
    /// Exhaust range, engine cold
    #[arg(long, value_name = "LOW-HIGH")]
    exhaust: String,
    /// The clearance to set on the intake side, where one is named
    #[arg(long, value_name = "L")]
    aim_intake: Option<String>,
    /// The clearance to set on the exhaust side, where one is named
    #[arg(long, value_name = "L")]
    aim_exhaust: Option<String>,
    /// The manual that it was read in; a card without a source is never judged against
    #[arg(long, value_name = "TITLE", requires = "source_page")]
    source_manual: Option<String>,
    /// The page or clause
    #[arg(long, value_name = "PAGE", requires = "source_manual")]
    source_page: Option<String>,
    /// Engine hours between checks, commercial duty
    #[arg(long, value_name = "H")]
    hours: Option<u32>,
    /// Months between checks, commercial duty
    #[arg(long, value_name = "N")]
    months: Option<u32>,
    /// Engine hours between checks, homeowner duty [as commercial where neither is given]
    #[arg(long, value_name = "H")]
    homeowner_hours: Option<u32>,
    /// Months between checks, homeowner duty
    #[arg(long, value_name = "N")]
    homeowner_months: Option<u32>,
    /// The adjuster's thread, as in M6x1 or 1/4-28
    #[arg(long, requires_all = ["rocker", "ratio"])]
    thread: Option<String>,
    /// Where the adjuster sits: stud-pivot, push-rod-screw or valve-screw
    #[arg(long, value_parser = rocker, requires = "thread")]
    rocker: Option<Rocker>,
    /// Rocker ratio, valve-side arm over push-rod-side arm, as in 1.3
    #[arg(long, requires = "thread")]
    ratio: Option<String>,
    /// How far past top dead center the piston is when checked, for an engine with compression release
    #[arg(long, value_name = "L")]
    past_tdc: Option<String>,
}

impl CardFlags {
    /// The card's name.
    pub(super) fn name(&self) -> &str {
        &self.name
    }

    /// The card that the flags make.
    pub(super) fn card(&self, card: CardId, unit: LengthUnit) -> Result<EngineCard, Failure> {
        let commercial = Interval { hours: self.hours, months: self.months };
        let homeowner = Interval { hours: self.homeowner_hours, months: self.homeowner_months };
        let unsaid = homeowner.hours.is_none() && homeowner.months.is_none();
        let source = self.source_manual.clone().zip(self.source_page.clone()).map(|(manual, page)| Source { manual, page });
        let adjuster = match (&self.thread, self.rocker, &self.ratio) {
            (Some(thread_given), Some(rocker), Some(ratio)) => {
                Some(Adjuster { thread: thread(thread_given)?, rocker, ratio_milli: ratio_milli(ratio).map_err(Failure::Given)? })
            }
            _ => None,
        };
        Ok(EngineCard {
            card,
            name: self.name().trim().to_owned(),
            cylinders: self.cylinders,
            intake: range("intake", &self.intake, self.aim_intake.as_deref(), unit)?,
            exhaust: range("exhaust", &self.exhaust, self.aim_exhaust.as_deref(), unit)?,
            source,
            commercial,
            homeowner: if unsaid { commercial } else { homeowner },
            adjuster,
            past_tdc: self.past_tdc.as_deref().map(|text| length(text, unit)).transpose()?,
        })
    }
}

/// Reads `4-6`; a unit on one end holds for the other.
fn range(side: &str, text: &str, aim: Option<&str>, unit: LengthUnit) -> Result<Range, Failure> {
    let wrong = || Failure::Given(format!("\"{text}\" is not the {side} range: write both ends, as in 4-6 or 0.10mm-0.15mm"));
    let (low, high) = text.split_once('-').ok_or_else(wrong)?;
    let named = |end: &str| end.trim().trim_start_matches(|c: char| c.is_ascii_digit() || ".,".contains(c)).trim().to_owned();
    let (low_unit, high_unit) = (named(low), named(high));
    let low_unit = if low_unit.is_empty() { high_unit.clone() } else { String::new() };
    let high_unit = if high_unit.is_empty() { named(low) } else { String::new() };
    Ok(Range {
        low: length(&format!("{}{low_unit}", low.trim()), unit)?,
        high: length(&format!("{}{high_unit}", high.trim()), unit)?,
        aim: aim.map(|aim| length(aim, unit)).transpose()?,
    })
}

/// Reads `M6x1` (metric, pitch in mm) or `1/4-28` (threads in one inch).
fn thread(text: &str) -> Result<Thread, Failure> {
    let wrong = || Failure::Given(format!("\"{text}\" is not a thread: write M6x1 (pitch in mm) or 1/4-28 (threads per inch)"));
    let given = text.trim().to_ascii_lowercase();
    if let Some((_, pitch)) = given.strip_prefix('m').and_then(|rest| rest.split_once('x')) {
        return thousandths(pitch).map(Thread::PitchUm).ok_or_else(wrong);
    }
    let (_, count) = given.rsplit_once('-').ok_or_else(wrong)?;
    count.trim().parse().map(Thread::PerInch).map_err(|_| wrong())
}

fn rocker(text: &str) -> Result<Rocker, String> {
    match text.trim().to_ascii_lowercase().as_str() {
        "stud-pivot" => Ok(Rocker::StudPivot),
        "push-rod-screw" => Ok(Rocker::PushRodScrew),
        "valve-screw" => Ok(Rocker::ValveScrew),
        _ => Err("an adjuster is a stud-pivot, a push-rod-screw or a valve-screw".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_in_either_unit() {
        let read = |text| range("intake", text, None, LengthUnit::Thou).map(|r| (r.low.tenth_um(), r.high.tenth_um()));
        assert_eq!(read("4-6").unwrap(), (1016, 1524));
        assert_eq!(read("0.10-0.15mm").unwrap(), (1000, 1500));
        assert_eq!(read("0.10 mm - 0.15 mm").unwrap(), (1000, 1500));
        for bad in ["", "4", "4 to 6", "-6", "a-b"] {
            assert!(matches!(read(bad), Err(Failure::Given(_))), "{bad}");
        }
    }

    #[test]
    fn threads_and_ratios() {
        assert_eq!(thread("M6x1").unwrap(), Thread::PitchUm(1000));
        assert_eq!(thread("m5x0.8").unwrap(), Thread::PitchUm(800));
        assert_eq!(thread("1/4-28").unwrap(), Thread::PerInch(28));
        for bad in ["", "M6", "M6x", "28", "1/4-", "1/4-x"] {
            assert!(thread(bad).is_err(), "{bad}");
        }
        assert_eq!(ratio_milli("1.3").unwrap(), 1300);
        assert!(ratio_milli("1.2345").is_err());
    }
}
