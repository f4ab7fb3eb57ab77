//! Paper over HTTP: who gets a service record, and what is said of a wrong question.

use server::Clock;
use shared::engine_card::{EngineCard, Interval, Range, Source};
use shared::ids::{CardId, RecordId};
use shared::length::Length;
use shared::problem::Code;
use shared::record::{MachineCard, SignOff, Stage, Visit};
use shared::role::Role;
use sync_core::book::Draft;

use super::support::{World, chance, reading};

/// A finished visit of a tech to a machine, at the shop.
async fn visited(world: &World) -> (super::support::Device, super::support::Device, String, RecordId) {
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "Q-7").await;
    let mut tech = world.join(&mut office, "Pia", Role::Tech, Some(property)).await;
    tech.state(
        world,
        machine,
        vec![Visit { cold: true, engine_tenth_c: None, cautions_confirmed: true, purpose: String::new(), resumes: None }.into()],
    );
    let visit = tech.book.store().machine_rows().machine(machine).unwrap().unwrap().state.visits[0].visit;
    let mut found = reading(5, 6);
    if let shared::record::Body::Clearance(clearance) = &mut found {
        clearance.visit = Some(visit);
    }
    tech.state(world, machine, vec![found, SignOff { visit, complete: true, remark: "not for the client".to_owned() }.into()]);
    tech.level(world).await;
    (office, tech, machine.to_string(), visit)
}

#[tokio::test]
async fn whoever_may_read_the_machine_gets_its_records() {
    let world = World::new();
    let (mut office, tech, machine, visit) = visited(&world).await;
    let outsider = world.join(&mut office, "Tam", Role::Helper, None).await;
    let record = format!("/v1/visits/{visit}/service-record.pdf");
    let season = format!("/v1/machines/{machine}/season.pdf?from=2026-01-01&until=2026-12-31");
    for path in [&record, &season] {
        for token in [&office.token, &tech.token] {
            let answer = world.get(path, token).await;
            assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.body));
            assert_eq!(answer.headers["content-type"], "application/pdf");
            assert_eq!(answer.headers["cache-control"], "private, no-store");
            let shown = answer.headers["content-disposition"].to_str().unwrap();
            assert!(shown.starts_with("inline; filename=\"service-record-Q-7-2026-"), "{shown}");
            let document = lopdf::Document::load_mem(&answer.body).unwrap();
            let text = document.extract_text(&[1]).unwrap();
            assert!(text.contains("5 to 6 thou") && text.contains("Pia") && !text.contains("not for the client"), "{text}");
        }
        let code = if *path == season { Code::DocumentClosed } else { Code::NotFound };
        world.get(path, &outsider.token).await.problem(404, code);
        world.get(path, "").await.problem(401, Code::TokenInvalid);
    }
    let metric = world.get(&format!("{record}?unit=mm&paper=a4"), &tech.token).await;
    let document = lopdf::Document::load_mem(&metric.body).unwrap();
    assert!(document.extract_text(&[1]).unwrap().contains("0.127 to 0.1524 mm"));
}

/// The card is changed after a sign-off: the visit's record over HTTP and both papers keep the range that was in force, and name it; the
/// history and the table of readings say what was read and judge nothing.
#[tokio::test]
async fn a_card_that_is_changed_later_rewrites_no_record() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "Q-7").await;
    let mut tech = world.join(&mut office, "Pia", Role::Tech, Some(property)).await;
    let engines = office.book.identity().unwrap().root.shop.engines();
    let card = |low: i64, page: &str| EngineCard {
        source: Some(Source { manual: "Invented manual".to_owned(), page: page.to_owned() }),
        commercial: Interval { hours: Some(100), months: None },
        homeowner: Interval { hours: Some(100), months: None },
        ..EngineCard::plain(CardId::from_bytes([0xca; 16]), "Invented single", 1, range(low), range(low))
    };
    let known = office.book.store().machine_rows().machine(machine).unwrap().unwrap().state.card.unwrap();
    office.state(&world, engines, vec![card(4, "12").into()]);
    office.state(&world, machine, vec![MachineCard { engine_card: Some(CardId::from_bytes([0xca; 16])), ..known }.into()]);
    office.level(&world).await;
    tech.level(&world).await;
    world.clock.on(3_600_000);
    tech.log_in(&world).await;
    let visit = Visit { cold: true, engine_tenth_c: None, cautions_confirmed: true, purpose: String::new(), resumes: None };
    let visit = tech.book.write(vec![Draft::new(machine, visit)], &world.clock.now(), &mut chance).unwrap()[0];
    let mut left = reading(5, 6);
    if let shared::record::Body::Clearance(clearance) = &mut left {
        (clearance.visit, clearance.stage) = (Some(visit), Stage::Left);
    }
    tech.state(&world, machine, vec![left, SignOff { visit, complete: true, remark: String::new() }.into()]);
    tech.level(&world).await;
    let record = format!("/v1/visits/{visit}/service-record");
    let season = format!("/v1/machines/{machine}/season.pdf?from=2026-01-01&until=2026-12-31");
    let said = async |token: &str| {
        let json: serde_json::Value = world.get(&record, token).await.json();
        let mut said = vec![json["card"].to_string(), json["source"].to_string(), json["valves"][0].to_string()];
        for path in [format!("{record}.pdf"), season.clone()] {
            let document = lopdf::Document::load_mem(&world.get(&path, token).await.body).unwrap();
            said.push(document.extract_text(&[1]).unwrap());
        }
        said
    };
    let tables = async |token: &str| {
        let history = world.get(&format!("/v1/machines/{machine}/history"), token).await.body;
        let readings = world.get("/v1/readings.csv", token).await.body;
        [history, readings].map(|body| String::from_utf8_lossy(&body).into_owned())
    };
    let (before, tables_before) = (said(&tech.token).await, tables(&tech.token).await);
    world.clock.on(86_400_000);
    office.log_in(&world).await;
    office.state(&world, engines, vec![card(20, "13").into()]);
    office.level(&world).await;
    tech.log_in(&world).await;
    let after = said(&tech.token).await;
    assert_eq!(before[..3], after[..3]);
    for (paper, said) in [("visit", &after[3]), ("season", &after[4])] {
        let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains("4 to 6 thou") && said.contains("In spec") && !said.contains("Tight"), "{paper}: {said}");
        assert!(
            said.contains("Judged by the engine card Invented single of 20") && said.contains("Invented manual, 12"),
            "{paper}: {said}"
        );
    }
    assert_eq!(tables_before, tables(&tech.token).await);
    for table in &tables_before {
        assert!(table.contains("1I"), "{table}");
        assert!(!table.contains("in spec") && !table.contains("tight"), "{table}");
    }
}

fn range(low: i64) -> Range {
    Range { low: Length::from_thou(low), high: Length::from_thou(low + 2), aim: None }
}

#[tokio::test]
async fn a_wrong_question_gets_a_sentence() {
    let world = World::new();
    let (office, _, machine, visit) = visited(&world).await;
    let ask = async |path: String| world.get(&path, &office.token).await;
    ask(format!("/v1/visits/{visit}/service-record.pdf?paper=a5")).await.problem(400, Code::Unreadable);
    ask(format!("/v1/visits/{visit}/service-record.pdf?sheet=a4")).await.problem(400, Code::Unreadable);
    ask(format!("/v1/machines/{machine}/season.pdf")).await.problem(400, Code::Unreadable);
    ask(format!("/v1/machines/{machine}/season.pdf?from=2026-01-01&until=soon")).await.problem(400, Code::Unreadable);
    let backwards = ask(format!("/v1/machines/{machine}/season.pdf?from=2026-12-31&until=2026-01-01")).await;
    assert!(backwards.problem(400, Code::EntryInvalid).detail.contains("before they begin"));
    // What is no visit is as closed as another's.
    ask(format!("/v1/visits/{}/service-record.pdf", RecordId::from_bytes([9; 16]))).await.problem(404, Code::NotFound);
}
