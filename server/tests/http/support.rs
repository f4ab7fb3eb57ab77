//! A shop behind a router, and devices that talk to it as a phone would.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode, header};
use server::router::router;
use server::state::ServerState;
use server::{Clock, Config, Limits};
use shared::ids::{DocId, PersonId, PropertyId};
use shared::length::Length;
use shared::problem::{Code, Problem};
use shared::record::{Assignment, Body as Stated, Clearance, MachineCard, Person, PropertyCard, RoleGrant, ShopCard, Stage};
use shared::role::Role;
use shared::wire::{ASSERTION_TYPE, CodeIssued, ExchangeAnswer, TokenAnswer};
use sync_core::book::enrol::Founding;
use sync_core::book::{Book, Draft};
use sync_core::server::{OwnedRng, SharedBook};
use sync_core::sync::{Report, read_body, write_body};
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::{fresh_doc, fresh_person};
use tempfile::TempDir;
use tower::ServiceExt;

/// 2026-06-01 13:00 UTC, eight in the morning at the shop.
pub(crate) const MORNING: i64 = 1_780_318_800_000;
pub(crate) const ISSUER: &str = "https://book.example";

pub(crate) fn chance(buffer: &mut [u8]) {
    getrandom::fill(buffer).unwrap();
}

/// A clock that a test moves by hand.
#[derive(Debug, Default)]
pub(crate) struct HandClock(AtomicI64);

impl HandClock {
    pub(crate) fn on(&self, ms: i64) {
        self.0.fetch_add(ms, Ordering::SeqCst);
    }
}

impl Clock for HandClock {
    fn now(&self) -> ClockReading {
        ClockReading::at(MORNING + self.0.load(Ordering::SeqCst))
    }
}

/// What came back.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: StatusCode,
    pub(crate) headers: HeaderMap,
    pub(crate) body: Vec<u8>,
}

impl Answer {
    pub(crate) fn json<T: serde::de::DeserializeOwned>(&self) -> T {
        assert!(self.status.is_success(), "{}: {}", self.status, String::from_utf8_lossy(&self.body));
        serde_json::from_slice(&self.body).unwrap()
    }

    /// The problem, once it is one in every respect: media type, status in body and head, a sentence.
    #[track_caller]
    pub(crate) fn problem(&self, status: u16, code: Code) -> Problem {
        let text = String::from_utf8_lossy(&self.body);
        assert_eq!(self.status.as_u16(), status, "{text}");
        assert_eq!(self.headers.get(header::CONTENT_TYPE).unwrap(), "application/problem+json", "{text}");
        let problem: Problem = serde_json::from_slice(&self.body).unwrap();
        assert_eq!((problem.status, problem.code), (status, code), "{text}");
        assert_eq!(problem.kind, format!("urn:tappetbook:problem:{code}"));
        assert!(problem.detail.ends_with(['.', '?']) && problem.detail.len() > 20, "no sentence: {}", problem.detail);
        problem
    }
}

/// A shop behind its router.
pub(crate) struct World {
    pub(crate) router: Router,
    pub(crate) clock: Arc<HandClock>,
    pub(crate) first_code: String,
    pub(crate) folder: TempDir,
    state: ServerState,
}

fn founding() -> Founding {
    let shop = ShopCard::usual("Green End Mowers", "America/Chicago");
    Founding { shop, office_name: "Ana".to_owned(), issuer: ISSUER.to_owned() }
}

impl World {
    pub(crate) fn new() -> Self {
        Self::with(Box::new(chance))
    }

    /// A shop that draws its chance from here.
    pub(crate) fn with(entropy: OwnedRng) -> Self {
        Self::bounded(entropy, Limits::default())
    }

    /// A shop whose server bears so much.
    pub(crate) fn bounded(entropy: OwnedRng, limits: Limits) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let clock = Arc::new(HandClock::default());
        let opened = SharedBook::open(&folder.path().join("shop.db"), &founding(), &clock.now(), entropy).unwrap();
        let state = ServerState::bounded(Arc::new(opened.shop), clock.clone(), limits);
        Self { router: router(state.clone()), clock, first_code: opened.first_code.unwrap(), folder, state }
    }

    /// The same, met over TLS or not.
    pub(crate) fn over_tls(self, over_tls: bool) -> Self {
        let state = self.state.over_tls(over_tls);
        Self { router: router(state.clone()), state, ..self }
    }

    /// The same, answering to its issuer's name alone.
    pub(crate) fn named(self, issuer: &str) -> Self {
        let state = self.state.named(issuer);
        Self { router: router(state.clone()), state, ..self }
    }

    /// The same shop after its server was stopped and started again.
    pub(crate) fn restarted(self) -> Self {
        let Self { router: old, clock, first_code, folder, state } = self;
        drop((old, state));
        let opened = SharedBook::open(&folder.path().join("shop.db"), &founding(), &clock.now(), Box::new(chance)).unwrap();
        let state = ServerState::new(Arc::new(opened.shop), clock.clone());
        Self { router: router(state.clone()), clock, first_code, folder, state }
    }

    pub(crate) async fn send(&self, request: Request<Body>) -> Answer {
        let response = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        Answer { status: parts.status, headers: parts.headers, body: to_bytes(body, usize::MAX).await.unwrap().to_vec() }
    }

    pub(crate) async fn post_json(&self, path: &str, token: &str, body: &impl serde::Serialize) -> Answer {
        let request = asked(Method::POST, path, token).header(header::CONTENT_TYPE, "application/json");
        self.send(request.body(Body::from(serde_json::to_vec(body).unwrap())).unwrap()).await
    }

    pub(crate) async fn get(&self, path: &str, token: &str) -> Answer {
        self.send(asked(Method::GET, path, token).body(Body::empty()).unwrap()).await
    }

    pub(crate) async fn post(&self, path: &str, token: &str) -> Answer {
        self.send(asked(Method::POST, path, token).body(Body::empty()).unwrap()).await
    }

    pub(crate) async fn log_in_with(&self, assertion: &str) -> Answer {
        self.log_in_as("client_credentials", ASSERTION_TYPE, assertion).await
    }

    pub(crate) async fn log_in_as(&self, grant: &str, kind: &str, assertion: &str) -> Answer {
        let form = format!("grant_type={grant}&client_assertion_type={}&client_assertion={assertion}", kind.replace(':', "%3A"));
        let request = asked(Method::POST, "/v1/token", "").header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        self.send(request.body(Body::from(form)).unwrap()).await
    }

    /// The office's device: enrolled with the first code, logged in, level.
    pub(crate) async fn office(&self) -> Device {
        let mut office = self.enrol(&self.first_code, "office desk").await;
        office.level(self).await;
        office
    }

    pub(crate) async fn enrol(&self, code: &str, name: &str) -> Device {
        let mut device = Device::blank();
        let request = device.book.enrol_request(code, name, &self.clock.now(), &mut chance).unwrap();
        let answer = self.post_json("/v1/enrol", "", &request).await;
        device.book.enrolled(&answer.json(), ISSUER).unwrap();
        device.log_in(self).await;
        device
    }

    /// A person with a role and a property, and that person's device, level.
    pub(crate) async fn join(&self, office: &mut Device, name: &str, role: Role, property: Option<PropertyId>) -> Device {
        let person = fresh_person(&self.clock.now(), &mut chance);
        let roster = office.book.identity().unwrap().root.shop.roster();
        let mut said: Vec<Stated> = vec![Person { person, name: name.to_owned() }.into(), RoleGrant { person, role: Some(role) }.into()];
        said.extend(property.map(|property| Assignment { person, property, active: true }.into()));
        office.state(self, roster, said);
        office.level(self).await;
        let issued = self.post_json("/v1/codes", &office.token, &shared::wire::CodeRequest { person }).await;
        let mut device = self.enrol(&issued.json::<CodeIssued>().code, &format!("{name}'s phone")).await;
        device.level(self).await;
        device
    }

    /// A property and a machine on it, in the book.
    pub(crate) async fn machine(&self, office: &mut Device, tag: &str) -> (PropertyId, DocId) {
        let property = PropertyId(office.fresh_doc(self).0);
        let machine = office.fresh_doc(self);
        office.state(
            self,
            property.doc(),
            vec![PropertyCard { name: format!("{tag} court"), address: String::new(), access: String::new(), season: None }.into()],
        );
        let card = MachineCard {
            tag: tag.to_owned(),
            description: String::new(),
            property,
            engine_card: None,
            cylinders: Some(1),
            duty: shared::engine_card::Duty::default(),
            hours_per_week: None,
            provisional: false,
        };
        office.state(self, machine, vec![card.into()]);
        office.level(self).await;
        (property, machine)
    }
}

pub(crate) fn asked(method: Method, path: &str, token: &str) -> axum::http::request::Builder {
    let builder = Request::builder().method(method).uri(path);
    if token.is_empty() { builder } else { builder.header(header::AUTHORIZATION, format!("Bearer {token}")) }
}

/// An exchange's body on its way.
pub(crate) fn exchange_of(token: &str, body: Vec<u8>, zstd: bool) -> Request<Body> {
    let mut request = asked(Method::POST, "/v1/exchange", token).header(header::CONTENT_TYPE, "application/cbor");
    if zstd {
        request = request.header(header::CONTENT_ENCODING, "zstd").header(header::ACCEPT_ENCODING, "zstd");
    }
    request.body(Body::from(body)).unwrap()
}

/// A device with its book.
pub(crate) struct Device {
    pub(crate) book: Book,
    pub(crate) token: String,
    _folder: TempDir,
}

impl Device {
    pub(crate) fn blank() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let book = Book::open(&folder.path().join("book.db"), &mut chance).unwrap();
        Self { book, token: String::new(), _folder: folder }
    }

    pub(crate) fn fresh_doc(&self, world: &World) -> DocId {
        fresh_doc(&world.clock.now(), self.book.identity().unwrap().device, &mut chance)
    }

    pub(crate) fn person(&self) -> PersonId {
        self.book.identity().unwrap().person
    }

    pub(crate) fn assertion(&self, world: &World) -> String {
        self.book.tokens().assertion(&world.clock.now(), 0, &mut chance).unwrap()
    }

    pub(crate) async fn log_in(&mut self, world: &World) {
        self.token = world.log_in_with(&self.assertion(world)).await.json::<TokenAnswer>().access_token;
    }

    /// States something, a second after whatever was stated before.
    pub(crate) fn state(&mut self, world: &World, doc: DocId, said: Vec<Stated>) {
        world.clock.on(1000);
        let drafts = said.into_iter().map(|body| Draft::new(doc, body)).collect();
        self.book.write(drafts, &world.clock.now(), &mut chance).unwrap();
    }

    /// One exchange, packed.
    pub(crate) async fn exchange(&mut self, world: &World) -> Report {
        let sent_at = world.clock.now();
        let body = write_body(&self.book.outgoing().offer(&sent_at).unwrap(), true).unwrap();
        let answer = world.send(exchange_of(&self.token, body, true)).await;
        assert_eq!(answer.status, StatusCode::OK, "{}", String::from_utf8_lossy(&answer.body));
        let answer: ExchangeAnswer = read_body(&answer.body, true).unwrap();
        self.book.peer().take_answer(&sent_at, &answer, &world.clock.now(), &mut chance).unwrap()
    }

    /// Exchanges until nothing is left to say.
    pub(crate) async fn level(&mut self, world: &World) -> Vec<Report> {
        let mut reports = Vec::new();
        while reports.last().is_none_or(|r: &Report| r.more) {
            assert!(reports.len() < 20, "never level");
            reports.push(self.exchange(world).await);
        }
        reports
    }
}

/// A reading of the intake valve as found, between two leaves in thou.
pub(crate) fn reading(go: i64, no_go: i64) -> Stated {
    Clearance {
        valve: "1I".parse().unwrap(),
        stage: Stage::Found,
        go: Some(Length::from_thou(go)),
        no_go: Some(Length::from_thou(no_go)),
        leaves: Vec::new(),
        cold: true,
        engine_tenth_c: None,
        adjusted: false,
        visit: None,
    }
    .into()
}

/// How to serve a folder on a free port.
pub(crate) fn config(folder: &std::path::Path) -> Config {
    let mut config = Config::new(folder);
    config.listen = "127.0.0.1:0".parse().unwrap();
    config.shop_name = Some("Green End Mowers".to_owned());
    config.time_zone = Some("America/Chicago".to_owned());
    config.office_name = Some("Ana".to_owned());
    config
}
