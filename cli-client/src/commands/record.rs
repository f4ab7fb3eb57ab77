//! `tappet record`: one record in full.

use serde_json::{Value, json};
use shared::record::Body;
use shared::slot::Slot;
use sync_core::engine::BookError;
use sync_core::queries::{describe, short};
use sync_core::store::HeldRecord;

use crate::exit::Failure;
use crate::outcome::{Outcome, to_json};
use crate::render::{self, Table};
use crate::session::Session;

/// Arguments of `record`.
#[derive(Debug, clap::Args)]
pub(crate) struct RecordArgs {
    /// The last digits of the record's id, as screens show them
    id: String,
}

pub(crate) fn run(args: &RecordArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let id = session.book.finder().find_record(&args.id)?;
    let held = session.book.store().records().held(id).map_err(BookError::from)?;
    let held = held.ok_or_else(|| BookError::Unknown("this book has no such record".to_owned()))?;
    let fate = fate(&held, session)?;
    let record = &held.entry.record;
    let roster = session.book.roster()?;
    let device = roster.devices.get(&held.entry.device).map(|d| d.card.name.clone());
    let device = device.unwrap_or_else(|| {
        if held.entry.device == roster.root.device { "the shop's server".to_owned() } else { "a device not on the roster".to_owned() }
    });
    let body = body_json(&record.body)?;
    let mut table = Table::new(&[]);
    table.row(["Record", &id.to_string()]);
    table.row(["Says", &describe(&record.body, session.unit, roster)]);
    table.row(["Of", &session.book.reader().title(held.doc)?]);
    table.row(["Kind", &format!("{}, version {}", record.body.kind(), record.body.version())]);
    table.row(["Stated by", &roster.name(record.by)]);
    if let Some(measurer) = record.measured_by {
        table.row(["Measured by", &roster.name(measurer)]);
    }
    table.row(["Signed on", &device]);
    table.row(["Written", &format!("{} by the device's clock", roster.local(record.at_ms))]);
    let received = held.received_ms.map_or_else(|| "not yet".to_owned(), |ms| roster.local(ms));
    table.row(["At the shop", &received]);
    table.row(["Now", &fate]);
    let seen: Vec<String> = record.seen.iter().map(short).collect();
    table.row(["Had seen", if seen.is_empty() { "nothing".to_owned() } else { seen.join(", ") }.as_str()]);
    let content = serde_json::to_string_pretty(&body).map_err(|e| Failure::Defect(e.to_string()))?;
    let text = format!("{}\n\n{}", table.text(render::width(session.env)), render::wrapped(&content, render::width(session.env)));
    let json = json!({
        "id": id, "doc": held.doc, "kind": record.body.kind(), "v": record.body.version(),
        "by": record.by, "measured_by": record.measured_by, "device": held.entry.device,
        "at_ms": record.at_ms, "clock": record.clock, "seen": record.seen,
        "received_ms": held.received_ms, "fate": fate, "size_bytes": held.bytes.len(), "body": body,
    });
    Outcome::new(&json, text)
}

/// What became of the record: by the machine's history, or for another document by how its slot stands.
fn fate(held: &HeldRecord, session: &mut Session<'_, '_>) -> Result<String, Failure> {
    let id = held.entry.record.id;
    let machine = session.book.store().machine_rows().machine(held.doc).map_err(BookError::from)?;
    if machine.is_some() {
        let now = session.env.now();
        let view = session.book.machines().machine_view(held.doc, session.unit, &now)?;
        let line = view.history.iter().find(|line| line.record == id);
        return Ok(line.map_or("the shop's receipt", |line| line.fate.words()).to_owned());
    }
    let Some(slot) = Slot::of(&held.entry.record) else { return Ok("kept".to_owned()) };
    let standing = session.book.store().projections().standing(held.doc, &slot).map_err(BookError::from)?;
    Ok(match standing {
        Some(standing) if standing.stands == Some(id) => "stands",
        Some(standing) if standing.contenders.contains(&id) => "contends",
        Some(standing) if standing.aside.iter().any(|a| a.id == id) => "not used",
        _ => "does not stand",
    }
    .to_owned())
}

/// A record's content as JSON: ids and hashes as text.
fn body_json(body: &Body) -> Result<Value, Failure> {
    macro_rules! as_json {
        ($($kind:ident),+) => {
            match body {
                $(Body::$kind(content) => to_json(content),)+
                Body::Unknown(unknown) => to_json(&unknown.body),
            }
        };
    }
    as_json!(
        Shop,
        Person,
        Role,
        Device,
        DeviceRevoked,
        Assignment,
        EngineCard,
        Property,
        Machine,
        Visit,
        SignOff,
        Hours,
        MeterChange,
        Clearance,
        Finding,
        FindingCleared,
        Note,
        Photo,
        Void,
        Ruling,
        Arrival,
        DayClosed
    )
}
