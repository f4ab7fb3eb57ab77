//! `tappet office settings`: the shop's name, zone, conflict window and leaf tolerance.

use shared::engine_card::Interval;
use shared::length::{Length, LengthUnit};
use shared::sensible::UNCERTAINTY;
use shared::usage::Between;
use sync_core::commands::Settings;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::render::{self, Table};
use crate::session::Session;

/// Arguments of `settings`. What is not named stays; without any, the settings are shown.
#[derive(Debug, clap::Args)]
pub(super) struct SettingsArgs {
    /// The shop's name
    #[arg(long)]
    name: Option<String>,
    /// IANA name of its time zone, as in Europe/Oslo
    #[arg(long, value_name = "ZONE")]
    time_zone: Option<String>,
    /// Readings that lie further apart than this are history to each other, in minutes
    #[arg(long, value_name = "N")]
    conflict_window_min: Option<u32>,
    /// What a leaf may be off by when readings are compared, with its unit or in yours
    #[arg(long, value_name = "L")]
    leaf_tolerance: Option<String>,
    /// Standard uncertainty of the feel of one leaf, from repeat readings of your own; 0 where it is not known
    #[arg(long, value_name = "L")]
    feel: Option<String>,
    /// The unit on the shop's pages and papers: thou, in or mm
    #[arg(long, value_name = "UNIT", value_parser = crate::args::unit)]
    shown_in: Option<LengthUnit>,
    /// How sure a reading must make of a range before it proves anything, in per cent
    #[arg(long, value_name = "PERCENT", value_parser = parse::level)]
    level: Option<f64>,
    /// Check commercial machines at least so often, as in 100h, 6mo or 100h,6mo; none for by their cards alone
    #[arg(long, value_name = "OFTEN", value_parser = parse::interval)]
    commercial: Option<Interval>,
    /// The same of homeowners' machines
    #[arg(long, value_name = "OFTEN", value_parser = parse::interval)]
    homeowner: Option<Interval>,
    /// When machines are in use, as in 4..10 for April to October; 1..12 for all year
    #[arg(long, value_name = "MONTHS", value_parser = str::parse::<Between>)]
    season: Option<Between>,
}

impl SettingsArgs {
    pub(super) const fn writes(&self) -> bool {
        let told = self.name.is_some() || self.time_zone.is_some() || self.conflict_window_min.is_some() || self.leaf_tolerance.is_some();
        told || self.feel.is_some()
            || self.shown_in.is_some()
            || self.level.is_some()
            || self.commercial.is_some()
            || self.homeowner.is_some()
            || self.season.is_some()
    }
}

pub(super) fn run(args: &SettingsArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let mut shop = session.book.roster()?.settings.clone();
    if args.writes() {
        let leaf_tolerance_tenth_um = match &args.leaf_tolerance {
            Some(text) => Some(tolerance(text, session)?),
            None => None,
        };
        let feel_tenth_um = match &args.feel {
            Some(text) => Some(tolerance(text, session)?),
            None => None,
        };
        let change = Settings {
            name: args.name.clone(),
            time_zone: args.time_zone.clone(),
            conflict_window_min: args.conflict_window_min,
            leaf_tolerance_tenth_um,
            feel_tenth_um,
            unit: args.shown_in,
            conformance_milli: args.level.map(milli),
            commercial: args.commercial,
            homeowner: args.homeowner,
            season: args.season.map(Some),
        };
        shop = session.book.author().change_settings(change, &mut session.env.hand(None))?;
    }
    let mut table = Table::new(&[]);
    table.row(["Shop", &shop.name]);
    table.row(["Time zone", &shop.time_zone]);
    table.row(["Conflict window", &format!("{} min", shop.conflict_window_min)]);
    table.row(["Leaf tolerance", &Length::from_tenth_um(i64::from(shop.leaf_tolerance_tenth_um)).show(session.unit)]);
    let feel = Length::from_tenth_um(i64::from(shop.feel_tenth_um));
    table.row(["Feel of a leaf", &if feel == Length::ZERO { "not stated".to_owned() } else { feel.show(session.unit) }]);
    table.row(["Pages and papers in", shop.unit.name()]);
    table.row(["Proof at", &format!("{} %", f64::from(shop.conformance_milli) / 10.0)]);
    table.row(["Commercial machines", &often(shop.commercial)]);
    table.row(["Homeowners' machines", &often(shop.homeowner)]);
    table.row(["In use", &shop.season.map_or_else(|| "all year".to_owned(), |season| season.to_string())]);
    let text = table.text(render::width(session.env));
    Outcome::new(&shop, text)
}

fn often(interval: Interval) -> String {
    match (interval.hours, interval.months) {
        (None, None) => "by their cards".to_owned(),
        (Some(hours), None) => format!("every {hours} h, or by their cards if sooner"),
        (None, Some(months)) => format!("every {months} months, or by their cards if sooner"),
        (Some(hours), Some(months)) => format!("every {hours} h and every {months} months, or by their cards if sooner"),
    }
}

/// A level in thousandths.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a level lies between 0.5 and 1")]
fn milli(level: f64) -> u32 {
    (level * 1000.0).round() as u32
}

fn tolerance(text: &str, session: &mut Session<'_, '_>) -> Result<u32, Failure> {
    let length = session.length(text, &UNCERTAINTY)?;
    u32::try_from(length.tenth_um()).map_err(|_| Failure::Given(format!("\"{text}\" is no tolerance: it is zero or more")))
}
