//! One device of the fleet: its morning's fill, its day's records written offline, and the exchanges that bring it level.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};
use shared::wire::{ASSERTION_TYPE, EXCHANGE_TYPE, ExchangeAnswer, ExchangeRequest, TokenAnswer};
use sync_core::book::{Book, Draft};
use sync_core::sync::{read_body, write_body};
use sync_core::sys::clock::ClockReading;

use super::line::{Asked, Line};
use super::seed::Seeded;
use super::workload::{Line as Written, lines};
use super::{ShiftedClock, Stopwatch, chance, open, words};

/// The most round trips of one step.
const MOST_ROUNDS: u64 = 10_000;

/// What a device is told at its start.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeviceConfig {
    /// Its name, for messages.
    pub name: String,
    /// Its book.
    pub book: PathBuf,
    /// Where the shop answers, as in `http://127.0.0.1:4000`.
    pub url: String,
    /// The records of its day, as JSON lines.
    pub day: PathBuf,
    /// What the seeding left word of.
    pub machines: PathBuf,
    /// By how many ms its clock is ahead of this computer's.
    pub shift_ms: i64,
}

/// What one step did.
#[derive(Debug, Default, Clone, Serialize)]
pub struct Did {
    /// HTTP requests sent.
    pub requests: u64,
    /// Of those, how many the server answered with a plea for patience.
    pub put_off: u64,
    /// Changes that the shop took, or held already.
    pub taken: usize,
    /// Changes that came.
    pub received: usize,
    /// Records written.
    pub written: usize,
    /// Records held, the shop's receipts not counted.
    pub count: u64,
    /// Bytes of bodies sent, compressed.
    pub body_up: usize,
    /// Bytes of bodies that came, compressed.
    pub body_down: usize,
    /// Where the time went.
    pub detail: Detail,
}

/// Where a step's time went, in ms of wall time.
#[derive(Debug, Default, Clone, Serialize)]
pub struct Detail {
    /// Making up and writing the requests.
    pub offer_ms: f64,
    /// From a request's first byte to its answer's last.
    pub wait_ms: f64,
    /// Reading the answers' bodies.
    pub read_ms: f64,
    /// Taking the answers in.
    pub take_ms: f64,
    /// The median of a record written: from the call until it is kept.
    pub kept_ms: f64,
}

/// An open device.
#[derive(Debug)]
pub struct Device {
    book: Book,
    line: Line,
    token: String,
    clock: ShiftedClock,
    config: DeviceConfig,
}

impl Device {
    /// Opens a device's book and logs in: a phone holds its token for 15 minutes.
    ///
    /// # Errors
    /// A sentence.
    pub fn open(config: DeviceConfig) -> Result<(Self, Did), String> {
        let clock = ShiftedClock::new(config.shift_ms)?;
        let mut device = Self { book: open(&config.book)?, line: Line::to(&config.url)?, token: String::new(), clock, config };
        let did = device.counted(|device, _| {
            let assertion = device.book.tokens().assertion(&device.clock.on_a_phone(), 0, &mut chance).map_err(words)?;
            let kind = ASSERTION_TYPE.replace(':', "%3A");
            let form = format!("grant_type=client_credentials&client_assertion_type={kind}&client_assertion={assertion}");
            let kind = "application/x-www-form-urlencoded";
            let answer = device.line.ask(&Asked { method: "POST", path: "/v1/token", token: None, kind, body: form.as_bytes() })?;
            let answer: TokenAnswer = serde_json::from_slice(&answer.body).map_err(words)?;
            device.token = answer.access_token;
            Ok(())
        })?;
        Ok((device, did))
    }

    /// Its book.
    pub(super) const fn book(&mut self) -> &mut Book {
        &mut self.book
    }

    /// Its clock.
    pub(super) const fn clock(&self) -> &ShiftedClock {
        &self.clock
    }

    /// The token that it logged in with.
    pub(super) fn token(&self) -> &str {
        &self.token
    }

    /// Brings the device level: exchanges until there is no more. The first fill, catching up and an idle exchange alike.
    ///
    /// # Errors
    /// A sentence; also where the shop refuses a record.
    pub fn level(&mut self) -> Result<Did, String> {
        self.counted(|device, did| {
            for _ in 0..MOST_ROUNDS {
                let request = device.offer(false, did)?;
                if !device.exchange(&request, did)? {
                    return Ok(());
                }
            }
            Err(format!("not level after {MOST_ROUNDS} round trips"))
        })
    }

    /// Brings what the device has to the shop: exchanges until the shop has taken all of it.
    ///
    /// # Errors
    /// As [`Device::level`].
    pub fn upload(&mut self) -> Result<Did, String> {
        self.counted(|device, did| {
            for _ in 0..MOST_ROUNDS {
                let request = device.offer(true, did)?;
                if request.docs.iter().all(|doc| doc.recipes.is_empty()) || !device.exchange(&request, did)? {
                    return Ok(());
                }
            }
            Err(format!("not taken after {MOST_ROUNDS} round trips"))
        })
    }

    /// What the device sends next; where it only brings something, it takes nothing of others' now.
    fn offer(&self, only_bringing: bool, did: &mut Did) -> Result<ExchangeRequest, String> {
        let watch = Stopwatch::start();
        let now = self.clock.on_a_phone();
        let request =
            if only_bringing { self.book.outgoing().offer_only(&now) } else { self.book.outgoing().offer(&now) }.map_err(words)?;
        did.detail.offer_ms += watch.wall_ms();
        Ok(request)
    }

    /// One round trip; whether there is more to exchange.
    fn exchange(&mut self, request: &ExchangeRequest, did: &mut Did) -> Result<bool, String> {
        let watch = Stopwatch::start();
        let sent_at = ClockReading::at(request.device_time);
        let body = write_body(request, true).map_err(words)?;
        let offered_ms = watch.wall_ms();
        let asked = Asked { method: "POST", path: "/v1/exchange", token: Some(&self.token), kind: EXCHANGE_TYPE, body: &body };
        let answered = self.line.ask(&asked)?;
        let back = self.clock.on_a_phone();
        let waited_ms = watch.wall_ms();
        let answer: ExchangeAnswer = read_body(&answered.body, answered.zstd).map_err(words)?;
        let read_ms = watch.wall_ms();
        let report = self.book.peer().take_answer(&sent_at, &answer, &back, &mut chance).map_err(words)?;
        did.detail.offer_ms += offered_ms;
        did.detail.wait_ms += waited_ms - offered_ms;
        did.detail.read_ms += read_ms - waited_ms;
        did.detail.take_ms += watch.wall_ms() - read_ms;
        did.taken += report.taken;
        did.received += report.received;
        did.body_up += body.len();
        did.body_down += answered.body.len();
        match report.refused.first() {
            Some(refused) => Err(format!("the shop refused a record: {}", refused.detail)),
            None => Ok(report.more),
        }
    }

    /// Proves what was kept on the shop's word, and tidies: what a phone does when nobody waits.
    ///
    /// # Errors
    /// A sentence.
    pub fn prove(&mut self) -> Result<Did, String> {
        self.counted(|device, _| {
            while device.book.peer().verify_deferred(1_024).map_err(words)? > 0 {}
            while device.book.upkeep().tidy(64).map_err(words)? > 0 {}
            Ok(())
        })
    }

    /// Writes the day's records offline, each in a step of its own and at its own time.
    ///
    /// # Errors
    /// A sentence.
    pub fn append(&mut self) -> Result<Did, String> {
        self.counted(|device, did| {
            let machines = Seeded::read(&device.config.machines)?.machines;
            let (watch, mut kept_ms) = (Stopwatch::start(), Vec::new());
            for line in lines::<Written>(&device.config.day)? {
                let doc = machines.get(&line.machine).ok_or_else(|| format!("{} is no machine of the fleet", line.machine))?;
                let draft = Draft::new(*doc, line.body());
                let called_ms = watch.wall_ms();
                device.book.write(vec![draft], &ClockReading::at(line.at_ms()), &mut chance).map_err(words)?;
                kept_ms.push(watch.wall_ms() - called_ms);
                did.written += 1;
            }
            kept_ms.sort_by(f64::total_cmp);
            did.detail.kept_ms = kept_ms.get(kept_ms.len() / 2).copied().unwrap_or_default();
            Ok(())
        })
    }

    /// Counts the records in the book.
    ///
    /// # Errors
    /// A sentence.
    pub fn count(&mut self) -> Result<Did, String> {
        self.counted(|device, did| {
            did.count = device.book.store().records().counts().map_err(words)?.0;
            Ok(())
        })
    }

    /// Gets a page or list of the shop's, over the same connection.
    ///
    /// # Errors
    /// A sentence; also for any status but 200.
    pub fn get(&mut self, path: &str) -> Result<Did, String> {
        self.counted(|device, did| {
            let asked = Asked { method: "GET", path, token: Some(&device.token), kind: "", body: &[] };
            did.body_down = device.line.ask(&asked)?.body.len();
            Ok(())
        })
    }

    /// What the book's own verification finds wrong.
    ///
    /// # Errors
    /// A sentence where it cannot even be read.
    pub fn faults(&self) -> Result<Vec<String>, String> {
        Ok(self.book.verify().map_err(words)?.faults)
    }

    fn counted(&mut self, step: impl FnOnce(&mut Self, &mut Did) -> Result<(), String>) -> Result<Did, String> {
        let (requests, put_off) = (self.line.requests, self.line.put_off);
        let mut did = Did::default();
        step(self, &mut did).map_err(|e| format!("{}: {e}", self.config.name))?;
        did.requests = self.line.requests - requests;
        did.put_off = self.line.put_off - put_off;
        Ok(did)
    }
}
