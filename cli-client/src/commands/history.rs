//! `tappet history`: everything stated about a machine, newest first.

use serde_json::json;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render::{self, Table};
use crate::session::Session;

/// Arguments of `history`.
#[derive(Debug, clap::Args)]
pub(crate) struct HistoryArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// At most so many records
    #[arg(long, value_name = "N")]
    most: Option<usize>,
}

pub(crate) fn run(args: &HistoryArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let now = session.env.now();
    let view = session.book.machines().machine_view(machine, session.unit, &now)?;
    let most = args.most.unwrap_or(usize::MAX);
    let lines: Vec<_> = view.history.iter().take(most).collect();
    let mut table = Table::new(&["When", "Record", "Who", "What", "Now", "Shop"]);
    for line in &lines {
        let shop = if line.at_shop { "has it" } else { "waits" };
        let now = line.fate.words().to_owned();
        table.row([session.local(line.at_ms)?, line.short.clone(), line.by.clone(), line.words.clone(), now, shop.to_owned()]);
    }
    let mut text = table.text(render::width(session.env));
    if lines.len() < view.history.len() {
        text = format!("{text}\n{} older ones are not shown.", view.history.len() - lines.len());
    }
    Outcome::new(&json!({ "machine": view.machine, "tag": view.tag, "history": lines }), text)
}
