//! `tappet office assign` and `unassign`: who looks after which property. A device is handed what its person looks after.

use serde_json::json;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;

/// Arguments of `assign` and `unassign`.
#[derive(Debug, clap::Args)]
pub(super) struct AssignArgs {
    /// The person's name
    person: String,
    /// The property's name
    property: String,
}

pub(super) fn run(args: &AssignArgs, active: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let person = session.book.finder().find_person(&args.person)?;
    let property = session.book.finder().find_property(&args.property)?;
    let record = session.book.author().assign(person, property, active, &mut session.env.hand(None))?;
    let does = if active { "looks after" } else { "looks no more after" };
    let text = format!("{} {does} {} from the next exchange on.", args.person, args.property);
    Outcome::new(&json!({ "person": person, "property": property, "active": active, "record": record }), text)
}
