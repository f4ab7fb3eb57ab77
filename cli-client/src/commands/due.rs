//! `tappet due`: what is due, and where.

use serde::Serialize;
use sync_core::view::DueLine;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;
use crate::show;

/// Arguments of `due`.
#[derive(Debug, clap::Args)]
pub(crate) struct DueArgs {
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
    let property = args.property.as_deref().map(|name| session.book.find_property(name)).transpose()?;
    let mut lines = session.book.due_list(&now)?;
    lines.retain(|line| property.is_none() || line.property == property);
    // A fleet's list is long: only the form that was asked for is made.
    if session.global.json {
        return Outcome::new(&Listed { due: &lines }, "");
    }
    Outcome::new(&(), show::due::table(&lines, show::width(session.env)))
}
