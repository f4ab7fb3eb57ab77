//! Joining a shop and being level with it: what to send, and what to make of the answer.

use shared::problem::Code;
use shared::wire::{ASSERTION_TYPE, EXCHANGE_TYPE, EnrolAnswer, ExchangeAnswer, TokenAnswer};
use sync_core::sync::bundle::{Load, Made, Taken};
use sync_core::sync::{Report, read_body, write_body};
use sync_core::sys::clock::ClockReading;

use crate::call::{Call, form, is_compressed, read_json, success};
use crate::error::KitError;
use crate::{Chance, Kit};

const JSON: &str = "application/json";
const FORM: &str = "application/x-www-form-urlencoded";
/// A token about to end is not used: it must outlive the request.
const TOKEN_MARGIN_MS: i64 = 30_000;
/// How many bytes of others' changes a phone takes at a time while it is filled for the first time, before compression: its person sees
/// machines come, and what came is kept if the signal goes.
const FILL_PAGE_BYTES: u64 = 512 * 1024;

/// What this opening knows of its log-in. Not kept: another one costs one short request.
#[derive(Default)]
pub(crate) struct Session {
    /// The token, and until when by the device's clock.
    token: Option<(String, i64)>,
    /// Shop time minus device time, as the shop told it when it refused this device's.
    told_offset_ms: Option<i64>,
    /// The device's clocks when the request that is under way was made.
    sent_at: Option<ClockReading>,
}

/// What became of a log-in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LogIn {
    /// This device is logged in.
    Done,
    /// The clock is off, and the shop has told the time: make another call, which signs by that.
    Again,
}

impl Kit {
    /// The request to enrol with a one-time code. Made again before the answer came, it has the same keys.
    ///
    /// # Errors
    /// [`KitError`] where the book belongs to a shop already, or the store fails.
    pub fn enrol_call(&mut self, code: &str, device_name: &str) -> Result<Call, KitError> {
        let now = self.around.now();
        let request = self.book.enrol_request(code, device_name, &now, &mut Chance(&mut *self.around))?;
        let body = serde_json::to_vec(&request).map_err(|e| KitError::Given(e.to_string()))?;
        Ok(Call::post("/v1/enrol", JSON, JSON, body))
    }

    /// Takes the answer to [`Kit::enrol_call`]: from now on this book is a device of that shop. `server` is where it was asked.
    ///
    /// # Errors
    /// [`KitError::Refused`] where the code does not hold; others as they say. The book is then as it was.
    pub fn enrolled(&mut self, status: u16, body: &[u8], server: &str) -> Result<EnrolAnswer, KitError> {
        let answer: EnrolAnswer = read_json(success(status, body)?)?;
        self.book.enrolled(&answer, server)?;
        let now_ms = self.around.now().wall_ms;
        self.log_in.told_offset_ms = Some(answer.shop_time_ms.saturating_sub(now_ms));
        Ok(answer)
    }

    /// Whether a log-in must come before the next exchange.
    pub fn needs_log_in(&mut self) -> bool {
        let now_ms = self.around.now().wall_ms;
        self.log_in.token.take_if(|(_, until_ms)| *until_ms - TOKEN_MARGIN_MS <= now_ms);
        self.log_in.token.is_none()
    }

    /// The request to log in.
    ///
    /// # Errors
    /// [`KitError`] where the book belongs to no shop.
    pub fn log_in_call(&mut self) -> Result<Call, KitError> {
        let now = self.around.now();
        let known = self.book.clock_evidence(&now)?;
        let known_ms = known.offset_ms.filter(|_| !known.stepped);
        let offset_ms = self.log_in.told_offset_ms.or(known_ms).unwrap_or(0);
        let assertion = self.book.tokens().assertion(&now, offset_ms, &mut Chance(&mut *self.around))?;
        let fields =
            [("grant_type", "client_credentials"), ("client_assertion_type", ASSERTION_TYPE), ("client_assertion", assertion.as_str())];
        Ok(Call::post("/v1/token", FORM, JSON, form(&fields)))
    }

    /// Takes the answer to [`Kit::log_in_call`]. A device whose clock is off is told to try once more, and never locked out.
    ///
    /// # Errors
    /// [`KitError::Refused`]: the device is unknown or revoked, or the clock is still wrong after it was told; others as they say.
    pub fn logged_in(&mut self, status: u16, body: &[u8]) -> Result<LogIn, KitError> {
        let now_ms = self.around.now().wall_ms;
        match success(status, body) {
            Ok(body) => {
                let answer: TokenAnswer = read_json(body)?;
                let life_ms = i64::try_from(answer.expires_in).unwrap_or(0).saturating_mul(1000);
                self.log_in.token = Some((answer.access_token, now_ms.saturating_add(life_ms)));
                Ok(LogIn::Done)
            }
            Err(KitError::Refused(problem)) if problem.code == Code::ClockWrong => {
                let told = problem.shop_time_ms.map(|shop_ms| shop_ms.saturating_sub(now_ms));
                // Told the same twice, another try would go on for ever.
                let same = told.zip(self.log_in.told_offset_ms).is_some_and(|(told, before)| told.abs_diff(before) < 60_000);
                if told.is_none() || same {
                    return Err(KitError::Refused(problem));
                }
                self.log_in.told_offset_ms = told;
                Ok(LogIn::Again)
            }
            Err(other) => Err(other),
        }
    }

    /// A token that the shop does not take any more is not used again.
    pub(crate) fn forget_token(&mut self) {
        self.log_in.token = None;
    }

    /// The token of this device's log-in, for what else it asks the server; `None` where there is none.
    pub fn token(&mut self) -> Option<&str> {
        if self.needs_log_in() { None } else { self.log_in.token.as_ref().map(|(token, _)| token.as_str()) }
    }

    /// The next half of the exchange. With `hand_over_only` nothing of others comes back: for a signal that may be gone in a
    /// moment, so that what cannot be replaced goes first.
    ///
    /// # Errors
    /// [`KitError::LogInFirst`]; the store.
    pub fn exchange_call(&mut self, hand_over_only: bool) -> Result<Call, KitError> {
        self.book.identity()?;
        let Some(token) = self.token().map(|token| format!("Bearer {token}")) else { return Err(KitError::LogInFirst) };
        let now = self.around.now();
        let mut offer = if hand_over_only { self.book.outgoing().offer_only(&now)? } else { self.book.outgoing().offer(&now)? };
        if !hand_over_only && offer.cursor.position == 0 {
            offer.room = Some(FILL_PAGE_BYTES);
        }
        let body = write_body(&offer, true)?;
        self.log_in.sent_at = Some(now);
        Ok(Call::post("/v1/exchange", EXCHANGE_TYPE, EXCHANGE_TYPE, body)
            .with("content-encoding", "zstd")
            .with("accept-encoding", "zstd")
            .with("authorization", token))
    }

    /// Takes the answer to [`Kit::exchange_call`]: one transaction, or nothing. While the report says `more`, call again at once.
    ///
    /// # Errors
    /// [`KitError::Refused`]; with the code `token-invalid`, log in and try again. [`KitError::Answer`] where no call was made
    /// before it; others as they say.
    pub fn exchanged(&mut self, status: u16, body: &[u8]) -> Result<Report, KitError> {
        let body = match success(status, body) {
            Err(KitError::Refused(problem)) if problem.code == Code::TokenInvalid => {
                self.forget_token();
                return Err(KitError::Refused(problem));
            }
            other => other?,
        };
        let sent_at = self.log_in.sent_at.take().ok_or_else(|| KitError::Answer("nothing was asked".to_owned()))?;
        let answer: ExchangeAnswer = read_body(body, is_compressed(body))?;
        let now = self.around.now();
        Ok(self.book.peer().take_answer(&sent_at, &answer, &now, &mut Chance(&mut *self.around))?)
    }

    /// Proves what was kept on the shop's word, up to a count of parts of the log (2 048 is about a second's work on a
    /// computer). For a moment when nobody waits. Gives how many are left.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn verify_deferred(&mut self, most: usize) -> Result<usize, KitError> {
        Ok(self.book.peer().verify_deferred(most)?)
    }

    /// Tidies up to a count of documents, and closes the holes that it leaves: what is in the book does not change, only the
    /// room it takes. For a moment when nobody waits. Gives how many were tidied.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn tidy(&mut self, most: usize) -> Result<usize, KitError> {
        let tidied = self.book.upkeep().tidy(most)?;
        self.book.upkeep().vacuum()?;
        Ok(tidied)
    }

    /// What the shop is not known to hold, as the bytes of a bundle, or of several where one would be too large: to be saved to files, or
    /// carried to another device.
    ///
    /// # Errors
    /// [`KitError`] where the book belongs to no shop.
    pub fn export_unsent(&mut self) -> Result<Made, KitError> {
        let now = self.around.now();
        Ok(self.book.outgoing().make_bundle(&Load::Unsent, &now)?)
    }

    /// Takes in a bundle that another device made: one transaction, or nothing. The same bundle twice changes nothing.
    ///
    /// # Errors
    /// [`KitError`] for bytes that are no bundle, or one of another shop or version.
    pub fn take_bundle(&mut self, bytes: &[u8]) -> Result<Taken, KitError> {
        let now = self.around.now();
        Ok(self.book.peer().take_bundle(bytes, &now)?)
    }
}
