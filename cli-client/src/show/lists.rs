//! Lists of what wants a decision: contested slots, and quarantine.

use serde::Deserialize;
use serde_json::Value;
use sync_core::store::{QuarantineState, Quarantined};
use sync_core::view::{ContestedRuling, ContestedSlot, short};

use super::{Table, indented, sentence, width, wrapped};
use crate::exit::Failure;
use crate::session::Session;

/// One contested slot, its readings side by side.
pub(crate) fn contested(slot: &ContestedSlot, wide: usize) -> String {
    let mut table = Table::new(&["Record", "Who", "Says", "When", "Meanwhile"]);
    for reading in &slot.readings {
        let meanwhile = match (reading.stands, &reading.aside) {
            (true, _) => "stands".to_owned(),
            (false, Some(why)) => format!("not used: {why}"),
            (false, None) => "does not stand".to_owned(),
        };
        table.row([
            reading.short.clone(),
            format!("{}, {}", reading.by, reading.role),
            reading.words.clone(),
            reading.when.clone(),
            meanwhile,
        ]);
    }
    let order = if slot.order_unknown { " The clocks cannot tell which came first." } else { "" };
    let head = wrapped(&format!("{}: {}\n{}{order}", slot.title, slot.slot_words, sentence(&slot.reason)), wide);
    let rulings: Vec<String> = slot.rulings.iter().map(|ruling| ruling_line(ruling, wide)).collect();
    let blocks = [vec![head, indented_table(&mut table, wide)], rulings].concat();
    blocks.join("\n")
}

fn ruling_line(ruling: &ContestedRuling, wide: usize) -> String {
    let meanwhile = if ruling.counts { " It counts meanwhile." } else { "" };
    indented(&format!("Ruling {}, {}: {}.{meanwhile}", ruling.short, ruling.when, ruling.words), wide)
}

fn indented_table(table: &mut Table, wide: usize) -> String {
    table.text(wide.saturating_sub(2)).lines().map(|line| format!("  {line}")).collect::<Vec<_>>().join("\n")
}

/// This device's own quarantine.
pub(crate) fn quarantine(held: &[Quarantined], session: &Session<'_, '_>) -> Result<String, Failure> {
    if held.is_empty() {
        return Ok("Nothing is in quarantine.".to_owned());
    }
    let mut blocks = Vec::new();
    for line in held {
        let which = line.record.map_or_else(|| "something unreadable".to_owned(), |id| format!("record {}", short(&id)));
        let kind = line.kind.as_deref().map_or_else(String::new, |kind| format!(" ({kind})"));
        let head = format!(
            "{}. {which}{kind} of {}, since {}: {}",
            line.id,
            session.book.title(line.doc)?,
            session.local(line.since_ms)?,
            fate(line.state)
        );
        blocks.push(format!("{}\n{}", wrapped(&head, width(session.env)), indented(&sentence(&line.detail), width(session.env))));
    }
    Ok(blocks.join("\n"))
}

const fn fate(state: QuarantineState) -> &'static str {
    match state {
        QuarantineState::Waiting => "waits for the office",
        QuarantineState::Released => "let in",
        QuarantineState::KeptOut => "kept out",
    }
}

/// What the shop tells of its quarantine.
#[derive(Debug, Deserialize)]
pub(crate) struct ShopQuarantined {
    id: i64,
    kind: Option<String>,
    detail: String,
    since_ms: i64,
    state: QuarantineState,
}

/// The shop's quarantine.
pub(crate) fn shop_quarantine(held: &Value, session: &Session<'_, '_>) -> Result<String, Failure> {
    let held: Vec<ShopQuarantined> = serde_json::from_value(held.clone()).map_err(|e| Failure::Answer(e.to_string()))?;
    if held.is_empty() {
        return Ok("Nothing is in the shop's quarantine.".to_owned());
    }
    shop_lines(&held, session)
}

/// Lines of the shop's quarantine.
pub(crate) fn shop_lines(held: &[ShopQuarantined], session: &Session<'_, '_>) -> Result<String, Failure> {
    let mut blocks = Vec::new();
    for line in held {
        let kind = line.kind.as_deref().unwrap_or("something unreadable");
        let head = format!("{}. {kind}, since {}: {}", line.id, session.local(line.since_ms)?, fate(line.state));
        blocks.push(format!("{}\n{}", wrapped(&head, width(session.env)), indented(&sentence(&line.detail), width(session.env))));
    }
    Ok(blocks.join("\n"))
}
