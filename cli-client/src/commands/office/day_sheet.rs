//! `tappet office day-sheet`: one day at the shop, from the server; from this book where the server cannot be asked.

use jiff::civil::Date;
use serde_json::Value;

use crate::exit::Failure;
use crate::outcome::{Outcome, to_json};
use crate::parse;
use crate::render;
use crate::session::Session;
use crate::sync;

/// Arguments of `day-sheet`.
#[derive(Debug, clap::Args)]
pub(super) struct DaySheetArgs {
    /// Which day, as in 2026-04-29 [today where none is given]
    #[arg(long, value_name = "DAY", value_parser = parse::day)]
    day: Option<Date>,
}

pub(super) fn run(args: &DaySheetArgs, there: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let from_shop = if there { Some(ask_shop(args, session)).transpose() } else { Ok(None) };
    let (sheet, local) = match from_shop {
        Ok(Some(sheet)) => (sheet, false),
        Ok(None) | Err(Failure::ShopAway(_)) => (of_this_book(args, session)?, true),
        Err(failure) => return Err(failure),
    };
    let mut text = render::day_sheet::screen(&sheet, !local, session)?;
    if local {
        let note =
            "This is the day as this book knows it: when devices were at the shop, and what waits in its quarantine, only the shop knows.";
        text = format!("{text}\n\n{}", render::wrapped(note, render::width(session.env)));
    }
    Outcome::new(&sheet, text)?.with("from", if local { &"this book" } else { &"the shop" })
}

fn ask_shop(args: &DaySheetArgs, session: &mut Session<'_, '_>) -> Result<Value, Failure> {
    let mut transport = sync::transport(session)?;
    let unit = session.unit.name();
    let path = match args.day {
        Some(day) => format!("/v1/day-sheet?day={day}&unit={unit}"),
        None => format!("/v1/day-sheet?unit={unit}"),
    };
    sync::in_my_name(session, &mut transport, |transport, token| transport.get_json(&path, token))
}

fn of_this_book(args: &DaySheetArgs, session: &mut Session<'_, '_>) -> Result<Value, Failure> {
    let now = session.env.now();
    to_json(&session.book.days().day_sheet(args.day, session.unit, &now)?)
}
