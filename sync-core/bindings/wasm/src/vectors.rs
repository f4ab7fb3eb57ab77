//! The conformance vectors, held against this very build in the browser: the files are what the code makes here too, and, read
//! alone, they hold against the engine. The native half is `tests/tests/vectors.rs`.

#[path = "../../../../fixtures/src/vectors/mod.rs"]
#[expect(unreachable_pub, dead_code, reason = "files of another crate's, which uses more of them")]
mod made;

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use shared::bracket::Bracket;
use shared::bytes::Bytes32;
use shared::caution::before;
use shared::due::{DueInput, LastCheck, due, estimated_per_day};
use shared::engine_card::{EngineCard, Interval};
use shared::ids::{CardId, DocId, ShopId};
use shared::length::Length;
use shared::record::Record;
use shared::verdict::{FAR_TENTHS, gross};
use shared::wire::{ExchangeAnswer, ExchangeRequest, Recipe, ShortRecipe};
use sync_core::engine::incoming::IncomingBatch;
use sync_core::crypto::envelope;
use sync_core::sync::{read_body, write_body};
use sync_core::book::login::LoginError;
use sync_core::sys::clock::ClockReading;
use sync_core::change::replica::{change_bytes, change_hash, genesis_bytes, genesis_hash, save};

use made::exchange::World;

/// Holds a file, given as its text, against the engine; how many cases it looked at.
pub(crate) fn check(name: &str, text: &str) -> Result<usize, String> {
    let (_, content) = made::files().into_iter().find(|(file, _)| *file == name).ok_or_else(|| format!("there is no {name}"))?;
    holds(made::text(&content) == text, "the file is what the code makes here")?;
    let file: Value = serde_json::from_str(text).map_err(said)?;
    Ok(1 + match name {
        "records.json" => records(&file)?,
        "changes.json" => changes(&file)?,
        "standings.json" => standings(&file)?,
        "cards.json" => cards(&file)?,
        "exchange.json" => exchange(&file)?,
        "tokens.json" => tokens(&file)?,
        other => return Err(format!("nothing looks at {other}")),
    })
}

fn said(error: impl std::fmt::Display) -> String {
    error.to_string()
}

fn holds(holds: bool, what: &str) -> Result<(), String> {
    if holds { Ok(()) } else { Err(format!("does not hold: {what}")) }
}

fn get<T: DeserializeOwned>(json: &Value, name: &str) -> Result<T, String> {
    serde_json::from_value(json[name].clone()).map_err(|error| format!("{name}: {error}"))
}

fn bytes(json: &Value, name: &str) -> Result<Vec<u8>, String> {
    hex::decode(json[name].as_str().unwrap_or_default()).map_err(said)
}

fn list<'a>(json: &'a Value, name: &str) -> Result<&'a [Value], String> {
    json[name].as_array().map(Vec::as_slice).filter(|list| !list.is_empty()).ok_or_else(|| format!("no {name}"))
}

fn records(file: &Value) -> Result<usize, String> {
    let (shop, key): (ShopId, Bytes32) = (get(file, "shop")?, get(file, "record_key_public")?);
    let (good, refused) = (list(file, "good")?, list(file, "refused")?);
    for case in good {
        let opened = envelope::decode_unverified(&bytes(case, "envelope")?).map_err(said)?;
        opened.verify(&key, shop).map_err(said)?;
        opened.record.check().map_err(said)?;
        let record: Record = made::record_of(&case["payload"])?;
        holds(
            opened.record == record && record.encode().map_err(said)? == bytes(case, "payload_cbor")?,
            "a record says what it is said to",
        )?;
    }
    for case in list(file, "carried")?.iter().chain(list(file, "also_read")?) {
        envelope::decode_unverified(&bytes(case, "envelope")?).map_err(said)?.verify(&key, shop).map_err(said)?;
    }
    for case in refused {
        let what = case["what"].to_string();
        let opened = envelope::decode_unverified(&bytes(case, "envelope")?);
        let step = case["step"].as_str().unwrap_or_default();
        let Ok(opened) = opened else {
            holds(step == "open", &what)?;
            continue;
        };
        let key = if case["record_key_public"].is_string() { get(case, "record_key_public")? } else { key };
        let verified = opened.verify(&key, get(case, "shop")?).is_ok();
        holds(step == "verify" && !verified || step == "check" && verified && opened.record.check().is_err(), &what)?;
    }
    Ok(good.len() + refused.len())
}

fn cards(file: &Value) -> Result<usize, String> {
    let (cards, due_cases) = (list(file, "cards")?, list(file, "due")?);
    for case in cards {
        let (what, means) = (case["what"].to_string(), &case["means"]);
        let mut body = case["body"].clone();
        body["card"] = json!(CardId::from_bytes([1; 16]));
        let card: EngineCard = serde_json::from_value(body).map_err(said)?;
        card.check().map_err(said)?;
        holds(json!(before(card.ignition)) == means["before"], &what)?;
        let overlap: Vec<Option<u8>> = (1..=card.cylinders).map(|c| card.firing.as_ref().and_then(|f| f.in_overlap(c))).collect();
        holds(json!(overlap) == means["in_overlap"], &what)?;
        for asked in means["asked_first"].as_array().ok_or("no asked_first")? {
            let range = if asked["side"] == "intake" { card.intake } else { card.exhaust }.ok_or("no range")?;
            let bracket = Bracket::new(get(asked, "go_tenth_um")?, get(asked, "no_go_tenth_um")?).map_err(said)?;
            holds(json!(gross(&bracket, &range, card.far_tenths.unwrap_or(FAR_TENTHS))) == asked["gross"], &what)?;
        }
    }
    for case in due_cases {
        let checked = get(case, "checked")?;
        let asked = DueInput {
            last: Some(LastCheck { date: checked, hours: None }),
            left_open: false,
            interval: Interval { hours: get(case, "every_h")?, months: None },
            hours_now: None,
            hours_now_date: None,
            tenth_hours_per_day: None,
            estimate: Some(estimated_per_day(get(case, "hours_per_week")?)),
            season: get(case, "season")?,
            today: checked,
        };
        holds(json!(due(&asked).date) == case["due"], &case["what"].to_string())?;
    }
    Ok(cards.len() + due_cases.len())
}

fn changes(file: &Value) -> Result<usize, String> {
    let doc: DocId = get(file, "doc")?;
    let genesis = (hex::encode(genesis_bytes(doc)), genesis_hash(doc));
    holds(genesis == (get(&file["genesis"], "change")?, get(&file["genesis"], "hash")?), "the genesis")?;
    let mut recipes: Vec<Recipe> = Vec::new();
    for case in list(file, "changes")? {
        let recipe: Recipe = get(case, "recipe")?;
        let what = case["what"].to_string();
        holds(change_hash(doc, &recipe).ok() == Some(recipe.hash), &what)?;
        if case["change"].is_string() {
            holds(change_bytes(doc, &recipe).map_err(said)? == bytes(case, "change")?, &what)?;
        }
        recipes.push(recipe);
    }
    // Automerge itself, compiled for the browser, takes all but the last, whose sequence number does not follow.
    let first = recipes.get(..3).ok_or("fewer than three changes")?;
    save(doc, first).map_err(said)?;
    let refused = list(file, "refused")?;
    for case in refused {
        let recipe: Recipe = get(case, "recipe")?;
        holds(change_hash(doc, &recipe).ok() != Some(recipe.hash), &case["why"].to_string())?;
    }
    Ok(recipes.len() + refused.len())
}

fn standings(file: &Value) -> Result<usize, String> {
    let cases = list(file, "cases")?;
    for case in cases {
        let (standing, ..) = made::standings::judged(case)?;
        let mut wanted = case["expected"].clone();
        if let Some(edges) = wanted.as_object_mut().and_then(|wanted| wanted.remove("bracket_tenth_um")) {
            let bracket = standing.bracket.map(|b| [b.go(), b.no_go()].map(|edge| edge.map(Length::tenth_um)));
            holds(json!(bracket) == edges, &case["name"].to_string())?;
        }
        let said = made::standings::said(&standing);
        holds(said == wanted, &case["name"].to_string())?;
    }
    Ok(cases.len())
}

fn exchange(file: &Value) -> Result<usize, String> {
    #[expect(clippy::disallowed_methods, reason = "any bytes at all serve a check")]
    let mut chance = |buffer: &mut [u8]| getrandom::fill(buffer).unwrap_or_default();
    let World { mut shop, mut phone, .. } = World::new();
    let steps = list(file, "steps")?;
    for (n, step) in steps.iter().enumerate() {
        let what = step["what"].to_string();
        let request: ExchangeRequest = both_ways(&step["request"])?;
        let answer: ExchangeAnswer = both_ways(&step["answer"])?;
        let lists =
            request.docs.iter().map(|doc| (doc.id, doc.recipes.clone())).chain(answer.docs.iter().map(|doc| (doc.id, doc.recipes.clone())));
        holds(lists.flat_map(|(doc, recipes)| IncomingBatch::open(doc, recipes).changes).all(|change| change.fault.is_none()), &what)?;
        let now = ClockReading::at(request.device_time);
        if n < 4 {
            let device = phone.identity().map_err(said)?.device;
            let again = shop.peer().answer(device, &request, &now, &mut chance).map_err(|_| what.clone())?;
            let settled =
                |answer: &ExchangeAnswer| answer.docs.iter().map(|d| (d.id, d.taken.clone(), d.refused.clone())).collect::<Vec<_>>();
            holds(settled(&again) == settled(&answer), &what)?;
        }
        // The phone of the vectors takes the answers to what it has asked itself: the first two.
        if n < 2 {
            let report = phone.peer().take_answer(&now, &answer, &now, &mut chance).map_err(said)?;
            holds(report.refused.is_empty() && !report.more, &what)?;
        }
    }
    holds(phone.verify().map_err(said)?.faults.is_empty() && shop.verify().map_err(said)?.faults.is_empty(), "both books verify")?;
    for case in list(file, "refused_bodies")? {
        holds(read_body::<ExchangeRequest>(&bytes(case, "cbor")?, false).is_err(), &case["what"].to_string())?;
    }
    for case in list(file, "refused_short")? {
        let recipes: Vec<ShortRecipe> = read_body(&bytes(case, "cbor")?, false).map_err(said)?;
        let mut brought = IncomingBatch::open(get(case, "doc")?, recipes).changes.into_iter();
        holds(brought.any(|change| change.fault.is_some()), &case["what"].to_string())?;
    }
    Ok(steps.len() + list(file, "refused_bodies")?.len() + list(file, "refused_short")?.len())
}

/// A body read plain and unpacked, and written as it was.
fn both_ways<T: DeserializeOwned + Serialize + PartialEq>(json: &Value) -> Result<T, String> {
    let plain: T = read_body(&bytes(json, "cbor")?, false).map_err(said)?;
    let unpacked: T = read_body(&bytes(json, "zstd")?, true).map_err(said)?;
    holds(unpacked == plain, "a body packed is the body plain")?;
    holds(write_body(&plain, false).map_err(said)? == bytes(json, "cbor")?, "a body is written as it was read")?;
    Ok(plain)
}

fn tokens(file: &Value) -> Result<usize, String> {
    let shop = World::new().shop;
    let now = ClockReading::at(file["now_s"].as_i64().ok_or("no now_s")? * 1000);
    let cases = list(file, "cases")?;
    for case in cases {
        let code = match shop.tokens().log_in(case["assertion"].as_str().unwrap_or_default(), &now) {
            Ok(_) => Value::Null,
            Err(LoginError::Refused(code, _)) => json!(code),
            Err(LoginError::Book(error)) => return Err(error.to_string()),
        };
        holds(code == case["code"], &case["what"].to_string())?;
    }
    Ok(cases.len())
}
