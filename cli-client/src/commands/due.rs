//! `tappet due`: what is due, and where.

use serde::Serialize;
use sync_core::queries::{DueFilter, DueLine, Only, Order};

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `due`.
#[derive(Debug, clap::Args)]
pub(crate) struct DueArgs {
    /// Only machines whose tag, description, place or engine says all of these words
    #[arg(value_name = "WORDS")]
    find: Vec<String>,

    /// Only the machines with this engine card
    #[arg(long, value_name = "NAME")]
    engine: Option<String>,

    /// Only machines that are: held, due, contested or visited
    #[arg(long, value_name = "WHAT")]
    only: Option<Only>,

    /// In which order: pressing, tag, place or hours; machines on hold come first in each
    #[arg(long, value_name = "ORDER")]
    order: Option<Order>,

    /// Only the machines of one property
    #[arg(long, value_name = "NAME")]
    property: Option<String>,
}

/// The list for programs.
#[derive(Serialize)]
struct Listed<'l> {
    due: &'l [DueLine],
}

pub(crate) fn run(args: &DueArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let now = session.env.now();
    session.book.identity()?;
    let property = args.property.as_deref().map(|name| session.book.finder().find_property(name)).transpose()?;
    let mut lines = session.book.reader().due_list(&now)?;
    lines.retain(|line| property.is_none() || line.property == property);
    let none_here = lines.is_empty();
    let filter = DueFilter { find: args.find.join(" "), engine: args.engine.clone(), only: args.only, order: args.order };
    let lines = filter.of(lines);
    // A fleet's list is long: only the form that was asked for is made.
    if session.global.json {
        return Outcome::new(&Listed { due: &lines }, "");
    }
    if lines.is_empty() && !none_here {
        return Outcome::new(&(), "No machine is found by that. Without words, --only and --engine the list has every machine.".to_owned());
    }
    Outcome::new(&(), render::due::table(&lines, render::width(session.env)))
}
