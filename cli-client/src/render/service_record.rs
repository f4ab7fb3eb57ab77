//! The service record on a page of text.

use sync_core::queries::ServiceRecord;

use super::{Table, indented, sentence, wrapped};

/// The page.
pub(crate) fn page(record: &ServiceRecord, width: usize) -> String {
    let about = if record.description.is_empty() { String::new() } else { format!(", {}", record.description) };
    let meter = record.meter.map_or_else(|| "not read".to_owned(), |meter| format!("{meter} h"));
    let unfinished = if record.finished { "" } else { "\nThe visit is not finished yet." };
    let head = format!(
        "{}\nService record\n\nMachine: {}{about}\nProperty: {}\nVisited: {} by {}\nHour meter: {meter}{unfinished}",
        record.shop, record.tag, record.property, record.when, record.by
    );
    let mut parts = vec![wrapped(&head, width)];
    if record.hold {
        parts.push("DO NOT RUN THIS MACHINE until what was found is put right.".to_owned());
    }
    let mut table = Table::new(&["Valve", "Range", "As found", "As left", "Verdict"]);
    for valve in &record.valves {
        table.row([valve.valve.to_string(), valve.range.clone(), valve.found.clone(), valve.left.clone(), valve.verdict.clone()]);
    }
    if !table.is_empty() {
        parts.push(table.text(width));
    }
    if !record.ranges().is_empty() {
        parts.push(wrapped(&record.ranges().join(" "), width));
    }
    let findings = if record.findings.is_empty() {
        "Findings: none.".to_owned()
    } else {
        format!("Findings:\n{}", indented(&record.findings.join("\n"), width))
    };
    parts.push(findings);
    parts.push(wrapped(&format!("Next check: {}", sentence(&record.next_due)), width));
    parts.join("\n\n")
}
