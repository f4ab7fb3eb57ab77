//! `tappet due`: what is due, and where.

use serde_json::json;

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

pub(crate) fn run(args: &DueArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let now = session.env.now();
    session.book.identity()?;
    let property = args.property.as_deref().map(|name| session.book.find_property(name)).transpose()?;
    let mut lines = session.book.due_list(&now)?;
    lines.retain(|line| property.is_none() || line.property == property);
    let text = show::due::table(&lines, show::width(session.env));
    Outcome::new(&json!({ "due": lines }), text)
}
