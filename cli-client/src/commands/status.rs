//! `tappet status`: whose book this is, and how far it is level with the shop.

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render::{self, Table};
use crate::session::Session;

pub(crate) fn run(session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let status = session.book.reader().status()?;
    let now_ms = session.env.now().wall_ms;
    let mut table = Table::new(&[]);
    table.row(["Shop", &status.shop]);
    table.row(["Person", &format!("{}, {}", status.person, status.role.map_or("no role", |role| role.name()))]);
    table.row(["Server", &status.server]);
    table.row(["Records", &status.records.to_string()]);
    table.row(["Waiting", &waiting(&status, now_ms)]);
    if status.quarantined > 0 {
        table.row(["Quarantine", &format!("{} (see tappet quarantine)", status.quarantined)]);
    }
    if status.unverified > 0 {
        let what = format!("{} parts kept on the shop's word; their signatures are looked at after the next exchange", status.unverified);
        table.row(["To verify", &what]);
    }
    let last = match status.last_exchange_ms {
        Some(ms) => format!("{} ago, {}", render::ms_span(now_ms - ms), session.local(ms)?),
        None => "never".to_owned(),
    };
    table.row(["Exchange", &last]);
    if let Some(offset_ms) = status.clock_offset_ms.filter(|ms| ms.abs() >= 60_000) {
        let way = if offset_ms > 0 { "behind" } else { "ahead of" };
        table.row(["Clock", &format!("{} {way} the shop's; records are put right by it", render::ms_span(offset_ms))]);
    }
    table.row(["Lengths", session.unit.name()]);
    let text = table.text(render::width(session.env));
    Outcome::new(&status, text)
}

fn waiting(status: &sync_core::queries::Status, now_ms: i64) -> String {
    match (status.waiting, status.oldest_waiting_ms) {
        (0, _) => "nothing: the shop has receipted everything".to_owned(),
        (count, Some(oldest)) => format!("{count} for the shop's receipt, the oldest for {}", render::ms_span(now_ms - oldest)),
        (count, None) => format!("{count} for the shop's receipt"),
    }
}
