//! What is not open to a device looks to it exactly as what does not exist: whole bodies are compared.

use axum::http::{Method, StatusCode};
use server::Clock;
use shared::ids::DocId;
use shared::role::Role;
use shared::wire::{DocOffer, ExchangeAnswer};
use sync_core::sync::{read_body, write_body};
use sync_core::sys::rng::{fresh_person, fresh_uuid};

use crate::support::{Answer, World, chance, exchange_of, reading};

/// Everything of an answer that could tell two apart: status, body, and fields but for those that name the request.
fn told(answer: &Answer) -> (StatusCode, Vec<(String, String)>, String) {
    let id = answer.headers["x-request-id"].to_str().unwrap();
    // The length is the body's, and so the id's too.
    let fields = answer.headers.iter().filter(|(name, _)| !["x-request-id", "content-length"].contains(&name.as_str()));
    let mut fields: Vec<_> = fields.map(|(name, value)| (name.to_string(), value.to_str().unwrap().to_owned())).collect();
    fields.sort();
    (answer.status, fields, String::from_utf8(answer.body.clone()).unwrap().replace(id, "its id"))
}

/// Every route below a machine, with a question that could be answered, and one that could not.
const OF_A_MACHINE: [&str; 19] = [
    "",
    "/history",
    "?unit=mm",
    "?unit=cm",
    "/sure?valve=1I&stage=found&leaf_u=0.1thou&feel_u=0.1thou&source=s",
    "/sure",
    "/leaves?valve=1I",
    "/leaves",
    "/turn?valve=1I",
    "/turn",
    "/warm?valve=1I&stage=found",
    "/warm",
    "/meter",
    "/usage",
    "/due",
    "/due?x=1",
    "/drift",
    "/drift?valve=1I",
    "/nothing",
];

#[tokio::test]
async fn a_closed_machine_is_told_as_one_that_does_not_exist() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, open) = world.machine(&mut office, "A-12").await;
    let (other_property, closed) = world.machine(&mut office, "B-07").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(other_property)).await;
    ben.state(&world, closed, vec![reading(4, 5)]);
    ben.level(&world).await;
    let helper = world.join(&mut office, "Dov", Role::Helper, Some(property)).await;
    let nothing = DocId(fresh_uuid(&world.clock.now(), &mut chance));
    let roster = office.book.identity().unwrap().root.shop.roster();
    for rest in OF_A_MACHINE {
        let ask = async |id: &dyn std::fmt::Display| told(&world.get(&format!("/v1/machines/{id}{rest}"), &helper.token).await);
        let expected = ask(&nothing).await;
        assert_eq!(expected.0, StatusCode::NOT_FOUND, "{rest}: {expected:?}");
        for id in [closed, other_property.doc()] {
            assert_eq!(ask(&id).await, expected, "{rest}");
        }
    }
    // The same questions of a machine that is open are told apart from that: the comparison above is worth something.
    assert_eq!(world.get(&format!("/v1/machines/{open}"), &helper.token).await.status, StatusCode::OK);
    assert_eq!(world.get(&format!("/v1/machines/{open}/meter"), &helper.token).await.status, StatusCode::OK);
    // A grant taken back closes at once.
    let taken = shared::record::Assignment { person: helper.person(), property, active: false };
    office.state(&world, roster, vec![taken.into()]);
    office.level(&world).await;
    let closed_again = told(&world.get(&format!("/v1/machines/{open}"), &helper.token).await);
    assert_eq!(closed_again, told(&world.get(&format!("/v1/machines/{nothing}"), &helper.token).await));
}

#[tokio::test]
async fn people_and_quarantine_are_told_alike_too() {
    let world = World::new();
    let mut office = world.office().await;
    let helper = world.join(&mut office, "Dov", Role::Helper, None).await;
    let nobody = fresh_person(&world.clock.now(), &mut chance);
    let carry = async |id: &str| told(&world.get(&format!("/v1/people/{id}/carry"), &helper.token).await);
    let expected = carry(&nobody.to_string()).await;
    assert_eq!(expected.0, StatusCode::FORBIDDEN);
    assert_eq!(carry(&office.person().to_string()).await, expected);
    assert_eq!(carry("no-id-at-all").await, expected);
    let settle = async |id: i64| told(&world.post(&format!("/v1/quarantine/{id}/release"), &helper.token).await);
    assert_eq!(settle(1).await, settle(i64::MAX).await);
    // A code for a person who is there and for one who is not.
    let code = async |person| told(&world.post_json("/v1/codes", &helper.token, &shared::wire::CodeRequest { person }).await);
    assert_eq!(code(office.person()).await, code(nobody).await);
}

#[tokio::test]
async fn every_route_but_four_is_closed_to_strangers() {
    let world = World::new();
    let id = DocId(fresh_uuid(&world.clock.now(), &mut chance));
    let mut gets: Vec<String> = OF_A_MACHINE[..18].iter().map(|rest| format!("/v1/machines/{id}{rest}")).collect();
    for path in ["due", "reckon/crank", "reckon/tdc", "day-sheet", "contested", "quarantine", "agreement", "round"] {
        gets.push(format!("/v1/{path}"));
    }
    gets.push(format!("/v1/people/{id}/carry"));
    let mut seen = std::collections::BTreeSet::new();
    for path in gets {
        let answer = world.get(&path, "").await;
        answer.problem(401, shared::problem::Code::TokenInvalid);
        seen.insert(format!("{:?}", told(&answer)));
    }
    for path in ["exchange", "codes", "quarantine/1/release", "quarantine/1/keep-out"] {
        let request = crate::support::asked(Method::POST, &format!("/v1/{path}"), "").body(axum::body::Body::empty()).unwrap();
        let answer = world.send(request).await;
        answer.problem(401, shared::problem::Code::TokenInvalid);
        seen.insert(format!("{:?}", told(&answer)));
    }
    assert_eq!(seen.len(), 1, "{seen:#?}");
}

#[tokio::test]
async fn naming_a_closed_document_in_an_exchange_tells_nothing_of_it() {
    let world = World::new();
    let mut office = world.office().await;
    let (open, machine) = world.machine(&mut office, "A-12").await;
    let (_, closed) = world.machine(&mut office, "B-07").await;
    let ben = world.join(&mut office, "Ben", Role::Tech, Some(open)).await;
    let nowhere = DocId(fresh_uuid(&world.clock.now(), &mut chance));
    let mut told = Vec::new();
    for (id, lacking) in [(closed, false), (nowhere, false), (closed, true), (nowhere, true), (machine, false)] {
        let mut request = ben.book.outgoing().offer(&world.clock.now()).unwrap();
        request.docs = vec![DocOffer { id, heads: Vec::new(), recipes: Vec::new(), lacking }];
        let answer = world.send(exchange_of(&ben.token, write_body(&request, true).unwrap(), true)).await;
        let answer: ExchangeAnswer = read_body(&answer.body, true).unwrap();
        told.push(answer.docs.into_iter().filter(|doc| doc.id == id).map(|doc| (doc.heads, doc.recipes, doc.segments)).collect::<Vec<_>>());
    }
    assert_eq!((&told[0], &told[2]), (&told[1], &told[3]));
    assert!(told[..4].iter().flatten().all(|(heads, ..)| heads.is_empty()), "{told:?}");
    assert_eq!(told[4].len(), 1);
    assert!(!told[4][0].0.is_empty(), "what is open has its heads");
}
