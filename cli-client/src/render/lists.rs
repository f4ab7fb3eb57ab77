//! Lists of what wants a decision: contested slots, and quarantine.

use serde::Deserialize;
use serde_json::Value;
use shared::ids::RecordId;
use sync_core::queries::{ContestedRuling, ContestedSlot, QuarantineView, short};
use sync_core::store::QuarantineState;

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
pub(crate) fn quarantine(held: &[QuarantineView], session: &Session<'_, '_>) -> Result<String, Failure> {
    if held.is_empty() {
        return Ok("Nothing is in quarantine.".to_owned());
    }
    let lines: Vec<ShopQuarantined> = held.iter().map(ShopQuarantined::of).collect();
    shop_lines(&lines, session)
}

const fn fate(state: QuarantineState) -> &'static str {
    match state {
        QuarantineState::Waiting => "waits for the office",
        QuarantineState::Released => "let in",
        QuarantineState::KeptOut => "kept out",
    }
}

/// What is read of a line of quarantine, this device's or the shop's. Fields that a newer shop adds are passed over.
#[derive(Debug, Deserialize)]
pub(crate) struct ShopQuarantined {
    id: i64,
    title: String,
    by_name: String,
    role: String,
    device_name: String,
    stated_ms: Option<i64>,
    words: String,
    would_change: Vec<String>,
    detail: String,
    since_ms: i64,
    state: QuarantineState,
    record: Option<RecordId>,
}

impl ShopQuarantined {
    fn of(QuarantineView { line, would_change, .. }: &QuarantineView) -> Self {
        let held = &line.held;
        Self {
            id: held.id,
            title: line.title.clone(),
            by_name: line.by_name.clone(),
            role: line.role.clone(),
            device_name: line.device_name.clone(),
            stated_ms: line.stated_ms,
            words: line.words.clone(),
            would_change: would_change.clone(),
            detail: line.detail.clone(),
            since_ms: held.since_ms,
            state: held.state,
            record: held.record,
        }
    }
}

/// The shop's quarantine.
pub(crate) fn shop_quarantine(held: &Value, session: &Session<'_, '_>) -> Result<String, Failure> {
    let held: Vec<ShopQuarantined> = serde_json::from_value(held.clone()).map_err(|e| Failure::Answer(e.to_string()))?;
    if held.is_empty() {
        return Ok("Nothing is in the shop's quarantine.".to_owned());
    }
    shop_lines(&held, session)
}

/// Lines of a quarantine: what each says and by whom, why it waits, and what letting it in would change.
pub(crate) fn shop_lines(held: &[ShopQuarantined], session: &Session<'_, '_>) -> Result<String, Failure> {
    let wide = width(session.env);
    let mut blocks = Vec::new();
    for line in held {
        let what = if line.words.is_empty() { "a record that cannot be read" } else { &line.words };
        let which = line.record.map_or_else(String::new, |id| format!(" (record {})", short(&id)));
        let head = format!("{}. {}: {what}{which}: {}", line.id, line.title, fate(line.state));
        let by = if line.by_name.is_empty() { String::new() } else { format!("{} ({}), on ", line.by_name, line.role) };
        let stated = line
            .stated_ms
            .map(|ms| session.local(ms))
            .transpose()?
            .map_or_else(String::new, |when| format!(", stated {when} by its clock"));
        let mut lines =
            vec![format!("From {by}{}{stated}; here since {}.", line.device_name, session.local(line.since_ms)?), sentence(&line.detail)];
        if line.state == QuarantineState::Waiting {
            let change =
                if line.would_change.is_empty() { "nothing that stands would change".to_owned() } else { line.would_change.join(" ") };
            lines.push(format!("Let in: {change}"));
        }
        blocks.push(format!("{}\n{}", wrapped(&head, wide), indented(&lines.join("\n"), wide)));
    }
    Ok(blocks.join("\n"))
}
