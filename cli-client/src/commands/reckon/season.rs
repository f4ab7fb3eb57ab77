//! Which readings and days count for a machine's use: the arguments that `reckon usage` and `reckon due` share.

use shared::usage::{Between, Season};

use crate::exit::Failure;

/// A machine, and which days count for its use.
#[derive(Debug, clap::Args)]
pub(crate) struct SeasonArgs {
    /// The machine's tag, or the last digits of its id
    pub(super) machine: String,
    /// How many days back readings count
    #[arg(long, value_name = "N", default_value_t = Season::default().trailing_days)]
    days: u32,
    /// The first and last day of the season, or month, as in 3-15..10-31 or 4..10; outside it the machine stands [its property's, or the shop's]
    #[arg(long, value_name = "DAYS", value_parser = str::parse::<Between>)]
    season: Option<Between>,
}

impl SeasonArgs {
    /// The season, where it can be one.
    pub(super) fn season(&self) -> Result<Season, Failure> {
        let season = Season { trailing_days: self.days, between: self.season };
        season.check().map_err(|error| Failure::Given(error.to_string()))?;
        Ok(season)
    }
}
