//! The day sheet on a screen, from its JSON: the shop's own, or this book's.

use serde::Deserialize;
use serde_json::Value;
use shared::text::count;

use super::lists::{ShopQuarantined, shop_lines};
use super::{Table, indented, ms_span, sentence, width, wrapped};
use crate::exit::Failure;
use crate::session::Session;

/// What is read of a day sheet. Fields that a newer shop adds are passed over.
#[derive(Debug, Deserialize)]
struct Sheet {
    day: String,
    shop: String,
    #[serde(default)]
    matters: Vec<Matter>,
    #[serde(default)]
    notes: Vec<Note>,
    #[serde(default)]
    contested: Vec<Contested>,
    #[serde(default)]
    aside: Vec<Aside>,
    #[serde(default)]
    holds: Vec<Hold>,
    #[serde(default)]
    recheck: Vec<Recheck>,
    #[serde(default)]
    arrived: Vec<Arrived>,
    #[serde(default)]
    visits: Vec<Visit>,
    #[serde(default)]
    devices: Vec<Device>,
    #[serde(default)]
    quarantine: Vec<ShopQuarantined>,
    #[serde(default)]
    open_matters: Vec<String>,
    clock_doubts: Vec<String>,
    #[serde(default)]
    closed: Option<Closed>,
}

#[derive(Debug, Deserialize)]
struct Closed {
    by: String,
    when: String,
    left_open: String,
    late: Vec<Late>,
}

#[derive(Debug, Deserialize)]
struct Late {
    title: String,
    words: String,
    by: String,
    came: String,
}

/// The words name the machine and the slot; the kind is read as text, so that a newer shop may know more of them.
#[derive(Debug, Deserialize)]
struct Matter {
    kind: String,
    words: String,
}

#[derive(Debug, Deserialize)]
struct Note {
    title: String,
    text: String,
    by: String,
    at_ms: i64,
}

#[derive(Debug, Deserialize)]
struct Contested {
    title: String,
    slot_words: String,
    reason: String,
    readings: Vec<Reading>,
}

#[derive(Debug, Deserialize)]
struct Reading {
    short: String,
    by: String,
    role: String,
    words: String,
    when: String,
    stands: bool,
}

#[derive(Debug, Deserialize)]
struct Aside {
    title: String,
    short: String,
    by: String,
    words: String,
    why: String,
}

#[derive(Debug, Deserialize)]
struct Hold {
    tag: String,
    property: String,
    short: String,
    what: String,
    by: String,
    at_ms: i64,
}

#[derive(Debug, Deserialize)]
struct Recheck {
    tag: String,
    slot_words: String,
}

#[derive(Debug, Deserialize)]
struct Arrived {
    person: String,
    records: usize,
    readings: usize,
    machines: usize,
}

#[derive(Debug, Deserialize)]
struct Visit {
    tag: String,
    property: String,
    by: String,
    at_ms: i64,
    finished_ms: Option<i64>,
    complete: bool,
}

#[derive(Debug, Deserialize)]
struct Device {
    name: String,
    person: String,
    last_ms: Option<i64>,
    skew_ms: Option<i64>,
    clock_doubted_ms: Option<i64>,
    here_today: bool,
    revoked: bool,
}

/// The screen. Only the shop itself knows when devices were there, so that part is left out of any other sheet.
pub(crate) fn screen(sheet: &Value, of_shop: bool, session: &Session<'_, '_>) -> Result<String, Failure> {
    let sheet: Sheet = serde_json::from_value(sheet.clone()).map_err(|e| Failure::Answer(format!("it is not a day sheet: {e}")))?;
    let wide = width(session.env);
    let mut parts = vec![wrapped(&format!("{}: day sheet of {}", sheet.shop, sheet.day), wide)];
    let mut part = |heading: &str, body: String| {
        if !body.is_empty() {
            parts.push(format!("{heading}\n{body}"));
        }
    };
    part("Clock", list(sheet.clock_doubts.iter().cloned(), wide));
    // Of devices only the shop itself knows.
    let needs = sheet.matters.iter().filter(|matter| of_shop || matter.kind != "missing").map(|matter| sentence(&matter.words));
    part("Needs the office", list(needs, wide));
    part("Contested", contested(&sheet.contested, wide));
    let aside = sheet.aside.iter().map(|a| format!("{} {} ({}, {}): {}", a.title, a.words, a.by, a.short, sentence(&a.why)));
    part("In doubt or only proposed", list(aside, wide));
    let mut holds = Vec::new();
    for hold in &sheet.holds {
        holds.push(format!(
            "{} at {}: {} ({}, {}, finding {})",
            hold.tag,
            hold.property,
            sentence(&hold.what),
            hold.by,
            session.local(hold.at_ms)?,
            hold.short
        ));
    }
    part("On hold: do not run", list(holds.into_iter(), wide));
    part("To be measured again", list(sheet.recheck.iter().map(|r| format!("{}: {}", r.tag, r.slot_words)), wide));
    let mut notes = Vec::new();
    for note in &sheet.notes {
        notes.push(format!("{}: {} ({}, {})", note.title, note.text, note.by, session.local(note.at_ms)?));
    }
    part("Notes", list(notes.into_iter(), wide));
    part("Came in", arrived(&sheet.arrived, wide));
    part("Visits", visits(&sheet.visits, session)?);
    part("Devices", if of_shop { devices(&sheet.devices, session)? } else { String::new() });
    part("Quarantine", if sheet.quarantine.is_empty() { String::new() } else { inset(&shop_lines(&sheet.quarantine, session)?) });
    let still_open = match sheet.open_matters.len() {
        0 => String::new(),
        n => count(
            n,
            "matter keeps the day open: settle it, or close the day with a reason.",
            "matters keep the day open: settle them, or close the day with a reason.",
        ),
    };
    part("Open", indented(&still_open, wide));
    part("Closed", sheet.closed.as_ref().map_or_else(String::new, |closed| indented(&closing(closed), wide)));
    if parts.len() == 1 {
        parts.push("Nothing to tell.".to_owned());
    }
    Ok(parts.join("\n\n"))
}

fn list(lines: impl Iterator<Item = String>, wide: usize) -> String {
    indented(&lines.collect::<Vec<_>>().join("\n"), wide)
}

fn closing(closed: &Closed) -> String {
    let open = if closed.left_open.is_empty() { String::new() } else { format!(" Left open: {}", sentence(&closed.left_open)) };
    let late = closed.late.iter().map(|l| format!("\nCame late: {}: {} ({}, {})", l.title, l.words, l.by, l.came));
    format!("By {} at {}.{open}{}", closed.by, closed.when, late.collect::<String>())
}

fn inset(text: &str) -> String {
    text.lines().map(|line| format!("  {line}").trim_end().to_owned()).collect::<Vec<_>>().join("\n")
}

fn contested(slots: &[Contested], wide: usize) -> String {
    let blocks = slots.iter().map(|slot| {
        let mut table = Table::new(&[]);
        for reading in &slot.readings {
            let mark = if reading.stands { "stands" } else { "" };
            let who = format!("{}, {}", reading.by, reading.role);
            table.row([reading.short.clone(), who, reading.words.clone(), reading.when.clone(), mark.to_owned()]);
        }
        let head = indented(&format!("{}: {}. {}", slot.title, slot.slot_words, sentence(&slot.reason)), wide);
        format!("{head}\n{}", inset(&inset(&table.text(wide - 4))))
    });
    blocks.collect::<Vec<_>>().join("\n")
}

fn arrived(people: &[Arrived], wide: usize) -> String {
    let mut table = Table::new(&["Person", "Records", "Readings", "Machines"]);
    for line in people {
        table.row([line.person.clone(), line.records.to_string(), line.readings.to_string(), line.machines.to_string()]);
    }
    if table.is_empty() { String::new() } else { inset(&table.text(wide - 2)) }
}

fn visits(visits: &[Visit], session: &Session<'_, '_>) -> Result<String, Failure> {
    let mut table = Table::new(&["Machine", "Where", "Who", "Opened", "Finished"]);
    for visit in visits {
        let finished = match (visit.finished_ms, visit.complete) {
            (None, _) => "NOT FINISHED".to_owned(),
            (Some(ms), true) => format!("{}, complete", session.local(ms)?),
            (Some(ms), false) => format!("{}, something left open", session.local(ms)?),
        };
        table.row([visit.tag.clone(), visit.property.clone(), visit.by.clone(), session.local(visit.at_ms)?, finished]);
    }
    Ok(if table.is_empty() { String::new() } else { inset(&table.text(width(session.env) - 2)) })
}

fn devices(devices: &[Device], session: &Session<'_, '_>) -> Result<String, Failure> {
    let mut table = Table::new(&["Device", "Whose", "Here last", "Clock"]);
    for device in devices.iter().filter(|d| !d.revoked) {
        let last = match device.last_ms {
            Some(ms) if device.here_today => session.local(ms)?,
            Some(ms) => format!("NOT TODAY; {}", session.local(ms)?),
            None => "NEVER".to_owned(),
        };
        let clock = match device.skew_ms {
            _ if device.clock_doubted_ms.is_some() => "IN DOUBT".to_owned(),
            Some(ms) if ms.abs() >= 120_000 => format!("{} {}", ms_span(ms), if ms > 0 { "behind" } else { "ahead" }),
            Some(_) => "right".to_owned(),
            None => String::new(),
        };
        table.row([device.name.clone(), device.person.clone(), last, clock]);
    }
    Ok(if table.is_empty() { String::new() } else { inset(&table.text(width(session.env) - 2)) })
}
