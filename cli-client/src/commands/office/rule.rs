//! `tappet office contested` and `rule`: readings that disagree, side by side, and the decision.

use serde_json::json;
use shared::ids::DocId;
use shared::record::Decision;
use sync_core::queries::{ContestedSlot, short};

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::render;
use crate::session::Session;

/// Arguments of `rule`.
#[derive(Debug, clap::Args)]
pub(super) struct RuleArgs {
    /// The machine's tag; a property's name; or roster or engines
    of: String,
    /// What is ruled on: 1I found, hours, or the slot's own name
    #[arg(required = true, num_args = 1..=2)]
    slot: Vec<String>,
    /// This record stands: the last digits of its id
    #[arg(long, value_name = "RECORD", required_unless_present = "recheck", conflicts_with = "recheck")]
    stands: Option<String>,
    /// None of them stands: measure again
    #[arg(long)]
    recheck: bool,
    /// Why
    #[arg(long, value_name = "TEXT")]
    because: String,
}

pub(super) fn contested(session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let slots = session.book.reader().contested(session.unit)?;
    let width = render::width(session.env);
    let text = if slots.is_empty() {
        "Nothing is contested.".to_owned()
    } else {
        slots.iter().map(|slot| render::lists::contested(slot, width)).collect::<Vec<_>>().join("\n\n")
    };
    Outcome::new(&json!({ "contested": slots }), text)
}

pub(super) fn run(args: &RuleArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let doc = document(&args.of, session)?;
    let slot = parse::slot(&args.slot.join(" "));
    let decision = match &args.stands {
        Some(record) => Decision::Stands(session.book.finder().find_record(record)?),
        None => Decision::Recheck,
    };
    let record = session.book.author().rule(doc, &slot, decision, &args.because, &mut session.env.hand(None))?;
    let view: ContestedSlot = session.book.reader().slot_view(doc, &slot, session.unit)?;
    let decided = match decision {
        Decision::Stands(id) => format!("record {} stands", short(&id)),
        Decision::Recheck => "it is to be measured again".to_owned(),
    };
    let text = format!(
        "Ruled on {}, {}: {decided}. Kept as record {}. A reading that this ruling has not seen opens it again.",
        view.title,
        view.slot_words,
        short(&record)
    );
    let json = json!({ "doc": doc, "slot": slot, "decision": decision, "record": record, "now": view });
    Outcome::new(&json, render::wrapped(&text, render::width(session.env)))
}

/// What a ruling may be about, by what people call it.
fn document(given: &str, session: &Session<'_, '_>) -> Result<DocId, Failure> {
    let shop = session.book.identity()?.root.shop;
    match given.trim().to_ascii_lowercase().as_str() {
        "roster" => return Ok(shop.roster()),
        "engines" => return Ok(shop.engines()),
        _ => {}
    }
    let machine = session.machine(given);
    match (machine, session.book.finder().find_property(given)) {
        (Ok(machine), _) => Ok(machine),
        (Err(_), Ok(property)) => Ok(property.doc()),
        (Err(failure), Err(_)) => Err(failure),
    }
}
