//! An engine card from flags: ranges as 4-6, threads as M6x1 or 1/4-28, a ratio as 1.3.

use shared::engine_card::table::far_tenths;
use shared::engine_card::{Adjuster, EngineCard, Firing, Ignition, Interval, Range, Rocker, Said, Source, Thread};
use shared::entry;
use shared::ids::CardId;
use shared::sensible::{PAST_TDC, RANGE_LIMIT};

use crate::exit::Failure;
use crate::session::Session;

/// What `card add` takes.
#[derive(Debug, clap::Args)]
pub(super) struct CardFlags {
    /// What the shop calls this engine type
    #[arg(long)]
    name: String,
    /// How many cylinders
    #[arg(long, value_name = "N")]
    cylinders: u8,
    /// Intake range, engine cold, as the manual says it: 4-6, .004-.006, 0.10mm-0.15mm, "5 ± 1", or one figure as in 5
    #[arg(long, value_name = "RANGE", required_unless_present = "hydraulic")]
    intake: Option<String>,
    /// Exhaust range, engine cold
    #[arg(long, value_name = "RANGE", required_unless_present = "hydraulic")]
    exhaust: Option<String>,
    /// Hydraulic lash: nothing is set and no leaf is tried; the check is to listen, and is due by hours and months
    #[arg(long, conflicts_with_all = ["intake", "exhaust", "aim_intake", "aim_exhaust", "thread", "past_tdc", "past_tdc_degrees"])]
    hydraulic: bool,
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
    #[arg(long, requires_all = ["rocker", "ratio"], value_parser = entry::thread)]
    thread: Option<Thread>,
    /// What is turned: rocker-stud-nut, push-rod-end-screw or valve-end-screw
    #[arg(long, value_parser = rocker, requires = "thread")]
    rocker: Option<Rocker>,
    /// Rocker ratio, valve-side arm over push-rod-side arm, as in 1.3
    #[arg(long, requires = "thread", value_parser = entry::ratio_milli)]
    ratio: Option<u32>,
    /// How far the piston is down past top dead center when checked, as in "1/4 in.", for an engine with compression release
    #[arg(long, value_name = "L")]
    past_tdc: Option<String>,
    /// The same in degrees of the crank, where the manual says degrees
    #[arg(long, value_name = "DEG", value_parser = entry::past_tdc_tenth_deg)]
    past_tdc_degrees: Option<u32>,
    /// In which order the cylinders fire, as in 1-3-4-2
    #[arg(long, value_name = "ORDER", requires = "firing_degrees")]
    firing_order: Option<String>,
    /// How far from each to the next, degrees of the crank, together 720: 180, or 270-450
    #[arg(long, value_name = "DEG", requires = "firing_order")]
    firing_degrees: Option<String>,
    /// How it fires, spark or compression (a diesel): the cautions follow from it
    #[arg(long)]
    ignition: Option<Ignition>,
    /// How far outside a range a reading is asked about before anything is turned, in widths of the range, as in 1.5 [2]
    #[arg(long, value_name = "N", value_parser = far_tenths)]
    far_widths: Option<u32>,
}

impl CardFlags {
    /// The card's name.
    pub(super) fn name(&self) -> &str {
        &self.name
    }

    /// The card that the flags make.
    pub(super) fn card(&self, card: CardId, session: &mut Session<'_, '_>) -> Result<EngineCard, Failure> {
        let commercial = Interval { hours: self.hours, months: self.months };
        let homeowner = Interval { hours: self.homeowner_hours, months: self.homeowner_months };
        let unsaid = homeowner.hours.is_none() && homeowner.months.is_none();
        let source = self.source_manual.clone().zip(self.source_page.clone()).map(|(manual, page)| Source { manual, page });
        let adjuster = match (&self.thread, self.rocker, &self.ratio) {
            (Some(thread), Some(rocker), Some(ratio)) => Some(Adjuster { thread: *thread, rocker, ratio_milli: *ratio }),
            _ => None,
        };
        let (intake, intake_said) = range(self.intake.as_deref(), self.aim_intake.as_deref(), session)?.unzip();
        let (exhaust, exhaust_said) = range(self.exhaust.as_deref(), self.aim_exhaust.as_deref(), session)?.unzip();
        let firing = self.firing_order.as_deref().zip(self.firing_degrees.as_deref());
        let firing = firing.map(|(order, degrees)| Firing::read(order, degrees)).transpose();
        Ok(EngineCard {
            card,
            name: self.name().trim().to_owned(),
            cylinders: self.cylinders,
            hydraulic: self.hydraulic,
            intake,
            exhaust,
            intake_said: intake_said.flatten(),
            exhaust_said: exhaust_said.flatten(),
            source,
            commercial,
            homeowner: if unsaid { commercial } else { homeowner },
            adjuster,
            past_tdc: self.past_tdc.as_deref().map(|text| session.length(text, &PAST_TDC)).transpose()?,
            past_tdc_tenth_deg: self.past_tdc_degrees,
            firing: firing.map_err(|error| Failure::Given(error.to_string()))?,
            ignition: self.ignition,
            far_tenths: self.far_widths,
        })
    }
}

/// A range, with the clearance to set where one is named or the manual says a figure, and how the manual says it.
fn range(text: Option<&str>, aim: Option<&str>, session: &mut Session<'_, '_>) -> Result<Option<(Range, Option<Said>)>, Failure> {
    let Some(text) = text else { return Ok(None) };
    let span = session.span(text)?;
    let aim = aim.map(|aim| session.length(aim, &RANGE_LIMIT)).transpose()?;
    Ok(Some((Range { low: span.low, high: span.high, aim: aim.or(span.middle) }, span.said)))
}

fn rocker(text: &str) -> Result<Rocker, String> {
    let found = Rocker::ALL.into_iter().find(|rocker| rocker.name().eq_ignore_ascii_case(text.trim()));
    found.ok_or_else(|| "what is turned is a rocker-stud-nut, a push-rod-end-screw or a valve-end-screw".to_owned())
}
