//! Examples of the main bodies, made of the very types that the routes answer with. All of them are invented.

use serde::Serialize;
use serde_json::{Value, json};
use shared::bracket::Bracket;
use shared::bytes::Bytes32;
use shared::due::{Due, DueState, Limit};
use shared::engine_card::Duty;
use shared::hours::Hours;
use shared::ids::{CardId, DeviceId, DocId, MachineId, PersonId, PropertyId, RecordId, ShopId};
use shared::length::Length;
use shared::problem::Code;
use shared::record::Stage;
use shared::role::Role;
use shared::slot::Slot;
use shared::usage::Between;
use shared::valve::{Side, Valve};
use shared::wire::{ASSERTION_TYPE, CodeIssued, CodeRequest, EnrolAnswer, EnrolRequest, TokenAnswer, TokenRequest};
use sync_core::book::backup::BackupLine;
use sync_core::queries::reckon::{LeafPlan, Reckoned};
use sync_core::queries::{
    ContestedReading, ContestedSlot, DueLine, Fate, HistoryLine, MachineLine, PersonLine, PropertyLine, QuarantineLine, QuarantineView,
    ServiceRecord, ServiceValve, ShopStatus,
};
use sync_core::store::{QuarantineState, Quarantined};

/// 2026-06-01 13:00 UTC.
const AT_MS: i64 = 1_780_318_800_000;

/// Puts the examples into the document.
pub(super) fn put_into(document: &mut Value) {
    for (method, path, status, example) in answers() {
        put(&mut document["paths"][path][method]["responses"][status]["content"], example);
    }
    for (path, example) in requests() {
        put(&mut document["paths"][path]["post"]["requestBody"]["content"], example);
    }
}

/// Into whatever media type the content has; a misspelt place has none, which a test notices.
fn put(content: &mut Value, example: Value) {
    if let Some(media) = content.as_object_mut().and_then(|types| types.values_mut().next()) {
        media["example"] = example;
    }
}

fn id(n: u8) -> [u8; 10] {
    [n; 10]
}

fn page(items: &impl Serialize) -> Value {
    json!({ "items": items, "next": "WyJBLTEyIl0" })
}

fn answers() -> Vec<(&'static str, &'static str, &'static str, Value)> {
    let (person, machine) = (PersonId::from_time(AT_MS, id(1)), MachineId::from_time(AT_MS, id(2)));
    let property = PropertyId::from_time(AT_MS, id(3));
    let (record, doc) = (RecordId::from_time(AT_MS, id(4)), DocId(machine.0));
    let code = CodeIssued { code: "4K7QM-2ZT9A".to_owned(), person, until_ms: AT_MS + 86_400_000 };
    let token = TokenAnswer { access_token: "header.claims.signature".to_owned(), token_type: "Bearer".to_owned(), expires_in: 900 };
    let backup = BackupLine { name: "2026-06-01T13-00-00Z.tappetbook".to_owned(), made_ms: AT_MS, bytes: 1_245_184 };
    let person_line =
        PersonLine { person, name: "Pia Larkin".to_owned(), role: Some(Role::Tech), properties: vec!["Quince court".to_owned()] };
    let property_line = PropertyLine {
        property,
        name: "Quince court".to_owned(),
        address: "12 Orchard lane".to_owned(),
        access: "Gate code at the desk".to_owned(),
        season: None,
        machines: 3,
    };
    let history = HistoryLine {
        record,
        short: "04040404".to_owned(),
        kind: "clearance".to_owned(),
        at_ms: AT_MS,
        by: "Pia Larkin".to_owned(),
        words: "1I found: 5 to 6 thou".to_owned(),
        fate: Fate::Stands,
        at_shop: true,
    };
    let plan = LeafPlan {
        valve: valve(),
        most_tries: 2,
        lines: vec!["Try the 5 thou leaf.".to_owned(), "It enters: try the 6 thou leaf.".to_owned()],
    };
    vec![
        ("get", "/health", "200", json!({ "status": "up" })),
        ("post", "/v1/enrol", "200", json!(enrolled(person))),
        ("post", "/v1/token", "200", json!(token)),
        ("post", "/v1/codes", "200", json!(code)),
        ("post", "/v1/backups", "201", json!(backup)),
        ("get", "/v1/backups", "200", json!([backup])),
        ("get", "/v1/status", "200", json!(status())),
        ("get", "/v1/people", "200", page(&[person_line])),
        ("get", "/v1/properties", "200", page(&[property_line])),
        ("get", "/v1/machines", "200", page(&[machine_line(machine, property)])),
        ("get", "/v1/machines/{id}/history", "200", page(&[history])),
        ("get", "/v1/due", "200", json!([due_line(machine, property)])),
        ("get", "/v1/contested", "200", json!([contested(doc, record)])),
        ("get", "/v1/quarantine", "200", page(&[quarantined(doc, record)])),
        ("get", "/v1/visits/{id}/service-record", "200", json!(service_record(record))),
        ("get", "/v1/machines/{id}/leaves", "200", json!(Reckoned { facts: plan, words: vec!["Two tries settle it.".to_owned()] })),
    ]
}

fn requests() -> Vec<(&'static str, Value)> {
    let person = PersonId::from_time(AT_MS, id(1));
    let enrol = EnrolRequest {
        code: "4K7QM-2ZT9A".to_owned(),
        device: DeviceId::from_time(AT_MS, id(5)),
        device_name: "Pia's phone".to_owned(),
        record_key: Bytes32([17; 32]),
        login_key: Bytes32([34; 32]),
    };
    let token = TokenRequest {
        grant_type: "client_credentials".to_owned(),
        client_assertion_type: ASSERTION_TYPE.to_owned(),
        client_assertion: "header.claims.signature".to_owned(),
    };
    vec![("/v1/enrol", json!(enrol)), ("/v1/token", json!(token)), ("/v1/codes", json!(CodeRequest { person }))]
}

fn valve() -> Valve {
    // A valve of cylinder 1 exists: the domain begins there.
    Valve::new(1, Side::Intake).unwrap_or_else(|| Valve::all(1).remove(0))
}

fn enrolled(person: PersonId) -> EnrolAnswer {
    EnrolAnswer {
        shop: ShopId::from_time(AT_MS, id(6)),
        shop_name: "Green End Mowers (invented)".to_owned(),
        issuer: "https://book.example".to_owned(),
        shop_device: DeviceId::from_time(AT_MS, id(7)),
        shop_key: Bytes32([51; 32]),
        person,
        person_name: "Pia Larkin".to_owned(),
        role: Some(Role::Tech),
        shop_time_ms: AT_MS,
    }
}

fn status() -> ShopStatus {
    ShopStatus {
        shop: "Green End Mowers (invented)".to_owned(),
        time_zone: "America/Chicago".to_owned(),
        people: 5,
        devices: 6,
        properties: 12,
        machines: 40,
        engine_cards: 4,
        records: 812,
        quarantined: 0,
        contested: 1,
        position: 431,
        epoch: None,
    }
}

fn machine_line(machine: MachineId, property: PropertyId) -> MachineLine {
    MachineLine {
        machine,
        tag: "A-12".to_owned(),
        description: "Ride-on mower, twin".to_owned(),
        property: Some(property),
        property_name: "Quince court".to_owned(),
        duty: Duty::default(),
        hours_per_week: Some(12),
        season: Between::months(4, 10).ok(),
        provisional: false,
        engine_card: Some(CardId::from_time(AT_MS, id(8))),
        meter: Some(Hours::from_tenths(9_883)),
        hold: false,
        contested: false,
    }
}

fn due_line(machine: MachineId, property: PropertyId) -> DueLine {
    let due = Due {
        state: DueState::DueSoon,
        by_hours: Some(Hours::from_tenths(10_000)),
        hours_left: Some(Hours::from_tenths(117)),
        by_calendar: None,
        date: Some(jiff::civil::date(2026, 6, 9)),
        limit: Some(Limit::Hours),
        hours_unknown: false,
        estimated: false,
    };
    DueLine {
        machine,
        tag: "A-12".to_owned(),
        description: "Ride-on mower, twin".to_owned(),
        property: Some(property),
        property_name: "Quince court".to_owned(),
        engine: "Invented twin 600".to_owned(),
        meter: Some(Hours::from_tenths(9_883)),
        words: due.words(jiff::civil::date(2026, 6, 1)),
        due: Some(due),
        hold: false,
        contested: false,
        recheck: false,
        open_visit: false,
    }
}

fn contested(doc: DocId, record: RecordId) -> ContestedSlot {
    let (go, no_go) = (Length::from_thou(5), Length::from_thou(6));
    let words = Bracket::new(Some(go), Some(no_go)).map(|b| b.show(shared::length::LengthUnit::Thou)).unwrap_or_default();
    let reading = ContestedReading {
        record,
        short: "04040404".to_owned(),
        by: "Pia Larkin".to_owned(),
        role: "tech".to_owned(),
        words,
        at_ms: AT_MS,
        when: "2026-06-01 08:00 by the device's clock".to_owned(),
        stands: true,
        aside: None,
    };
    ContestedSlot {
        doc,
        title: "A-12".to_owned(),
        slot: Slot::Lash(valve(), Stage::Found),
        slot_words: Slot::Lash(valve(), Stage::Found).words(),
        reason: "lead over tech, 14 min apart".to_owned(),
        order_unknown: false,
        readings: vec![reading],
        more: 0,
        rulings: Vec::new(),
    }
}

fn quarantined(doc: DocId, record: RecordId) -> QuarantineView {
    let held = Quarantined {
        id: 1,
        record: Some(record),
        doc,
        code: Code::RoleMayNot,
        device: Some(DeviceId::from_time(AT_MS, id(5))),
        since_ms: AT_MS,
        state: QuarantineState::Waiting,
        kind: Some("sign-off".to_owned()),
        bytes: Vec::new(),
    };
    let line = QuarantineLine {
        held,
        title: "A-12".to_owned(),
        by_name: "Ben".to_owned(),
        role: "helper".to_owned(),
        device_name: "Ben's phone".to_owned(),
        stated_ms: Some(AT_MS),
        words: "visit finished, complete".to_owned(),
        detail: "A helper may not finish a visit.".to_owned(),
    };
    QuarantineView { line, would_change: vec!["Nothing stands for visit sign-off now; this would.".to_owned()], can_be_let_in: true }
}

fn service_record(visit: RecordId) -> ServiceRecord {
    ServiceRecord {
        shop: "Green End Mowers (invented)".to_owned(),
        visit,
        tag: "A-12".to_owned(),
        description: "Ride-on mower, twin".to_owned(),
        property: "Quince court".to_owned(),
        when: "2026-06-01 08:00".to_owned(),
        by: "Pia Larkin".to_owned(),
        meter: Some(Hours::from_tenths(9_883)),
        card: "Invented twin of 2026-03-01, record 9c4e5464".to_owned(),
        source: "An invented manual, page 12".to_owned(),
        valves: vec![ServiceValve {
            valve: valve(),
            range: "4 to 6 thou".to_owned(),
            found: "7 to 8 thou".to_owned(),
            left: "5 to 6 thou".to_owned(),
            verdict: "in spec".to_owned(),
        }],
        findings: Vec::new(),
        more_findings: 0,
        hold: false,
        next_due: "Due 2026-12-01 (in 183 days) by the calendar.".to_owned(),
        finished: true,
        made: jiff::civil::date(2026, 6, 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_example_has_its_place_in_the_document() {
        let document = crate::openapi::document();
        let shown = |content: &Value| content.as_object().and_then(|types| types.values().next()).map(|media| media["example"].clone());
        for (method, path, status, example) in answers() {
            assert_eq!(shown(&document["paths"][path][method]["responses"][status]["content"]), Some(example), "{method} {path}");
        }
        for (path, example) in requests() {
            assert_eq!(shown(&document["paths"][path]["post"]["requestBody"]["content"]), Some(example), "{path}");
        }
    }
}
