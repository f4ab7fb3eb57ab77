//! `tappet quarantine`: records that were not taken, and why. Nothing entered is ever dropped.

use serde_json::json;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

pub(crate) fn run(session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let now = session.env.now();
    let held = session.book.reader().quarantine_views(None, 0, usize::MAX, session.unit, &now)?;
    let text = render::lists::quarantine(&held, session)?;
    Outcome::new(&json!({ "quarantine": held }), text)
}
