//! One insider beside the load: a device that really enrolled, with a yard to look after, whose program does its worst for as long as
//! the others work. It floods changes, quarantine and pictures, fills one slot, leaves answers unread, and guesses tokens and codes.
//!
//! It comes from an address of its own, as somebody else's phone does, and takes no refusal for an answer. What it gets back is counted.

use std::collections::BTreeMap;
use std::fmt;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use server::{Clock, SystemClock};
use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::DocId;
use shared::length::Length;
use shared::record::{Body, Clearance, ClockEvidence, Note, Photo, Record, RoleGrant, Stage};
use shared::role::Role;
use shared::wire::{Cursor, DocOffer, EXCHANGE_TYPE, ExchangeRequest, PROTOCOL, Recipe};
use sync_core::book::pictures::sha256;
use sync_core::change::replica;
use sync_core::crypto::envelope;
use sync_core::store::Identity;
use sync_core::sync::write_body;
use sync_core::sys::rng::{fresh_record, random};

use super::device::{Device, chance, words};

/// Its own address on this machine, so that its strangers' pace is not the honest devices'. Loopback is a whole network on Linux alone.
const FROM: &str = if cfg!(target_os = "linux") { "127.0.0.2:0" } else { "127.0.0.1:0" };
/// A pause after a refusal: what would cost another machine's processor must not take this one's from those who are measured.
const BREATH: Duration = Duration::from_millis(5);
/// Records in a change of its flood.
const IN_A_CHANGE: usize = 64;
/// Bytes of a picture of its flood.
const PICTURE: usize = 4 * 1024 * 1024;
/// A request that is answered later than this is given up.
const PATIENCE: Duration = Duration::from_secs(20);

/// What it does, each in a thread of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Deed {
    /// Changes as large as they may be, into its own machine.
    Changes,
    /// Readings in one slot, none of which has seen another.
    Slot,
    /// What it may not write, for quarantine to hold.
    Quarantine,
    /// Pictures, of photos that it noted and of others.
    Pictures,
    /// Tokens that are none.
    Tokens,
    /// Answers as large as they come, and never read.
    Unread,
    /// One-time codes that are none.
    Codes,
}

impl Deed {
    const ALL: [Self; 7] = [Self::Changes, Self::Slot, Self::Quarantine, Self::Pictures, Self::Tokens, Self::Unread, Self::Codes];

    const fn name(self) -> &'static str {
        match self {
            Self::Changes => "large changes",
            Self::Slot => "readings in one slot",
            Self::Quarantine => "records for quarantine",
            Self::Pictures => "pictures",
            Self::Tokens => "wrong tokens",
            Self::Unread => "answers left unread",
            Self::Codes => "wrong codes",
        }
    }
}

/// What it was answered, by deed and status; 0: not at all.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Worst(BTreeMap<(&'static str, u16), u64>);

impl Worst {
    /// All its requests.
    #[must_use]
    pub fn requests(&self) -> u64 {
        self.0.values().sum()
    }

    /// Whether each kind of deed was tried and answered.
    #[must_use]
    pub fn tried_everything(&self) -> bool {
        Deed::ALL.iter().all(|deed| self.0.keys().any(|(name, status)| *name == deed.name() && *status != 0))
    }

    /// How many answers had a status of the server's own fault.
    #[must_use]
    pub fn broke_the_server(&self) -> u64 {
        self.0.iter().filter(|((_, status), _)| *status == 500).map(|(_, count)| count).sum()
    }
}

impl fmt::Display for Worst {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "the insider: {} requests", self.requests())?;
        for deed in Deed::ALL.map(Deed::name) {
            let of_it = self.0.iter().filter(|((name, _), _)| *name == deed);
            let counts: Vec<String> = of_it.map(|((_, status), count)| format!("{status}: {count}")).collect();
            writeln!(f, "  {deed}: {}", counts.join(", "))?;
        }
        Ok(())
    }
}

/// The insider, ready.
pub(super) struct Insider<'c> {
    identity: Identity,
    token: String,
    address: SocketAddr,
    clock: &'c SystemClock,
    /// A machine of its own yard, and one that is closed to it.
    own: DocId,
    closed: DocId,
    /// An enrolment with a code that is none.
    guess: Vec<u8>,
}

impl<'c> Insider<'c> {
    /// A device that is enrolled and level turns.
    pub(super) fn of(mut device: Device<'c>, own: DocId, closed: DocId) -> Result<Self, String> {
        let token = device.token()?;
        let identity = device.book.identity().map_err(words)?.clone();
        let (address, clock) = (device.caller.address, device.caller.clock);
        let stranger = Device::new(device.caller)?;
        let guess = stranger.book.enrol_request("AAAAA-BBBBB", "phone", &clock.now(), &mut chance).map_err(words)?;
        let guess = serde_json::to_vec(&guess).map_err(words)?;
        Ok(Self { identity, token, address, clock, own, closed, guess })
    }

    /// Does its worst until told to stop.
    pub(super) fn rage(&self, stop: &AtomicBool) -> Result<Worst, String> {
        let told = std::thread::scope(|scope| {
            let hands: Vec<_> = Deed::ALL.map(|deed| scope.spawn(move || self.keep_at(deed, stop))).into_iter().collect();
            hands.into_iter().map(|hand| hand.join().unwrap_or_else(|_| Err("the insider broke".to_owned()))).collect::<Result<Vec<_>, _>>()
        })?;
        let mut worst = Worst::default();
        for (deed, status) in told.into_iter().flatten() {
            *worst.0.entry((deed.name(), status)).or_default() += 1;
        }
        Ok(worst)
    }

    fn keep_at(&self, deed: Deed, stop: &AtomicBool) -> Result<Vec<(Deed, u16)>, String> {
        let mut told = Vec::new();
        // Held open, and read no further than the head.
        let mut unread = Vec::new();
        while !stop.load(Ordering::Relaxed) {
            let request = self.request(deed)?;
            // The same again until it is taken or refused for good: making one costs this machine, too.
            while !stop.load(Ordering::Relaxed) {
                let status = if deed == Deed::Unread {
                    self.begin(&request).map_or(0, |(status, stream)| {
                        unread.extend((status == 200).then_some(stream));
                        status
                    })
                } else {
                    self.send(&request).unwrap_or(0)
                };
                told.push((deed, status));
                if status != 429 && status != 0 {
                    break;
                }
                std::thread::sleep(BREATH);
            }
        }
        Ok(told)
    }

    fn request(&self, deed: Deed) -> Result<Vec<u8>, String> {
        let note = |n: usize| Note { text: format!("{n} {}", "x".repeat(3_900)), visit: None }.into();
        let reading = |n: usize| {
            let go = 2 + i64::try_from(n % 12).unwrap_or(0);
            let (go, no_go) = (Some(Length::from_thou(go)), Some(Length::from_thou(go + 1)));
            let valve = shared::valve::Valve::all(1).first().copied();
            valve.map(|valve| {
                Clearance {
                    valve,
                    stage: Stage::Found,
                    go,
                    no_go,
                    leaves: vec![],
                    cold: true,
                    engine_tenth_c: None,
                    adjusted: false,
                    visit: None,
                }
                .into()
            })
        };
        match deed {
            Deed::Changes => self.exchange(self.own, (0..IN_A_CHANGE).map(note).collect()),
            Deed::Slot => self.exchange(self.own, (0..IN_A_CHANGE).filter_map(reading).collect()),
            Deed::Quarantine => {
                let role = RoleGrant { person: self.identity.person, role: Some(Role::Office) };
                let into = if random::<1>(&mut chance)[0].is_multiple_of(2) { self.closed } else { self.identity.root.shop.roster() };
                self.exchange(into, if into == self.closed { vec![note(0)] } else { vec![role.into()] })
            }
            Deed::Pictures => {
                let mut bytes = vec![0; PICTURE];
                bytes.splice(..4, [0xff, 0xd8, 0xff, 0xe0]);
                bytes.splice(4..20, random::<16>(&mut chance));
                let hash = sha256(&bytes);
                if !random::<1>(&mut chance)[0].is_multiple_of(4) {
                    let (size_bytes, media_type) = (bytes.len() as u64, "image/jpeg".to_owned());
                    let noted = Photo { sha256: hash, size_bytes, media_type, caption: String::new(), visit: None };
                    // Whether it is taken shows in what becomes of the picture.
                    let _ = self.send(&self.exchange(self.own, vec![noted.into()])?);
                }
                Ok(self.http("PUT", &format!("/v1/photos/{}/{hash}", self.own), "image/jpeg", &self.token, &bytes))
            }
            Deed::Tokens => {
                let guess = self.token.chars().rev().collect::<String>();
                Ok(self.http("POST", "/v1/exchange", EXCHANGE_TYPE, &guess, &[0; 64]))
            }
            Deed::Unread => self.asking(vec![]),
            Deed::Codes => Ok(self.http("POST", "/v1/enrol", "application/json", "", &self.guess)),
        }
    }

    /// A change of an actor of its own, signed with its own key, as the whole of an exchange.
    fn exchange(&self, doc: DocId, bodies: Vec<Body>) -> Result<Vec<u8>, String> {
        let now = self.clock.now();
        let records = bodies.into_iter().map(|body| {
            let (by, clock) = (self.identity.person, ClockEvidence::default());
            let id = fresh_record(&now, self.identity.device, &mut chance);
            let record = Record { id, doc, by, measured_by: None, at_ms: now.wall_ms, clock, seen: vec![], body };
            let key = self.identity.keys().map_err(words)?;
            envelope::sign(&record, self.identity.device, key.record(), self.identity.root.shop).map(Blob).map_err(words)
        });
        let records = records.collect::<Result<Vec<_>, String>>()?;
        let (actor, deps) = (Bytes16(random(&mut chance)), vec![replica::genesis_hash(doc)]);
        let mut recipe = Recipe { hash: Bytes32([0; 32]), actor, seq: 1, start_op: 2, deps, time: 0, records };
        recipe.hash = replica::change_hash(doc, &recipe).map_err(words)?;
        self.asking(vec![DocOffer { id: doc, heads: vec![], recipes: vec![recipe.into()], lacking: false }])
    }

    /// An exchange from the beginning of the log, as much as fits: the dearest answer that there is.
    fn asking(&self, docs: Vec<DocOffer>) -> Result<Vec<u8>, String> {
        let (device_time, cursor) = (self.clock.now().wall_ms, Cursor::default());
        let request = ExchangeRequest { v: PROTOCOL, device_time, epoch: None, cursor, segments: false, room: None, docs };
        let body = write_body(&request, true).map_err(words)?;
        Ok(self.http("POST", "/v1/exchange", EXCHANGE_TYPE, &self.token, &body))
    }

    fn http(&self, method: &str, path: &str, kind: &str, token: &str, body: &[u8]) -> Vec<u8> {
        let coding = if kind == EXCHANGE_TYPE { "content-encoding: zstd\r\n" } else { "" };
        let head = format!(
            "{method} {path} HTTP/1.1\r\nhost: {}\r\nconnection: close\r\ncontent-type: {kind}\r\ncontent-length: {}\r\n{coding}authorization: Bearer {token}\r\n\r\n",
            self.address,
            body.len()
        );
        [head.as_bytes(), body].concat()
    }

    /// One request from its own address; the status that came back.
    fn send(&self, request: &[u8]) -> std::io::Result<u16> {
        let mut stream = self.ask(request)?;
        let mut all = Vec::new();
        let read = stream.read_to_end(&mut all);
        let status = all.get(9..12).and_then(|digits| std::str::from_utf8(digits).ok()?.parse().ok());
        status.ok_or_else(|| read.err().unwrap_or_else(|| std::io::Error::other("no answer")))
    }

    /// The same, read no further than the status.
    fn begin(&self, request: &[u8]) -> std::io::Result<(u16, TcpStream)> {
        let mut stream = self.ask(request)?;
        let mut head = [0; 12];
        stream.read_exact(&mut head)?;
        let status = std::str::from_utf8(&head[9..]).ok().and_then(|digits| digits.parse().ok());
        Ok((status.ok_or_else(|| std::io::Error::other("no answer"))?, stream))
    }

    fn ask(&self, request: &[u8]) -> std::io::Result<TcpStream> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build()?;
        let stream = runtime.block_on(async {
            let socket = tokio::net::TcpSocket::new_v4()?;
            socket.bind(FROM.parse().map_err(std::io::Error::other)?)?;
            socket.connect(self.address).await
        });
        let mut stream: TcpStream = stream?.into_std()?;
        stream.set_nonblocking(false)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.set_write_timeout(Some(PATIENCE))?;
        // Refused before all of it was read, it is answered all the same.
        let _ = stream.write_all(request);
        Ok(stream)
    }
}
