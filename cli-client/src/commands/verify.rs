//! `tappet verify`: checks the whole book against a rebuild of itself.

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

pub(crate) fn run(session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let found = session.book.verify()?;
    let counted = format!("{} documents, {} changes, {} signed records", found.documents, found.changes, found.records);
    let text = if found.faults.is_empty() {
        format!("The book holds together: {counted} looked at, and everything derived is the same when derived again.")
    } else {
        let faults: Vec<String> = found.faults.iter().map(|fault| format!("  {fault}")).collect();
        format!(
            "The book does not hold together ({counted} looked at):\n{}\nNothing was changed. Exchange, keep a copy of the file, and tell the office.",
            faults.join("\n")
        )
    };
    let look = !found.faults.is_empty();
    Ok(Outcome::new(&found, render::wrapped(&text, render::width(session.env)))?.needing(look))
}
