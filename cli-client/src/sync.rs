//! Bringing this book and the shop level: log-in, then exchanges until there is no more.

use serde::{Deserialize, Serialize};
use shared::ids::{DocId, RecordId};
use shared::problem::Code;
use shared::wire::{ASSERTION_TYPE, ExchangeAnswer, TokenAnswer};
use sync_core::engine::BookError;
use sync_core::store::{MetaKey, StoreError};
use sync_core::sync::{read_body, write_body};

use crate::exit::Failure;
use crate::pictures::{self, SentPictures};
use crate::session::Session;
use crate::transport::{Traffic, Transport};

/// The most rounds of one exchange.
const MOST_ROUNDS: u32 = 50;
/// So much of what was kept on the shop's word is proved after an exchange: about a second's work, for whoever waits.
const PROVED_AFTER: usize = 2_048;
/// Documents tidied after an exchange.
const TIDIED_AFTER: usize = 64;
/// A token about to end is not used: it must outlive the request.
const TOKEN_MARGIN_MS: i64 = 30_000;
/// The name under which the token is kept.
const TOKEN: MetaKey<Token> = MetaKey::new("token");
/// The name under which it is kept that plain http was allowed for this server.
const PLAIN: MetaKey<bool> = MetaKey::new("allow_plain_http");
/// The name under which the certificates of the shop's own authority are kept.
const AUTHORITY: MetaKey<String> = MetaKey::new("authority");

/// A kept access token.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Token {
    token: String,
    until_ms: i64,
}

/// What an exchange did, over all its rounds.
#[derive(Debug, Clone, Default, Serialize)]
pub(crate) struct Levelled {
    /// Rounds.
    pub(crate) rounds: u32,
    /// Changes that the shop took, or held already.
    pub(crate) taken: usize,
    /// Changes that came from the shop.
    pub(crate) received: usize,
    /// Records appended again under a new actor.
    pub(crate) healed: usize,
    /// The shop was restored from a backup.
    pub(crate) shop_restored: bool,
    /// Records that were not taken.
    pub(crate) refused: Vec<Refused>,
    /// Records that the shop has not receipted yet.
    pub(crate) waiting: u64,
    /// Both sides are level.
    pub(crate) level: bool,
    /// Pictures of photos.
    pub(crate) pictures: SentPictures,
    /// What travelled.
    #[serde(flatten)]
    pub(crate) traffic: Traffic,
}

/// A record that was not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(crate) struct Refused {
    /// Its document.
    pub(crate) doc: DocId,
    /// Which, where one record was at fault.
    pub(crate) record: Option<RecordId>,
    /// Why.
    pub(crate) code: Code,
    /// Why, in a sentence.
    pub(crate) detail: String,
}

/// The way to the shop of this book.
pub(crate) fn transport(session: &Session<'_, '_>) -> Result<Transport, Failure> {
    let plain = session.global.allow_plain_http || session.kept(&PLAIN)?.unwrap_or_default();
    let authority = match authority_given(session)? {
        Some(given) => Some(given),
        None => session.kept(&AUTHORITY)?,
    };
    Transport::to(&session.book.identity()?.server, plain, authority.as_deref())
}

/// The certificates of the shop's own authority (PEM), where a file of them is named.
pub(crate) fn authority_given(session: &Session<'_, '_>) -> Result<Option<String>, Failure> {
    let Some(path) = session.global.ca.as_ref().or(session.env.variables.ca.as_ref()) else { return Ok(None) };
    let unread = |why: std::io::Error| Failure::File { path: path.clone(), why: why.to_string() };
    std::fs::read_to_string(path).map(Some).map_err(unread)
}

/// Remembers how the server was reached when this device enrolled: plain http where that was allowed, and who vouched
/// for the server, so that the file need not stay.
pub(crate) fn remember_way(session: &Session<'_, '_>, authority: Option<&str>) -> Result<(), Failure> {
    if session.global.allow_plain_http {
        session.keep(&PLAIN, &true)?;
    }
    authority.map_or(Ok(()), |pem| session.keep(&AUTHORITY, &pem.to_owned()))
}

/// Does something at the shop in the device's name, logging in where no token holds.
pub(crate) fn in_my_name<T>(
    session: &mut Session<'_, '_>,
    transport: &mut Transport,
    mut act: impl FnMut(&mut Transport, &str) -> Result<T, Failure>,
) -> Result<T, Failure> {
    let now_ms = session.env.now().wall_ms;
    let kept = session.kept(&TOKEN)?.filter(|kept| kept.until_ms - TOKEN_MARGIN_MS > now_ms);
    let Some(kept) = kept else {
        let token = log_in(session, transport)?;
        return act(transport, &token);
    };
    match act(transport, &kept.token) {
        // The clock may have moved, or the shop's key: a kept token that no longer holds is no reason to fail.
        Err(Failure::Refused(problem)) if problem.code == Code::TokenInvalid => {
            let token = log_in(session, transport)?;
            act(transport, &token)
        }
        other => other,
    }
}

/// Logs in and keeps the token. A device whose clock is off is told the shop's time and signs once more by it.
fn log_in(session: &mut Session<'_, '_>, transport: &mut Transport) -> Result<String, Failure> {
    let known = session.book.clock_evidence(&session.env.now())?;
    let offset_ms = known.offset_ms.filter(|_| !known.stepped).unwrap_or(0);
    let answer = match ask_token(session, transport, offset_ms) {
        Err(Failure::Refused(problem)) if problem.code == Code::ClockWrong => {
            let shop_ms = problem.shop_time_ms.ok_or(Failure::Refused(problem))?;
            let offset_ms = shop_ms.saturating_sub(session.env.now().wall_ms);
            ask_token(session, transport, offset_ms)
        }
        other => other,
    }?;
    let life_ms = i64::try_from(answer.expires_in).unwrap_or(0).saturating_mul(1000);
    let token = Token { token: answer.access_token, until_ms: session.env.now().wall_ms.saturating_add(life_ms) };
    // On a full disk it is not kept, and the next exchange logs in again.
    let _ = session.keep(&TOKEN, &token);
    Ok(token.token)
}

fn ask_token(session: &mut Session<'_, '_>, transport: &mut Transport, offset_ms: i64) -> Result<TokenAnswer, Failure> {
    let now = session.env.now();
    let assertion = session.book.tokens().assertion(&now, offset_ms, &mut *session.env.entropy)?;
    let form = [("grant_type", "client_credentials"), ("client_assertion_type", ASSERTION_TYPE), ("client_assertion", assertion.as_str())];
    transport.post_form("/v1/token", &form)
}

/// Exchanges until both sides are level, or it is clear that they do not get there.
///
/// Each round is kept as it comes: a failure later takes nothing back.
pub(crate) fn exchange(session: &mut Session<'_, '_>) -> Result<Levelled, Failure> {
    let mut transport = transport(session)?;
    let mut done = Levelled::default();
    while done.rounds < MOST_ROUNDS && !done.level {
        let sent_at = session.env.now();
        let body = write_body(&session.book.outgoing().offer(&sent_at)?, true)?;
        let (bytes, compressed) = in_my_name(session, &mut transport, |transport, token| transport.post_exchange(token, &body))?;
        let answer: ExchangeAnswer = read_body(&bytes, compressed)?;
        let now = session.env.now();
        let report = session.book.peer().take_answer(&sent_at, &answer, &now, &mut *session.env.entropy).map_err(|error| match error {
            BookError::Store(StoreError::Full) => Failure::NoRoom,
            other => other.into(),
        })?;
        done.rounds += 1;
        done.taken += report.taken;
        done.received += report.received;
        done.healed += report.healed;
        done.shop_restored |= report.shop_restored;
        for line in report.refused {
            let line = Refused { doc: line.doc, record: line.record, code: line.code, detail: line.detail };
            if !done.refused.contains(&line) {
                done.refused.push(line);
            }
        }
        done.level = !report.more;
    }
    if done.level {
        done.pictures = pictures::send_due(session, &mut transport)?;
    }
    // The exchange is done and kept: what this does not get to is done after the next one.
    let _ = session
        .book
        .peer()
        .verify_deferred(PROVED_AFTER)
        .and_then(|_| session.book.upkeep().tidy(TIDIED_AFTER))
        .and_then(|_| session.book.upkeep().vacuum());
    done.waiting = session.book.reader().status()?.waiting;
    done.traffic = transport.traffic;
    Ok(done)
}
