//! Enrolment: the JSON bodies of both sides, a shop that is shown a code, and a device that is told whose it is.

use std::cell::OnceCell;

use serde::Serialize;
use serde::de::DeserializeOwned;
use shared::bytes::Bytes32;
use shared::ids::DeviceId;
use shared::wire::{CodeIssued, CodeRequest, EnrolAnswer, EnrolRequest, TokenAnswer, TokenRequest};
use sync_core::book::Book;
use sync_core::store::Store;
use sync_core::sys::clock::ClockReading;
use tests::Crew;

use super::ground::{Looks, Template, dice};
use super::script::Script;

struct Ground {
    /// The shop's book.
    shop: Template,
    /// The book of a device that has asked and not been answered.
    device: Template,
    request: EnrolRequest,
    answer: EnrolAnswer,
    now: ClockReading,
}

thread_local! {
    static GROUND: OnceCell<Ground> = const { OnceCell::new() };
}

fn ground() -> Ground {
    let (shop, device) = (Template::new(), Template::new());
    let mut crew = Crew::over(17, Store::open(&shop.original()).expect("a store"));
    let (office, now) = (crew.phones[0].person, ClockReading::at(crew.now_ms));
    let issued = crew.shop.issue_code(office, office, &now, &mut crew.dice).expect("a code");
    let book = Book::open(&device.original(), &mut crew.dice).expect("a book");
    let request = book.enrol_request(&issued.code, "phone", &now, &mut crew.dice).expect("a request");
    drop((book, crew));
    let answer = shop.fresh().admit_device(&request, &now, &mut dice()).expect("admitted");
    Ground { shop, device, request, answer, now }
}

/// The first byte says which body the rest is; or that it is edits of a real request or answer.
pub fn once(bytes: &[u8]) {
    tried(bytes, Looks::ALWAYS);
}

/// The same with a look at the whole book after one input in sixteen: for the fuzzers, which have more to do.
pub fn quickly(bytes: &[u8]) {
    tried(bytes, Looks::seldom(bytes));
}

fn tried(bytes: &[u8], looks: Looks) {
    let Some((how, rest)) = bytes.split_first() else { return };
    GROUND.with(|kept| {
        let ground = kept.get_or_init(ground);
        match how % 8 {
            0 => read(rest, |request| asked(ground, &request, looks)),
            1 => read(rest, |answer| told(ground, &answer, looks)),
            2 => read::<CodeRequest>(rest, |_| ()),
            3 => read::<CodeIssued>(rest, |_| ()),
            4 => read::<TokenRequest>(rest, |_| ()),
            5 => read::<TokenAnswer>(rest, |_| ()),
            6 => {
                let mut request = ground.request.clone();
                edit(&mut request, &mut Script::of(rest));
                asked(ground, &request, looks);
            }
            _ => {
                let mut answer = ground.answer.clone();
                let mut script = Script::of(rest);
                while !script.is_done() {
                    match script.byte() % 8 {
                        0 => answer.shop_name = script.text(),
                        1 => answer.issuer = script.text(),
                        2 => answer.shop_device = DeviceId::from_bytes(script.array()),
                        3 => answer.shop_key = Bytes32(script.array()),
                        4 => answer.person_name = script.text(),
                        5 => answer.role = None,
                        6 => answer.shop_time_ms = script.number(),
                        _ => answer.shop = shared::ids::ShopId::from_bytes(script.array()),
                    }
                }
                told(ground, &answer, looks);
            }
        }
    });
}

/// A first corpus: the real bodies.
pub fn seeds() -> Vec<Vec<u8>> {
    let ground = ground();
    let body = |how: u8, json: String| [&[how], json.as_bytes()].concat();
    let json = |value: &dyn erased::Json| value.text();
    vec![
        body(0, json(&ground.request)),
        body(1, json(&ground.answer)),
        body(2, json(&CodeRequest { person: ground.answer.person })),
        body(3, json(&CodeIssued { code: "ABCDE-12345".into(), person: ground.answer.person, until_ms: 1 })),
        body(4, r#"{"grant_type":"client_credentials","client_assertion_type":"x","client_assertion":"y"}"#.to_owned()),
        body(5, r#"{"access_token":"x","token_type":"Bearer","expires_in":900}"#.to_owned()),
        vec![6],
        vec![6, 1, 3, 97, 98, 99],
        vec![7],
        vec![7, 3, 1, 2, 3],
    ]
}

mod erased {
    pub(super) trait Json {
        fn text(&self) -> String;
    }
    impl<T: serde::Serialize> Json for T {
        fn text(&self) -> String {
            serde_json::to_string(self).expect("JSON")
        }
    }
}

fn edit(request: &mut EnrolRequest, script: &mut Script<'_>) {
    while !script.is_done() {
        match script.byte() % 5 {
            0 => request.code = script.text(),
            1 => request.device_name = script.text(),
            2 => request.device = DeviceId::from_bytes(script.array()),
            3 => request.record_key = Bytes32(script.array()),
            _ => request.login_key = Bytes32(script.array()),
        }
    }
}

/// What is read says the same when written again.
fn read<T: Serialize + DeserializeOwned + PartialEq + std::fmt::Debug>(bytes: &[u8], then: impl FnOnce(T)) {
    let Ok(body) = serde_json::from_slice::<T>(bytes) else { return };
    let again = serde_json::to_vec(&body).expect("what is read is written");
    assert_eq!(serde_json::from_slice::<T>(&again).expect("what is written is read"), body);
    then(body);
}

/// The shop is shown a code: the right one enrols, once, and the same request gets the same answer.
fn asked(ground: &Ground, request: &EnrolRequest, looks: Looks) {
    let mut shop = ground.shop.fresh();
    let devices = |book: &Book| book.roster().expect("a roster").devices.len();
    let before = devices(&shop);
    let plain = |code: &str| code.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_uppercase();
    let digits = |code: &str| plain(code).replace('O', "0").replace(['I', 'L'], "1");
    let right = digits(&request.code) == digits(&ground.request.code);
    match shop.admit_device(request, &ground.now, &mut dice()) {
        Ok(answer) => {
            assert!(right, "a wrong code enrols");
            assert_eq!(devices(&shop), before + 1);
            let again = shop.admit_device(request, &ground.now, &mut dice()).expect("the same request is answered again");
            assert_eq!((again, devices(&shop)), (answer, before + 1));
            let other = EnrolRequest { device: DeviceId::from_bytes([0x77; 16]), ..request.clone() };
            assert!(shop.admit_device(&other, &ground.now, &mut dice()).is_err(), "a code is good for one device");
            looks.at(&shop, &ground.now);
        }
        Err(_) => {
            assert_eq!(devices(&shop), before);
            // Whoever held the code can still use it: what was refused has not used it up.
            shop.admit_device(&ground.request, &ground.now, &mut dice()).expect("the real request still enrols");
        }
    }
}

/// A device is told whose it is: whatever it is told, its book opens and can be looked at.
fn told(ground: &Ground, answer: &EnrolAnswer, looks: Looks) {
    let mut book = ground.device.fresh();
    if book.enrolled(answer, "http://127.0.0.1:9").is_ok() {
        book.outgoing().offer(&ground.now).expect("an offer");
        looks.at(&book, &ground.now);
        let ended = book.enrolled(answer, "http://127.0.0.1:9");
        assert!(ended.is_err(), "a device enrols once");
    }
}
