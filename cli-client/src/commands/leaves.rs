//! `tappet leaves`: the feeler leaves that a person has, which decide what is offered to be tried next.

use serde_json::json;
use shared::leaf::LeafSet;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `leaves`.
#[derive(Debug, clap::Args)]
pub(crate) struct LeavesArgs {
    /// Your leaves, as in 2-12 or 1.5,2,2.5,3 or 0.05mm-0.10mm; none: show them
    set: Vec<String>,
}

pub(crate) fn run(args: &LeavesArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    if !args.set.is_empty() {
        let read = LeafSet::parse_noted(&args.set.join(" "), session.unit);
        let (set, notes) = read.map_err(|e| Failure::Given(e.in_unit(session.unit).trim_end_matches(['.', '?']).to_owned()))?;
        session.note_inches(notes);
        session.keep_leaves(&set)?;
    }
    let own = session.own_leaves()?.is_some();
    let set = session.leaves()?;
    let list: Vec<String> = set.leaves().iter().map(|leaf| leaf.show_bare(session.unit)).collect();
    let whose = if own { "Your leaves" } else { "No leaves of your own are entered; taken for granted is a plain set" };
    let text = format!("{whose}: {} {}.", list.join(", "), session.unit.name());
    Outcome::new(&json!({ "own": own, "set": set }), render::wrapped(&text, render::width(session.env)))
}
