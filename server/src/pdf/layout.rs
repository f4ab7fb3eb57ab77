//! What goes where on a service record: the client's facts, in the order in which a client asks for them.

use jiff::civil::Date;
use sync_core::queries::{SeasonRecord, ServiceRecord, ServiceValve};

use super::lettering::Weight;
use super::sheet::{Ink, Kind, Sheet, Style};
use super::{Paper, PaperError};

const PLAIN: Style = Style { weight: Weight::Regular, size: 10.5, ink: Ink::Black };
const STRONG: Style = Style { weight: Weight::Bold, ..PLAIN };
const SMALL: Style = Style { weight: Weight::Regular, size: 9.0, ink: Ink::Grey };
const TITLE: Style = Style { weight: Weight::Bold, size: 22.0, ink: Ink::Black };
const HEADING: Style = Style { weight: Weight::Bold, size: 12.0, ink: Ink::Black };

/// The line that every surface that guides or reports work has.
const MANUAL: &str = "The engine maker's manual decides. This page says what was measured and done; it takes the place of no manual and of no qualified person.";

/// The record of one visit.
pub(super) fn visit(record: &ServiceRecord, paper: Paper) -> Result<Sheet, PaperError> {
    let running = format!("{}: service record, {}, {}", record.shop, record.tag, record.when);
    let mut sheet = Sheet::new(paper, &running)?;
    head(&mut sheet, &record.shop);
    machine(&mut sheet, &record.property, &record.tag, &record.description);
    sheet.fact("Visited", &record.when, PLAIN);
    sheet.fact("Technician", &record.by, PLAIN);
    sheet.fact("Hour meter", &meter(record), PLAIN);
    sheet.skip(10.0);
    if !record.finished {
        sheet.text(Kind::Paragraph, "The visit is not finished yet.", STRONG);
        sheet.skip(6.0);
    }
    if record.hold {
        hold(&mut sheet);
    }
    valves(&mut sheet, &record.valves);
    ranges(&mut sheet, record);
    sheet.text(Kind::Heading, "Findings", HEADING);
    findings(&mut sheet, &record.findings);
    foot(&mut sheet, &record.next_due, record.made);
    Ok(sheet.numbered())
}

/// The record of a machine's season.
pub(super) fn season(record: &SeasonRecord, paper: Paper) -> Result<Sheet, PaperError> {
    let running = format!("{}: service record, {}, {} to {}", record.shop, record.tag, record.from, record.until);
    let mut sheet = Sheet::new(paper, &running)?;
    head(&mut sheet, &record.shop);
    machine(&mut sheet, &record.property, &record.tag, &record.description);
    sheet.fact("Days", &format!("{} to {}", record.from, record.until), PLAIN);
    let visits = match record.earlier {
        0 => record.visits.len().to_string(),
        more => format!("the latest {} of {}; ask for fewer days to see the others", record.visits.len(), record.visits.len() + more),
    };
    sheet.fact("Visits", &visits, PLAIN);
    sheet.skip(10.0);
    if record.hold {
        hold(&mut sheet);
    }
    if record.visits.is_empty() {
        sheet.text(Kind::Paragraph, "No finished visit in these days.", STRONG);
        sheet.skip(8.0);
    }
    for visit in &record.visits {
        // Kept together, as far as its table goes.
        sheet.need(78.0 + 22.0 * f32::from(u8::try_from(visit.valves.len()).unwrap_or(u8::MAX).min(12)));
        sheet.text(Kind::Heading, &format!("{}, {}", visit.when, visit.by), HEADING);
        sheet.fact("Hour meter", &meter(visit), PLAIN);
        sheet.skip(3.0);
        valves(&mut sheet, &visit.valves);
        ranges(&mut sheet, visit);
        for finding in &visit.findings {
            sheet.fact("Finding", finding, PLAIN);
        }
        sheet.skip(10.0);
    }
    foot(&mut sheet, &record.next_due, record.made);
    Ok(sheet.numbered())
}

fn head(sheet: &mut Sheet, shop: &str) {
    sheet.text(Kind::Paragraph, shop, STRONG);
    sheet.skip(4.0);
    sheet.text(Kind::Title, "Service record", TITLE);
    sheet.skip(6.0);
    sheet.rule();
    sheet.skip(10.0);
}

fn machine(sheet: &mut Sheet, property: &str, tag: &str, description: &str) {
    if !property.is_empty() {
        sheet.fact("Property", property, STRONG);
    }
    let what = if description.is_empty() { tag.to_owned() } else { format!("{tag}, {description}") };
    sheet.fact("Machine", &what, STRONG);
}

fn meter(record: &ServiceRecord) -> String {
    record.meter.map_or_else(|| "not read".to_owned(), |meter| format!("{meter} h"))
}

fn hold(sheet: &mut Sheet) {
    sheet.warning("DO NOT RUN THIS MACHINE", "until what was found is put right");
    sheet.skip(14.0);
}

fn valves(sheet: &mut Sheet, valves: &[ServiceValve]) {
    if valves.is_empty() {
        sheet.text(Kind::Paragraph, "No clearance was read.", PLAIN);
        sheet.skip(6.0);
        return;
    }
    let columns = [("Valve", 0.2), ("Range", 0.22), ("As found", 0.22), ("As left", 0.22), ("Verdict", 0.14)];
    let rows: Vec<Vec<String>> = valves
        .iter()
        .map(|valve| {
            let range = if valve.range.is_empty() { "no engine card" } else { &valve.range };
            vec![first_up(&valve.valve.words()), range.to_owned(), valve.found.clone(), valve.left.clone(), first_up(&valve.verdict)]
        })
        .collect();
    sheet.table(&columns, &rows, 9.5);
    sheet.skip(8.0);
}

/// The engine card that was in force, and where its ranges were read.
fn ranges(sheet: &mut Sheet, record: &ServiceRecord) {
    for said in record.ranges() {
        sheet.text(Kind::Paragraph, &said, SMALL);
    }
    sheet.skip(12.0);
}

fn findings(sheet: &mut Sheet, findings: &[String]) {
    if findings.is_empty() {
        sheet.text(Kind::Paragraph, "None.", PLAIN);
    }
    for finding in findings {
        sheet.text(Kind::Paragraph, finding, PLAIN);
        sheet.skip(2.0);
    }
}

fn foot(sheet: &mut Sheet, next_due: &str, made: Date) {
    sheet.skip(10.0);
    sheet.text(Kind::Heading, "Next check", HEADING);
    sheet.text(Kind::Paragraph, &sentence(next_due), PLAIN);
    sheet.signatures(["For the shop: name, date", "For the client: name, date"], SMALL);
    sheet.skip(14.0);
    sheet.text(Kind::Paragraph, MANUAL, SMALL);
    sheet.text(Kind::Paragraph, &format!("Made on {made}."), SMALL);
}

fn first_up(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn sentence(text: &str) -> String {
    let said = first_up(text.trim());
    if said.is_empty() || said.ends_with(['.', '?', '!']) { said } else { format!("{said}.") }
}
