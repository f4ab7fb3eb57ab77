//! `tappet office service-record`: the service record of one visit, for the client.

use sync_core::engine::BookError;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `service-record`.
#[derive(Debug, clap::Args)]
pub(super) struct ServiceRecordArgs {
    /// A visit by the last digits of its id; or a machine, for its latest visit
    of: String,
}

pub(super) fn run(args: &ServiceRecordArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let now = session.env.now();
    let visit = match session.machine(&args.of) {
        Ok(machine) => {
            let row = session.book.store().machine_rows().machine(machine).map_err(BookError::from)?;
            let latest = row.and_then(|row| row.state.visits.first().map(|visit| visit.visit));
            latest.ok_or_else(|| BookError::Unknown(format!("nobody has visited {} yet", args.of)))?
        }
        Err(_) => session.book.finder().find_record(&args.of)?,
    };
    let record = session.book.machines().service_record(visit, session.unit, &now)?;
    let text = render::service_record::page(&record, render::width(session.env));
    Outcome::new(&record, text)
}
