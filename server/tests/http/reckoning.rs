//! Questions to the arithmetic: what is answered, to whom, and how a wrong question is refused.

use axum::http::StatusCode;
use serde_json::{Value, json};
use server::Clock;
use shared::ids::DocId;
use shared::problem::Code;
use shared::role::Role;
use sync_core::sys::rng::{fresh_person, fresh_uuid};

use crate::history::History;
use crate::support::{World, chance};

const SPREAD: &str = "leaf_u=2um&feel_u=0.1thou&source=own%20trials";
const GROWTH: &str = "barrel=120mm&rod=150mm&barrel_material=die-cast-a380&rod_material=steel-1040&barrel_warmer=50&rod_warmer=30.5\
                      &stem=90mm&stem_material=steel-4140&stem_warmer=60";

/// Every question to a machine, well put.
fn questions() -> Vec<String> {
    vec![
        format!("sure?valve=1I&stage=left&{SPREAD}"),
        "leaves?valve=1I&set=2-12".to_owned(),
        "turn?valve=1I&stage=found".to_owned(),
        format!("warm?valve=1E&stage=set&{GROWTH}"),
        "meter".to_owned(),
        "usage".to_owned(),
        "due".to_owned(),
        "drift?valve=1I".to_owned(),
    ]
}

async fn answered(world: &World, path: &str, token: &str) -> (Value, String) {
    let answer: Value = world.get(path, token).await.json();
    let words = answer["words"].as_array().unwrap().iter().map(|words| words.as_str().unwrap()).collect::<Vec<_>>().join("\n");
    assert_eq!(answer.as_object().unwrap().len(), 2, "{answer}");
    (answer["facts"].clone(), words)
}

fn close(value: &Value, wanted: f64) {
    let value = value.as_f64().unwrap();
    assert!((value - wanted).abs() < 1e-3 * wanted.abs(), "{value}, not {wanted}");
}

#[tokio::test]
async fn a_valve_is_answered_for_from_what_the_devices_wrote() {
    let history = History::new().await;
    let ask = async |question: &str| answered(&history.world, &history.path(question), &history.ben.token).await;

    // Left between 5 and 6 thou, of 5 to 7: only the blur at its low end lies outside.
    let (facts, words) = ask(&format!("sure?valve=1I&stage=left&{SPREAD}&level=0.9")).await;
    assert_eq!((&facts["decision"], &facts["level"], &facts["source"]), (&json!("accept"), &json!(0.9), &json!("own trials")));
    assert!(words.starts_with("Accept: read 5 to 6 thou"), "{words}");
    let (facts, _) = ask(&format!("sure?valve=1I&stage=left&{SPREAD}&level=0.99")).await;
    assert_eq!(facts["decision"], "not-proven");
    // A bare number is in the unit asked for, and a unit of its own wins: 2 µm and 0.1 thou either way.
    let (in_mm, words) = ask("sure?valve=1I&stage=left&leaf_u=0.002mm&feel_u=0.1thou&source=own%20trials&unit=mm&level=0.99").await;
    assert_eq!(in_mm, facts);
    assert!(words.contains(" mm") && !words.contains("thou"), "{words}");

    // The aim, one beside it, and the limit.
    let (facts, words) = ask("leaves?valve=1I&set=2-12").await;
    assert_eq!((&facts["valve"], &facts["most_tries"]), (&json!("1I"), &json!(3)));
    assert!(facts["lines"][0].as_str().unwrap().starts_with("For 5 to 7 thou") && words.contains("thou"), "{facts} {words}");

    // Found between 6.5 and 7 thou: 1I is in spec.
    let (facts, words) = ask("turn?valve=1I&stage=found").await;
    assert!(facts["carry"]["degrees_milli"].as_i64().unwrap() > 0 && words.contains("In spec: leave it alone."), "{facts} {words}");

    let (facts, words) = ask(&format!("warm?valve=1E&stage=set&{GROWTH}")).await;
    // 1.3 · (21.8 · 120 mm · 50 K − 11.3 · 150 mm · 30.5 K), the ratio from the engine card; and 90 mm of head less the stem.
    let levered = 21.8e-6 * 1_200_000.0 * 50.0 - 11.3e-6 * 1_500_000.0 * 30.5;
    let beside = 21.8e-6 * 900_000.0 * 50.0 - 12.3e-6 * 900_000.0 * 60.0;
    close(&facts["change_tenth_um"], 1.3 * levered + beside);
    assert!(words.starts_with("Not judged: read 8 to 9 thou on a warm engine."), "{words}");
    let (facts, _) = ask(&format!("warm?valve=1E&stage=set&{GROWTH}&ratio=1.0")).await;
    close(&facts["change_tenth_um"], levered + beside);
    // A head of another metal, at a temperature of its own.
    let (facts, _) = ask(&format!("warm?valve=1E&stage=set&{GROWTH}&ratio=1.0&head_material=gray-iron&head_warmer=70")).await;
    close(&facts["change_tenth_um"], levered + 11.4e-6 * 900_000.0 * 70.0 - 12.3e-6 * 900_000.0 * 60.0);

    let (facts, words) = ask("drift?valve=1I").await;
    // Twice a leaf of 1 thou in 30 h, from a setting to the next.
    assert!(facts["drift"]["pairs"] == 2 && words.contains("per 100 h"), "{facts} {words}");
    close(&facts["drift"]["tenth_um_per_100h"], -254.0 / 0.3);
}

#[tokio::test]
async fn a_machine_is_answered_for_over_time() {
    let history = History::new().await;
    let ask = async |question: &str| answered(&history.world, &history.path(question), &history.ben.token).await;

    let (facts, words) = ask("meter").await;
    let meters: Vec<&Value> = facts.as_array().unwrap().iter().map(|line| &line["meter_tenth_h"]).collect();
    assert_eq!(meters, [4000, 4150, 4300, 4460, 4600]);
    assert!(words.starts_with("5 readings, 0 of them"), "{words}");

    // 60 h in 80 days.
    let (facts, words) = ask("usage").await;
    close(&facts["tenth_hours_per_day"], 7.5);
    assert!(words.contains("0.8 h a day") || words.contains("0.7 h a day"), "{words}");
    let (recent, _) = ask("usage?days=45&season=03-01..10-31").await;
    assert_eq!((&recent["readings"], &recent["season"]["trailing_days"]), (&json!(3), &json!(45)));

    let (facts, words) = ask("due?season=6-1..9-30").await;
    assert_eq!(facts["usage"]["season"]["between"]["to"], json!({ "month": 9, "day": 30 }));
    // 100 h at 0.75 h a day would be 133 days on from 2026-08-20; from October on the season is over.
    assert_eq!((&facts["due"]["limit"], &facts["due"]["left_tenth_h"]), (&json!("calendar"), &json!(1000)), "{facts} {words}");
    assert!(words.contains("h a day in season"), "{words}");
}

#[tokio::test]
async fn people_are_answered_for_to_the_office_to_leads_and_to_themselves() {
    let mut history = History::new().await;
    let dov = history.world.join(&mut history.office, "Dov", Role::Helper, None).await;
    let (world, ben, cleo, office) = (&history.world, &history.ben, &history.cleo, &history.office);

    let carry = format!("/v1/people/{}/carry", ben.person());
    let (facts, words) = answered(world, &carry, &ben.token).await;
    assert_eq!((&facts["pairs"], &facts["closed"]), (&json!(3), &json!(3)));
    assert!(words.contains("Ben's lock nut"), "{words}");
    for token in [&cleo.token, &office.token] {
        assert_eq!(answered(world, &carry, token).await.0, facts);
    }
    let problem = world.get(&carry, &dov.token).await.problem(403, Code::RoleMayNot);
    assert!(problem.detail.contains("the office and leads"), "{}", problem.detail);
    world.get(&carry, "").await.problem(401, Code::TokenInvalid);
    world.get(&format!("/v1/people/{}/carry", cleo.person()), &ben.token).await.problem(403, Code::RoleMayNot);
    // Whether there is such a person is not told to those who may not ask.
    let nobody = format!("/v1/people/{}/carry", fresh_person(&world.clock.now(), &mut chance));
    for path in [nobody.as_str(), "/v1/people/Ben/carry"] {
        world.get(path, &ben.token).await.problem(403, Code::RoleMayNot);
        world.get(path, &office.token).await.problem(404, Code::NotFound);
    }
    world.get(&format!("/v1/people/{}/carry", cleo.person()), &cleo.token).await.problem(422, Code::NoAnswer);

    let (facts, words) = answered(world, "/v1/agreement?day=2026-08-21", &cleo.token).await;
    assert_eq!((&facts["people"], &facts["trials"]), (&json!(["Ben", "Cleo"]), &json!(2)), "{words}");
    assert_eq!(facts["parts"].as_array().unwrap().len(), 2);
    assert_eq!(answered(world, "/v1/agreement", &office.token).await.0, facts);
    world.get("/v1/agreement?day=2026-08-20", &office.token).await.problem(422, Code::NoAnswer);

    // Due on 2026-12-31, seen from 2026-08-22.
    let (facts, words) = answered(world, "/v1/round?days=60", &cleo.token).await;
    assert_eq!((&facts["stops"], words.as_str()), (&json!([]), "Nothing is worth a drive."));
    let (facts, words) = answered(world, "/v1/round?days=150", &cleo.token).await;
    assert_eq!(facts["stops"][0]["machines"][0]["tag"], "A-12", "{words}");
    let (facts, _) = answered(world, "/v1/round?days=150&minutes=10&unit=mm", &office.token).await;
    assert_eq!((&facts["stops"], &facts["put_off"][0]["why"]), (&json!([]), &json!("longer-than-round")));

    for path in ["/v1/agreement", "/v1/round"] {
        world.get(path, "").await.problem(401, Code::TokenInvalid);
        for token in [&ben.token, &dov.token] {
            world.get(path, token).await.problem(403, Code::RoleMayNot);
        }
    }
}

#[tokio::test]
async fn a_machine_is_answered_for_to_whoever_may_read_it() {
    let mut history = History::new().await;
    let dov = history.world.join(&mut history.office, "Dov", Role::Tech, None).await;
    let world = &history.world;
    let nothing = DocId(fresh_uuid(&world.clock.now(), &mut chance));
    for question in questions() {
        let path = history.path(&question);
        for device in [&history.ben, &history.cleo, &history.office] {
            assert_eq!(world.get(&path, &device.token).await.status, StatusCode::OK, "{path}");
        }
        world.get(&path, "").await.problem(401, Code::TokenInvalid);
        let shut = world.get(&path, &dov.token).await.problem(404, Code::DocumentClosed);
        for id in [nothing.to_string().as_str(), "A-12", "%FF"] {
            let absent =
                world.get(&format!("/v1/machines/{id}/{question}"), &history.office.token).await.problem(404, Code::DocumentClosed);
            assert_eq!(absent.detail, shut.detail);
        }
    }
    // A document of another kind is open and is no machine.
    let roster = history.office.book.identity().unwrap().root.shop.roster();
    world.get(&format!("/v1/machines/{roster}/meter"), &dov.token).await.problem(404, Code::NotFound);
}

/// What a technician reads off a leaf or in a manual, in a query.
#[tokio::test]
async fn decimal_inches_in_a_question_are_inches_and_the_answer_says_so() {
    let history = History::new().await;
    let (_, words) = answered(&history.world, &history.path("leaves?valve=1I&set=.004,.005,.006,.007"), &history.ben.token).await;
    assert!(words.contains("Read as inches: 0.004 in., 4 thou; 0.005 in., 5 thou;"), "{words}");
    let (facts, words) = answered(&history.world, "/v1/reckon/crank?stroke=2.5in&rod=4in&drop=.25", &history.ben.token).await;
    assert!(words.contains("Read as inches: 0.25 in., 250 thou."), "{words}");
    close(&facts["drop_tenth_um"], 63_500.0);
    let refused = async |path: &str| history.world.get(path, &history.ben.token).await.problem(400, Code::Unreadable).detail;
    let said = refused("/v1/reckon/crank?stroke=2.5&rod=4in&drop=.25").await;
    assert!(said.contains("2.5 thou is not a stroke") && said.contains("did you mean 2.5 in.?"), "{said}");
    assert!(refused("/v1/reckon/crank?stroke=2.5in&rod=4in&drop=0.5").await.contains("0.5 thou, 0.5 in. or 0.5 mm"));
}

#[tokio::test]
async fn a_wrong_question_is_refused_and_not_answered_as_another() {
    let history = History::new().await;
    let refused = async |path: String| history.world.get(&path, &history.office.token).await.problem(400, Code::Unreadable);
    for question in [
        "sure?valve=1I&stage=left",
        "sure?valve=1I&stage=left&leaf_u=2um&feel_u=0.1thou",
        "sure?valve=1I&stage=left&leaf_u=two&feel_u=0.1thou&source=x",
        "sure?valve=1I&stage=left&leaf_u=2um&feel_u=0.1thou&source=x&level=sure",
        "sure?valve=1I&stage=left&leaf_u=2um&feel_u=0.1thou&source=x&levle=0.9",
        "sure?valve=1I&valve=1E&stage=left&leaf_u=2um&feel_u=0.1thou&source=x",
        "leaves?valve=1I",
        "leaves?valve=1I&set=",
        "leaves?valve=1I&set=0.15",
        "leaves?valve=1I&set=.5,4",
        "leaves?valve=1I&set=200",
        "leaves?valve=5X&set=2-12",
        "leaves?valve=1I&set=2-12&unit=cm",
        "turn?valve=1I",
        "turn?valve=&stage=left",
        "turn?valve=1I&stage=after",
        "warm?valve=1E&stage=set",
        "meter?valve=1I",
        "meter?unit=inch",
        "usage?days=many",
        "usage?days=-1",
        "usage?days=0",
        "usage?season=summer",
        "usage?season=02-30..10-31",
        "due?days=99999",
        "due?seasons=03-01..10-31",
        "drift",
        "drift?valve=1",
    ] {
        refused(history.path(question)).await;
    }
    for (right, wrong) in [("1040", "1041"), ("120mm", "2m"), ("=50", "=hot"), ("30.5", "30.55"), ("die-cast-a380", "wood")] {
        refused(history.path(&format!("warm?valve=1E&stage=set&{}", GROWTH.replace(right, wrong)))).await;
    }
    for more in ["&ratio=-1", "&ratio=0", "&ratio=13"] {
        refused(history.path(&format!("warm?valve=1E&stage=set&{GROWTH}{more}"))).await;
    }
    refused(history.path(&format!("warm?valve=1E&stage=set&{}", GROWTH.replace("=50", "=501")))).await;
    // A coefficient that names no source is read, and the arithmetic refuses it.
    let unsourced = history.path(&format!("warm?valve=1E&stage=set&{}", GROWTH.replace("die-cast-a380", "21.5")));
    history.world.get(&unsourced, &history.office.token).await.problem(422, Code::NoAnswer);
    let crank = "/v1/reckon/crank?stroke=70mm&rod=110mm";
    for path in [
        "/v1/agreement?day=yesterday",
        "/v1/agreement?date=2026-08-21",
        "/v1/round?days=1.5",
        "/v1/round?minutes=-60",
        crank,
        &format!("{crank}&angle=20&drop=1mm"),
        &format!("{crank}&angle=nan"),
        &format!("{crank}&drop=deep"),
        "/v1/reckon/crank?rod=110mm&angle=20",
        "/v1/reckon/crank?stroke=0&rod=110mm&angle=20",
        "/v1/reckon/tdc?before=350",
        "/v1/reckon/tdc?before=350&after=inf",
        "/v1/reckon/tdc?before=350&after=20&drop_before=1mm",
        "/v1/reckon/tdc?before=350&after=20&stroke=70mm&rod=110mm",
    ] {
        refused(path.to_owned()).await;
    }
    let problem = refused(history.path("turn?valve=9Z&stage=left")).await;
    assert_eq!(problem.detail, "\"9Z\" is not a valve: write the cylinder number and I or E, as in 1I, 1E, 2I, 2E.");
    let problem = refused(history.path("leaves?valve=1I")).await;
    assert_eq!(problem.detail, "The question at the end of the address cannot be read: missing field `set`.");
}

#[tokio::test]
async fn a_question_without_an_answer_says_why() {
    let mut history = History::new().await;
    let (_, bare) = history.world.machine(&mut history.office, "B-07").await;
    let refused = async |path: String| history.world.get(&path, &history.office.token).await.problem(422, Code::NoAnswer).detail;
    for (question, why) in [
        (format!("sure?valve=1I&stage=left&{SPREAD}&level=95"), "A level of 95 cannot"),
        (format!("sure?valve=1I&stage=left&{SPREAD}&level=nan"), "A level of NaN cannot"),
        (format!("sure?valve=1E&stage=left&{SPREAD}"), "No reading of 1E left stands."),
        (format!("sure?valve=1E&stage=set&{SPREAD}"), "1E set was read without an engine said to be cold"),
        ("sure?valve=1I&stage=left&leaf_u=2um&feel_u=0.1thou&source=%20".to_owned(), "The uncertainty of leaves and feel needs its source"),
        ("sure?valve=1I&stage=left&leaf_u=-2um&feel_u=0.1thou&source=x".to_owned(), "A standard uncertainty of -20 cannot"),
        ("drift?valve=2I".to_owned(), "No valve was read as left and found again"),
        ("usage?days=1".to_owned(), "0 visits with an hour reading"),
    ] {
        let said = refused(history.path(&question)).await;
        assert!(said.starts_with(why), "{question}: {said}");
    }
    for (question, why) in [
        ("leaves?valve=1I&set=2-12".to_owned(), "This machine has no engine card with a source"),
        (format!("warm?valve=1I&stage=found&{GROWTH}"), "No engine card names this machine's rocker ratio."),
        ("due".to_owned(), "This machine has no engine card"),
        ("usage".to_owned(), "0 visits with an hour reading"),
        ("drift?valve=1I".to_owned(), "No valve was read as left and found again"),
    ] {
        let said = refused(format!("/v1/machines/{bare}/{question}")).await;
        assert!(said.starts_with(why), "{question}: {said}");
    }
    for (path, why) in [
        ("/v1/reckon/crank?stroke=70mm&rod=30mm&angle=20", "A rod of 30.00 mm cannot turn"),
        ("/v1/reckon/crank?stroke=70mm&rod=110mm&drop=71mm", "The piston is never 71.00 mm down"),
        ("/v1/reckon/tdc?before=20&after=350", "From 20° to 350° is no way over top dead center"),
    ] {
        let said = refused(path.to_owned()).await;
        assert!(said.starts_with(why), "{path}: {said}");
    }
}

#[tokio::test]
async fn crank_and_piston_are_reckoned_for_anyone_with_a_token() {
    let world = World::new();
    let mut office = world.office().await;
    let dov = world.join(&mut office, "Dov", Role::Helper, None).await;
    let at = "/v1/reckon/crank?stroke=70mm&rod=110mm";
    // At a quarter turn the drop is r + l − √(l² − r²).
    let (facts, words) = answered(&world, &format!("{at}&angle=-90&unit=mm"), &dov.token).await;
    close(&facts["drop_tenth_um"], 1e4 * (35.0 + 110.0 - (110.0_f64.powi(2) - 35.0_f64.powi(2)).sqrt()));
    assert_eq!((&facts["degrees"], &facts["stroke_tenth_um"], &facts["rod_tenth_um"]), (&json!(-90.0), &json!(700_000), &json!(1_100_000)));
    assert!(words.contains("-90°") && words.contains("40.717 mm down"), "{words}");

    // And back.
    let (facts, words) = answered(&world, "/v1/reckon/crank?stroke=70&rod=110&drop=40.717&unit=mm", &dov.token).await;
    close(&facts["degrees"], 90.0);
    assert_eq!(facts["drop_tenth_um"], json!(407_170.0));
    assert!(words.starts_with("Turn the crank about 90° past top dead center"), "{words}");

    let (facts, words) = answered(&world, "/v1/reckon/tdc?before=350&after=16", &dov.token).await;
    assert_eq!(facts, json!({ "degrees": 3.0, "apart_degrees": 0.0 }));
    assert_eq!(words, "Top dead center is at 3.0° on your scale.");
    let heights = "drop_before=4mm&drop_after=4mm&stroke=70mm&rod=110mm";
    let (facts, _) = answered(&world, &format!("/v1/reckon/tdc?before=350&after=16&{heights}"), &dov.token).await;
    close(&facts["degrees"], 3.0);
    assert!(facts["apart_degrees"].as_f64().unwrap() > 1.0, "{facts}");

    for path in [format!("{at}&angle=20"), "/v1/reckon/tdc?before=350&after=16".to_owned()] {
        world.get(&path, "").await.problem(401, Code::TokenInvalid);
    }
}
