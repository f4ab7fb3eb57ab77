//! Paper over HTTP: who gets a service record, and what is said of a wrong question.

use shared::ids::RecordId;
use shared::problem::Code;
use shared::record::{SignOff, Visit};
use shared::role::Role;

use super::support::{World, reading};

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
    let visit = tech.book.store().machine(machine).unwrap().unwrap().state.visits[0].visit;
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
    assert!(backwards.problem(400, Code::BodyInvalid).detail.contains("before they begin"));
    // What is no visit is as closed as another's.
    ask(format!("/v1/visits/{}/service-record.pdf", RecordId::from_bytes([9; 16]))).await.problem(404, Code::NotFound);
}
