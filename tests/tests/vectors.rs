//! The conformance vectors: the committed files are what the code makes, and, read alone, they hold against the engine.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use fixtures::vectors::exchange::World;
use fixtures::vectors::standings::{self, judged};
use fixtures::vectors::{files, folder, record_of, text};
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use shared::bracket::Bracket;
use shared::bytes::Bytes32;
use shared::caution::before;
use shared::due::{DueInput, LastCheck, due, estimated_per_day};
use shared::engine_card::{EngineCard, Interval, table};
use shared::ids::{CardId, DeviceId, DocId, ShopId};
use shared::length::Length;
use shared::record::Record;
use shared::verdict::{FAR_TENTHS, gross};
use shared::wire::{ExchangeAnswer, ExchangeRequest, Recipe, ShortRecipe};
use sync_core::book::login::LoginError;
use sync_core::change::decode;
use sync_core::change::replica::{change_bytes, change_hash, genesis_bytes, genesis_hash, save};
use sync_core::crypto::envelope;
use sync_core::engine::incoming::IncomingBatch;
use sync_core::sync::{read_body, write_body};
use sync_core::sys::clock::ClockReading;
use tests::oracle::{Oracle, Verdict};

fn chance(buffer: &mut [u8]) {
    getrandom::fill(buffer).unwrap();
}

fn file(name: &str) -> Value {
    serde_json::from_str(&std::fs::read_to_string(folder().join(name)).unwrap()).unwrap()
}

fn get<T: DeserializeOwned>(json: &Value, name: &str) -> T {
    serde_json::from_value(json[name].clone()).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn bytes(json: &Value, name: &str) -> Vec<u8> {
    hex::decode(json[name].as_str().unwrap_or_else(|| panic!("no {name}"))).unwrap()
}

fn list<'a>(json: &'a Value, name: &str) -> &'a [Value] {
    let list = json[name].as_array().unwrap();
    assert!(!list.is_empty(), "{name} is empty");
    list
}

#[test]
fn the_committed_files_are_what_the_code_makes() {
    for (name, content) in files() {
        let committed = std::fs::read_to_string(folder().join(name)).unwrap();
        assert!(
            committed == text(&content),
            "{name} is not what the code makes: cargo run -p fixtures --bin vectors, and look at the difference"
        );
    }
}

#[test]
fn records_open_hold_and_say_what_they_are_said_to() {
    let file = file("records.json");
    let (shop, key): (ShopId, Bytes32) = (get(&file, "shop"), get(&file, "record_key_public"));
    for case in list(&file, "good") {
        let envelope = bytes(case, "envelope");
        let opened = envelope::decode_unverified(&envelope).unwrap();
        opened.verify(&key, shop).unwrap();
        opened.record.check().unwrap();
        assert_eq!(opened.device, get::<DeviceId>(&file, "device"));
        let record: Record = record_of(&case["payload"]).unwrap();
        assert_eq!((&opened.record, record.encode().unwrap()), (&record, bytes(case, "payload_cbor")));
        assert_eq!(shared::slot::Slot::of(&record), get(case, "slot"));
    }
    assert_eq!(
        list(&file, "good").iter().map(|c| get::<String>(c, "kind")).collect::<std::collections::BTreeSet<_>>(),
        shared::record::Body::KINDS.iter().map(|kind| (*kind).to_owned()).collect()
    );
    for case in list(&file, "carried") {
        let opened = envelope::decode_unverified(&bytes(case, "envelope")).unwrap();
        opened.verify(&key, shop).unwrap();
        opened.record.check().unwrap();
        assert!(matches!(opened.record.body, shared::record::Body::Unknown(_)));
    }
    for case in list(&file, "also_read") {
        envelope::decode_unverified(&bytes(case, "envelope")).unwrap().verify(&key, shop).unwrap();
    }
}

#[test]
fn what_must_be_refused_is_and_at_the_step_that_is_named() {
    let file = file("records.json");
    let key: Bytes32 = get(&file, "record_key_public");
    for case in list(&file, "refused") {
        let what = &case["what"];
        let opened = envelope::decode_unverified(&bytes(case, "envelope"));
        if case["step"] == "open" {
            assert!(opened.is_err(), "{what}");
            continue;
        }
        let opened = opened.unwrap_or_else(|error| panic!("{what}: {error}"));
        let key = if case["record_key_public"].is_string() { get(case, "record_key_public") } else { key };
        let verified = opened.verify(&key, get(case, "shop"));
        match case["step"].as_str().unwrap() {
            "verify" => assert!(verified.is_err(), "{what}"),
            "check" => assert!(verified.is_ok() && opened.record.check().is_err(), "{what}"),
            other => panic!("a step {other}"),
        }
    }
}

/// Written by hand: what is in the columns is the body, and from the body follows what is said of the engine.
#[test]
fn engine_cards_are_what_is_written_and_mean_what_is_said() {
    let file = file("cards.json");
    for case in list(&file, "cards") {
        let (what, means) = (&case["what"], &case["means"]);
        let [listed] = table::read(&table_of(&case["columns"])).unwrap_or_else(|e| panic!("{what}: {e}")).try_into().unwrap();
        let mut body = serde_json::to_value(listed.with_id(CardId::from_bytes([1; 16]))).unwrap();
        body.as_object_mut().unwrap().remove("card");
        assert_eq!(body, case["body"], "{what}");
        body["card"] = json!(CardId::from_bytes([1; 16]));
        let card: EngineCard = serde_json::from_value(body).unwrap();
        card.check().unwrap_or_else(|e| panic!("{what}: {e}"));
        assert_eq!(json!(before(card.ignition)), means["before"], "{what}");
        let firing = card.firing.as_ref();
        let after = |cylinder: u8| {
            let firing = firing?;
            let found = firing.order.iter().find(|other| firing.words(cylinder)[0].contains(&format!("after cylinder {other} ")))?;
            Some(json!({"cylinder": found, "degrees": firing.between(*found, cylinder)}))
        };
        let every = 1..=card.cylinders;
        assert_eq!(json!(every.clone().map(after).collect::<Vec<_>>()), means["fires_after"], "{what}");
        assert_eq!(json!(every.map(|c| firing.and_then(|f| f.in_overlap(c))).collect::<Vec<_>>()), means["in_overlap"], "{what}");
        for asked in means["asked_first"].as_array().unwrap() {
            let side = if asked["side"] == "intake" { card.intake } else { card.exhaust };
            let bracket = Bracket::new(get(asked, "go_tenth_um"), get(asked, "no_go_tenth_um")).unwrap();
            let found = gross(&bracket, &side.unwrap(), card.far_tenths.unwrap_or(FAR_TENTHS));
            assert_eq!(json!(found), asked["gross"], "{what}: {asked}");
        }
    }
    for case in list(&file, "refused_columns") {
        assert!(table::read(&table_of(&case["columns"])).is_err(), "{}", case["what"]);
    }
}

/// A table of one row.
fn table_of(columns: &Value) -> Vec<u8> {
    let columns = columns.as_object().unwrap();
    let line = |cells: Vec<&str>| cells.iter().map(|cell| format!("\"{cell}\"")).collect::<Vec<_>>().join(",");
    let (names, cells) = columns.iter().map(|(name, cell)| (name.as_str(), cell.as_str().unwrap())).unzip();
    format!("{}\n{}\n", line(names), line(cells)).into_bytes()
}

#[test]
fn a_check_is_due_by_an_estimate_and_in_season() {
    for case in list(&file("cards.json"), "due") {
        let checked: jiff::civil::Date = get(case, "checked");
        let asked = DueInput {
            last: Some(LastCheck { date: checked, hours: None }),
            left_open: false,
            interval: Interval { hours: get(case, "every_h"), months: None },
            hours_now: None,
            hours_now_date: None,
            tenth_hours_per_day: None,
            estimate: Some(estimated_per_day(get(case, "hours_per_week"))),
            season: get(case, "season"),
            today: checked,
        };
        assert_eq!(json!(due(&asked).date), case["due"], "{}", case["what"]);
    }
}

#[test]
fn recipes_make_these_changes_and_no_others() {
    let file = file("changes.json");
    let doc: DocId = get(&file, "doc");
    for (doc, genesis) in [(doc, &file["genesis"])].into_iter().chain(list(&file, "other_geneses").iter().map(|g| (get(g, "doc"), g))) {
        assert_eq!((hex::encode(genesis_bytes(doc)), genesis_hash(doc)), (get(genesis, "change"), get(genesis, "hash")));
    }
    let mut recipes: Vec<Recipe> = Vec::new();
    for case in list(&file, "changes") {
        let recipe: Recipe = get(case, "recipe");
        assert_eq!(change_hash(doc, &recipe).unwrap(), recipe.hash, "{}", case["what"]);
        let change = change_bytes(doc, &recipe).unwrap();
        assert_eq!(change.len(), case["change_bytes"].as_u64().and_then(|n| usize::try_from(n).ok()).unwrap());
        if case["change"].is_string() {
            assert_eq!(change, bytes(case, "change"));
            assert_eq!(change[4..8], recipe.hash.0[..4], "the checksum is the hash's beginning");
        }
        recipes.push(recipe);
    }
    // Automerge itself takes all but the last, whose sequence number does not follow.
    assert!(save(doc, &recipes[..3]).is_ok());
    for case in list(&file, "refused") {
        let recipe: Recipe = get(case, "recipe");
        assert!(change_hash(doc, &recipe).ok() != Some(recipe.hash), "{}", case["why"]);
    }
}

#[test]
fn what_stands_is_what_was_written_by_hand() {
    let file = file("standings.json");
    for case in list(&file, "cases") {
        let name = &case["name"];
        let (standing, entries, roster) = judged(case).unwrap();
        let expected = &case["expected"];
        let said = standings::said(&standing);
        let mut wanted = expected.clone();
        if let Some(edges) = wanted.as_object_mut().unwrap().remove("bracket_tenth_um") {
            let bracket = standing.bracket.map(|b| [b.go(), b.no_go()].map(|edge| edge.map(Length::tenth_um)));
            assert_eq!(json!(bracket), edges, "{name}");
        }
        assert_eq!(said, wanted, "{name}");
        // A second opinion, from the slow oracle, which knows no rings.
        if *name != "a ring" {
            let slow = Oracle::over(&entries, &roster).judge(&standing.slot).expect("no two sets of hours weigh the same");
            assert_eq!(slow, Verdict::from(&standing), "{name}, says the oracle");
        }
    }
}

#[test]
fn bodies_are_read_and_the_engine_answers_the_same() {
    let file = file("exchange.json");
    let World { mut shop, mut phone, enrolled, .. } = World::new();
    let root = enrolled.shop;
    let mut keys = std::collections::BTreeMap::from([(enrolled.shop_device, enrolled.shop_key)]);
    for (n, step) in list(&file, "steps").iter().enumerate() {
        let what = &step["what"];
        let request: ExchangeRequest = both_ways(&step["request"]);
        let answer: ExchangeAnswer = both_ways(&step["answer"]);
        let offered = request.docs.iter().map(|doc| (doc.id, doc.recipes.clone()));
        let packed = answer.docs.iter().flat_map(|doc| doc.segments.iter().map(|pack| (doc.id, decode(&pack.0).unwrap())));
        let lists = offered.chain(packed).chain(answer.docs.iter().map(|doc| (doc.id, doc.recipes.clone())));
        for brought in lists.flat_map(|(doc, recipes)| IncomingBatch::open(doc, recipes).changes) {
            assert_eq!(brought.fault, None, "{what}");
            for record in &brought.recipe.records {
                let opened = envelope::decode_unverified(&record.0).unwrap();
                opened.verify(&keys[&opened.device], root).unwrap();
                if let shared::record::Body::Device(card) = &opened.record.body {
                    keys.insert(card.device, card.record_key);
                }
            }
        }
        let now = ClockReading::at(request.device_time);
        // From the fifth on, a request builds on the receipt of the shop that the vectors were made with.
        if n < 4 {
            let device = phone.identity().unwrap().device;
            let again = shop.peer().answer(device, &request, &now, &mut chance).unwrap();
            let settled =
                |answer: &ExchangeAnswer| answer.docs.iter().map(|d| (d.id, d.taken.clone(), d.refused.clone())).collect::<Vec<_>>();
            assert_eq!(settled(&again), settled(&answer), "{what}");
        }
        // The phone of the vectors takes the answers to what it has asked itself: the first two.
        if n < 2 {
            let report = phone.peer().take_answer(&now, &answer, &now, &mut chance).unwrap();
            assert_eq!((report.refused, report.more), (vec![], false), "{what}");
        }
    }
    assert_eq!(phone.verify().unwrap().faults, Vec::<String>::new());
    assert_eq!(shop.verify().unwrap().faults, Vec::<String>::new());
    for case in list(&file, "refused_bodies") {
        assert!(read_body::<ExchangeRequest>(&bytes(case, "cbor"), false).is_err(), "{}", case["what"]);
    }
    for case in list(&file, "refused_short") {
        let recipes: Vec<ShortRecipe> = read_body(&bytes(case, "cbor"), false).unwrap();
        let mut brought = IncomingBatch::open(get(case, "doc"), recipes).changes.into_iter();
        assert!(brought.any(|change| change.fault.is_some()), "{}", case["what"]);
    }
}

/// A body read plain and unpacked, and written as it was.
fn both_ways<T: DeserializeOwned + serde::Serialize + PartialEq + std::fmt::Debug>(json: &Value) -> T {
    let plain: T = read_body(&bytes(json, "cbor"), false).unwrap();
    assert_eq!(read_body::<T>(&bytes(json, "zstd"), true).unwrap(), plain);
    assert_eq!(write_body(&plain, false).unwrap(), bytes(json, "cbor"));
    plain
}

#[test]
fn log_ins_are_taken_and_refused_as_said() {
    let file = file("tokens.json");
    let shop = World::new().shop;
    let now = ClockReading::at(file["now_s"].as_i64().unwrap() * 1000);
    for case in list(&file, "cases") {
        let said = match shop.tokens().log_in(case["assertion"].as_str().unwrap(), &now) {
            Ok(_) => Value::Null,
            Err(LoginError::Refused(code, _)) => json!(code),
            Err(LoginError::Book(error)) => panic!("{error}"),
        };
        assert_eq!(said, case["code"], "{}", case["what"]);
    }
}
