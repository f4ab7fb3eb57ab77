//! What surrounds every route: the one form of error, request ids, the time limit, a panic of a dependency.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::body::{Body, to_bytes};
use axum::http::{Method, header};
use axum::routing::get;
use jiff::civil::Date;
use server::layers::around;
use server::router::router;
use server::state::ServerState;
use shared::bytes::Bytes32;
use shared::engine_card::EngineCard;
use shared::ids::{DeviceId, DocId, PersonId, PropertyId, RecordId};
use shared::length::LengthUnit;
use shared::problem::Code;
use shared::role::Role;
use shared::round::Round;
use shared::slot::Slot;
use shared::wire::{CodeIssued, EnrolAnswer, EnrolRequest, ExchangeAnswer, ExchangeRequest};
use sync_core::book::enrol::EnrolError;
use sync_core::book::feed::FeedSecret;
use sync_core::book::keeping::BackupLine;
use sync_core::book::login::LoginError;
use sync_core::book::photo::PhotoError;
use sync_core::book::pictures::PicturesError;
use sync_core::commands::desk::{Desk, DeskDone, DeskStep};
use sync_core::engine::BookError;
use sync_core::engine::Verification;
use sync_core::queries::question::{Answer as Reckoned, Question};
use sync_core::queries::reckon::{LashCourse, MeterLine, Reckoned as Of};
use sync_core::queries::{
    ClosedDay, ContestedSlot, DaySheet, DeviceLine, DueLine, Evening, HistoryLine, HoursRow, MachineLine, MachineView, PersonLine,
    PropertyLine, PropertyView, ReadingRow, RecordView, RowPlace, Rows, SeasonRecord, ServiceRecord, ShopStatus,
};
use sync_core::queries::{ShopFront, SlotSheet, WholeRecord};
use sync_core::server::{Housekeeping, LogEnd, OfficeFacts, Photos, Shop, Tables};
use sync_core::store::{BackupError, QuarantineState, StoreError};
use sync_core::sys::moment::Moment;
use tower::ServiceExt;

use crate::support::{Answer, HandClock, World, asked, chance, exchange_of, reading};
use server::Clock;
use sync_core::sync::write_body;

#[tokio::test]
async fn unknown_addresses_and_wrong_methods_are_problems() {
    let world = World::new();
    for path in ["/v1", "/v1/exchange/", "/v2/due", "/v1/machine", "/%00"] {
        world.get(path, "").await.problem(404, Code::NotFound);
    }
    for (method, path, allow) in [
        (Method::GET, "/v1/exchange", "POST"),
        (Method::DELETE, "/v1/due", "GET,HEAD"),
        (Method::PUT, "/health", "GET,HEAD"),
        (Method::GET, "/v1/quarantine/1/release", "POST"),
        (Method::PATCH, "/v1/codes", "POST"),
    ] {
        let answer = world.send(asked(method, path, "").body(Body::empty()).unwrap()).await;
        answer.problem(405, Code::NotFound);
        assert_eq!(answer.headers[header::ALLOW], allow, "{path}");
    }
}

#[tokio::test]
async fn every_answer_has_an_id_of_our_own() {
    let world = World::new();
    let mut seen = std::collections::BTreeSet::new();
    for path in ["/health", "/nowhere", "/v1/due"] {
        let request = asked(Method::GET, path, "").header("x-request-id", "mine\u{9}and a tale").body(Body::empty()).unwrap();
        let answer = world.send(request).await;
        let id = answer.headers["x-request-id"].to_str().unwrap().to_owned();
        assert!(!id.contains("mine"), "{id}");
        assert!(seen.insert(id));
        assert_eq!(answer.headers[header::CACHE_CONTROL], "no-store");
    }
}

async fn answer_of(router: axum::Router, path: &str, token: &str) -> Answer {
    let response = router.oneshot(asked(Method::GET, path, token).body(Body::empty()).unwrap()).await.unwrap();
    let (parts, body) = response.into_parts();
    Answer { status: parts.status, headers: parts.headers, body: to_bytes(body, usize::MAX).await.unwrap().to_vec() }
}

#[tokio::test(start_paused = true)]
async fn a_request_that_never_ends_is_ended_and_says_what_may_have_happened() {
    let slow = around(axum::Router::new().route("/", get(std::future::pending::<()>)), 0, server::Limits::default().answer);
    // Paused time runs ahead; an hour stands for never.
    let ended = tokio::time::timeout(std::time::Duration::from_secs(3600), answer_of(slow, "/", "")).await.unwrap();
    let problem = ended.problem(408, Code::Internal);
    assert!(problem.detail.contains("send it again"), "{}", problem.detail);
}

#[tokio::test]
async fn a_panic_in_a_route_is_a_problem() {
    async fn broken() {
        panic!("a defect");
    }
    answer_of(around(axum::Router::new().route("/", get(broken)), 0, server::Limits::default().answer), "/", "")
        .await
        .problem(500, Code::Internal);
}

#[tokio::test]
async fn a_store_that_panics_or_is_full_is_a_problem_and_the_next_request_goes_on() {
    let router = router(ServerState::new(Arc::new(Broken), Arc::new(HandClock::default())));
    let problem = answer_of(router.clone(), "/.well-known/jwks.json", "").await.problem(500, Code::Internal);
    assert!(problem.detail.contains("Nothing was taken in"), "{}", problem.detail);
    let problem = answer_of(router.clone(), "/v1/due", "any").await.problem(507, Code::DiskFull);
    assert!(problem.detail.contains("disk is full"), "{}", problem.detail);
    // More breaks than steps may be under way: each must have given its place back.
    for _ in 0..40 {
        answer_of(router.clone(), "/.well-known/jwks.json", "").await.problem(500, Code::Internal);
    }
}

#[tokio::test]
async fn what_is_said_to_be_kept_after_a_panic_is_kept() {
    let breaks = Arc::new(AtomicBool::new(false));
    let breaking = Arc::clone(&breaks);
    let world = World::with(Box::new(move |buffer: &mut [u8]| {
        assert!(!breaking.load(Ordering::SeqCst), "a dependency broke in the middle of a step");
        chance(buffer);
    }));
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    ben.state(&world, machine, vec![reading(4, 5)]);
    breaks.store(true, Ordering::SeqCst);
    let body = write_body(&ben.book.offer(&world.clock.now()).unwrap(), true).unwrap();
    world.send(exchange_of(&ben.token, body, true)).await.problem(500, Code::Internal);
    breaks.store(false, Ordering::SeqCst);
    assert_eq!(ben.exchange(&world).await.taken, 1);

    let world = world.restarted();
    office.log_in(&world).await;
    let seen: serde_json::Value = world.get(&format!("/v1/machines/{machine}"), &office.token).await.json();
    assert_eq!(seen["lash"].as_array().unwrap().len(), 1, "{seen}");
}

/// A shop on a full disk, whose keys make a dependency panic.
struct Broken;

fn full<T, E: From<StoreError>>() -> Result<T, E> {
    Err(StoreError::Full.into())
}

impl Housekeeping for Broken {
    fn ready(&self, _: &Moment) -> Result<(), BookError> {
        full()
    }
    fn shorten_log(&self) -> Result<(), BookError> {
        full()
    }
    fn tidy(&self, _: usize) -> Result<usize, BookError> {
        full()
    }
}

impl Photos for Broken {
    fn photo_open_to(&self, _: PersonId, _: DocId, _: Bytes32) -> Result<(), PhotoError> {
        full()
    }
    fn keep_picture(&self, _: DocId, _: Bytes32, _: &[u8]) -> Result<(), PicturesError> {
        Err(PicturesError::Full)
    }
    fn picture(&self, _: DocId, _: Bytes32) -> Result<Option<Vec<u8>>, PicturesError> {
        Err(PicturesError::Full)
    }
    fn has_picture(&self, _: DocId, _: Bytes32) -> bool {
        false
    }
}

impl Shop for Broken {
    fn backup(&self, _: &Moment) -> Result<BackupLine, BackupError> {
        Err(BackupError::Store(StoreError::Full))
    }
    fn backups(&self) -> Result<Vec<BackupLine>, BackupError> {
        Err(BackupError::Store(StoreError::Full))
    }
    fn enrol(&self, _: &EnrolRequest, _: &Moment) -> Result<EnrolAnswer, EnrolError> {
        full()
    }
    fn issue_code(&self, _: PersonId, _: PersonId, _: &Moment) -> Result<CodeIssued, EnrolError> {
        full()
    }
    fn log_in(&self, _: &str, _: &Moment) -> Result<(String, i64), LoginError> {
        full()
    }
    fn bearer(&self, _: &str, _: &Moment) -> Result<(DeviceId, PersonId, Option<Role>), LoginError> {
        full()
    }
    fn token_key(&self) -> Result<(DeviceId, Bytes32), BookError> {
        panic!("a dependency broke")
    }
    fn exchange(&self, _: DeviceId, _: &ExchangeRequest, _: &Moment) -> Result<ExchangeAnswer, BookError> {
        full()
    }
    fn day_sheet(&self, _: Option<Date>, _: LengthUnit, _: &Moment) -> Result<DaySheet, BookError> {
        full()
    }
    fn due(&self, _: &Moment) -> Result<Vec<DueLine>, BookError> {
        full()
    }
    fn contested(&self, _: LengthUnit) -> Result<Vec<ContestedSlot>, BookError> {
        full()
    }
    fn machine(&self, _: DocId, _: LengthUnit, _: &Moment) -> Result<MachineView, BookError> {
        full()
    }
    fn reckon(&self, _: &Question, _: LengthUnit, _: &Moment) -> Result<Reckoned, BookError> {
        full()
    }
    fn may_read(&self, _: PersonId, _: DocId) -> Result<bool, BookError> {
        full()
    }
    fn count_quarantined(&self, _: QuarantineState) -> Result<usize, BookError> {
        full()
    }
    fn settle(&self, _: i64, _: bool, _: PersonId, _: &Moment) -> Result<(), BookError> {
        full()
    }
    fn verify(&self) -> Result<Verification, BookError> {
        full()
    }
    fn open_desk(&self, _: &str, _: &str, _: &Moment) -> Result<Desk, EnrolError> {
        full()
    }
    fn desk(&self, _: &str) -> Result<Option<Desk>, BookError> {
        full()
    }
    fn desk_of(&self, _: PersonId) -> Result<Option<Desk>, BookError> {
        full()
    }
    fn at_desk(&self, _: PersonId, _: &DeskStep, _: &Moment) -> Result<DeskDone, BookError> {
        full()
    }
    fn closed_days(&self, _: usize, _: LengthUnit) -> Result<Vec<ClosedDay>, BookError> {
        full()
    }
    fn closed_day(&self, _: Date, _: LengthUnit) -> Result<Option<ClosedDay>, BookError> {
        full()
    }
    fn evening(&self, _: Date, _: DocId, _: LengthUnit) -> Result<Evening, BookError> {
        full()
    }
    fn people(&self) -> Result<Vec<PersonLine>, BookError> {
        full()
    }
    fn devices(&self) -> Result<Vec<DeviceLine>, BookError> {
        full()
    }
    fn engine_cards(&self) -> Result<Vec<EngineCard>, BookError> {
        full()
    }
    fn properties(&self, _: PersonId) -> Result<Vec<PropertyLine>, BookError> {
        full()
    }
    fn property(&self, _: PersonId, _: PropertyId) -> Result<PropertyView, BookError> {
        full()
    }
    fn machines(&self, _: PersonId) -> Result<Vec<MachineLine>, BookError> {
        full()
    }
    fn history(&self, _: DocId, _: Option<(i64, RecordId)>, _: usize, _: LengthUnit) -> Result<Vec<HistoryLine>, BookError> {
        full()
    }
    fn service_record(&self, _: PersonId, _: RecordId, _: LengthUnit, _: &Moment) -> Result<ServiceRecord, BookError> {
        full()
    }
    fn record(&self, _: PersonId, _: RecordId, _: LengthUnit) -> Result<RecordView, BookError> {
        full()
    }
    fn status(&self) -> Result<ShopStatus, BookError> {
        full()
    }
    fn log_end(&self) -> Result<LogEnd, BookError> {
        full()
    }
    fn moved(&self, _: PersonId, _: u64, _: u64) -> Result<Vec<DocId>, BookError> {
        full()
    }
    fn due_for(&self, _: PersonId, _: &Moment) -> Result<Vec<DueLine>, BookError> {
        full()
    }
    fn today(&self, _: &Moment) -> Result<Date, BookError> {
        full()
    }
    fn calendar_feed(&self, _: DeviceId) -> Result<(FeedSecret, String), BookError> {
        full()
    }
    fn calendar_person(&self, _: &FeedSecret) -> Result<PersonId, LoginError> {
        full()
    }
}

impl Tables for Broken {
    fn season_record(&self, _: DocId, _: Date, _: Date, _: LengthUnit, _: &Moment) -> Result<SeasonRecord, BookError> {
        full()
    }
    fn readings(&self, _: PersonId, _: Option<RowPlace>) -> Result<Rows<ReadingRow>, BookError> {
        full()
    }
    fn hours(&self, _: PersonId, _: Option<RowPlace>) -> Result<Rows<HoursRow>, BookError> {
        full()
    }
}

impl OfficeFacts for Broken {
    fn front(&self) -> Result<ShopFront, BookError> {
        full()
    }
    fn browser_key(&self) -> Result<[u8; 64], BookError> {
        full()
    }
    fn day_mark(&self) -> Result<String, BookError> {
        full()
    }
    fn slot_sheet(&self, _: DocId, _: &Slot, _: LengthUnit) -> Result<SlotSheet, BookError> {
        full()
    }
    fn quarantine_views(
        &self,
        _: Option<QuarantineState>,
        _: i64,
        _: usize,
        _: LengthUnit,
        _: &Moment,
    ) -> Result<Vec<sync_core::queries::QuarantineView>, BookError> {
        full()
    }
    fn whole_record(&self, _: RecordId, _: LengthUnit) -> Result<WholeRecord, BookError> {
        full()
    }
    fn lash_courses(&self, _: DocId, _: LengthUnit) -> Result<Vec<LashCourse>, BookError> {
        full()
    }
    fn meter_of(&self, _: DocId) -> Result<Of<Vec<MeterLine>>, BookError> {
        full()
    }
    fn week_round(&self, _: Option<u32>, _: Option<u32>, _: &Moment) -> Result<Of<Round>, BookError> {
        full()
    }
    fn assignments(&self) -> Result<Vec<(PersonId, PropertyId)>, BookError> {
        full()
    }
    fn kept_sessions(&self) -> Result<Vec<sync_core::store::KeptSession>, BookError> {
        full()
    }
    fn keep_sessions(&self, _: &[sync_core::store::KeptSession]) -> Result<(), BookError> {
        full()
    }
    fn brought_too_much(&self) -> Result<Vec<sync_core::store::BroughtTooMuch>, BookError> {
        full()
    }
}
