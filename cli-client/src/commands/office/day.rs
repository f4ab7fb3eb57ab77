//! `tappet office close-day`, `closed-days` and `evening`: closing a day, and what was known when it was closed.

use jiff::civil::Date;
use serde_json::json;
use sync_core::queries::bounds::MOST_DAYS_TOLD;

use super::FindArgs;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::render::{self, Table};
use crate::session::Session;

/// The most closed days that are listed where none is sought.
const MOST_LISTED: usize = 60;

/// Arguments of `close-day`.
#[derive(Debug, clap::Args)]
pub(super) struct CloseArgs {
    /// Which day, as in 2026-04-29 [today where none is given]
    #[arg(long, value_name = "DAY", value_parser = parse::day)]
    day: Option<Date>,
    /// Why the day is closed with something still open
    #[arg(long, value_name = "TEXT", default_value = "", hide_default_value = true)]
    left_open: String,
}

/// Arguments of `evening`.
#[derive(Debug, clap::Args)]
pub(super) struct EveningArgs {
    /// The closed day, as in 2026-04-29
    #[arg(value_name = "DAY", value_parser = parse::day)]
    day: Date,
    /// The machine's tag
    machine: String,
}

pub(super) fn close(args: &CloseArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let now = session.env.now();
    let day = match args.day {
        Some(day) => day,
        None => session.book.roster()?.day(session.book.reader().shop_now_ms(&now)?),
    };
    session.book.author().close_day(day, &args.left_open, &mut session.env.hand(None))?;
    let closed = session.book.days().closed_day(day, session.unit)?;
    let closed = closed.ok_or_else(|| sync_core::engine::BookError::Defect("the closing does not stand".to_owned()))?;
    let open = if closed.left_open.is_empty() { String::new() } else { format!(" Left open: {}", render::sentence(&closed.left_open)) };
    let text = format!(
        "{day} is closed: {} records came in, {} of them readings; {} visits.{open} What comes for it later will show as late.",
        closed.counts.records, closed.counts.readings, closed.counts.visits
    );
    Outcome::new(&closed, render::wrapped(&text, render::width(session.env)))
}

pub(super) fn list(args: &FindArgs, session: &Session<'_, '_>) -> Result<Outcome, Failure> {
    let most = if args.is_cut() { MOST_DAYS_TOLD } else { MOST_LISTED };
    let days = args.of(session.book.days().closed_days(most, session.unit)?);
    let wide = render::width(session.env);
    let mut text = args.none("No day has been closed.");
    if !days.is_empty() {
        let mut table = Table::new(&["Day", "Closed", "By", "Records", "Late", "Left open"]);
        for day in &days {
            let (records, late) = (day.counts.records.to_string(), day.late.len().to_string());
            table.row([day.day.to_string(), day.when.clone(), day.by.clone(), records, late, day.left_open.clone()]);
        }
        text = table.text(wide);
    }
    for day in days.iter().filter(|day| !day.late.is_empty()) {
        let lines: Vec<String> =
            day.late.iter().map(|l| format!("{}: {} ({}, {}; came {})", l.title, l.words, l.by, l.when, l.came)).collect();
        text = format!("{text}\n\nCame late for {}\n{}", day.day, render::indented(&lines.join("\n"), wide));
    }
    Outcome::new(&json!({ "days": days }), text)
}

pub(super) fn evening(args: &EveningArgs, session: &Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let evening = session.book.days().evening(args.day, machine, session.unit)?;
    let wide = render::width(session.env);
    let mut table = Table::new(&["What", "As it stood", "Who", "Since then"]);
    for line in &evening.lines {
        let since = if line.changed_since { "reads otherwise now" } else { "" };
        let stood = if line.words.is_empty() { "nothing stood".to_owned() } else { line.words.clone() };
        table.row([line.slot_words.clone(), stood, line.by.clone(), since.to_owned()]);
    }
    let head = format!("{} when {} was closed, {}:", evening.title, evening.day, evening.when);
    let text = format!("{}\n{}", render::wrapped(&head, wide), table.text(wide));
    Outcome::new(&evening, text)
}
