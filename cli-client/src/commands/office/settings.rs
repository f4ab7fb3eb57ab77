//! `tappet office settings`: the shop's name, zone, conflict window and leaf tolerance.

use shared::length::Length;
use sync_core::work::Settings;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;
use crate::show::{self, Table};

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
}

impl SettingsArgs {
    pub(super) const fn writes(&self) -> bool {
        self.name.is_some() || self.time_zone.is_some() || self.conflict_window_min.is_some() || self.leaf_tolerance.is_some()
    }
}

pub(super) fn run(args: &SettingsArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let mut shop = session.book.roster()?.settings.clone();
    if args.writes() {
        let leaf_tolerance_tenth_um = match &args.leaf_tolerance {
            Some(text) => Some(tolerance(text, session)?),
            None => None,
        };
        let change = Settings {
            name: args.name.clone(),
            time_zone: args.time_zone.clone(),
            conflict_window_min: args.conflict_window_min,
            leaf_tolerance_tenth_um,
        };
        shop = session.book.change_settings(change, &mut session.env.hand(None))?;
    }
    let mut table = Table::new(&[]);
    table.row(["Shop", &shop.name]);
    table.row(["Time zone", &shop.time_zone]);
    table.row(["Conflict window", &format!("{} min", shop.conflict_window_min)]);
    table.row(["Leaf tolerance", &Length::from_tenth_um(i64::from(shop.leaf_tolerance_tenth_um)).show(session.unit)]);
    let text = table.text(show::width(session.env));
    Outcome::new(&shop, text)
}

fn tolerance(text: &str, session: &Session<'_, '_>) -> Result<u32, Failure> {
    let length = Length::parse(text, session.unit).map_err(|error| Failure::Given(error.to_string()))?;
    u32::try_from(length.tenth_um()).map_err(|_| Failure::Given(format!("\"{text}\" is no tolerance: it is zero or more")))
}
