//! Live events: which documents moved, told to whoever listens (server-sent events, as the HTML standard writes them).
//!
//! Nothing is queued per listener: each is woken, asks the shop what moved since the place it was told last, and so can
//! fall behind without taking room or missing anything. Where that is more than [`MOST_DOCUMENTS`], or the place is not
//! of this shop's present log, it is told to look at everything again ("resync"). The place is the event's id: a
//! listener that comes back names it and goes on from there.
//!
//! Who listens is handed in as a question that is asked again at every event and every keep-alive, so that a token that
//! ends, a device that is revoked or a session that is over ends the stream; [`stream`] knows of no token.

use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use axum::response::sse::{Event, Sse};
use futures_util::Stream;
use serde::Serialize;
use shared::ids::{DeviceId, DocId, PersonId};
use sync_core::server::SharedBook;
use sync_core::sync::LogEnd;
use sync_core::sys::clock::ClockReading;
use tokio::sync::watch;
use tokio::time::Sleep;
use tracing::Instrument;
use utoipa::ToSchema;

use crate::permits::{Permit, Permits};
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// The most documents that one event names.
const MOST_DOCUMENTS: usize = 256;
/// What happens within this time is told together.
const TOGETHER: Duration = Duration::from_millis(100);
/// How long a listener is to wait before it comes back.
const COME_BACK: Duration = Duration::from_secs(2);

/// Whose stream it is now; a refusal ends it.
pub(crate) type Who = Arc<dyn Fn(&SharedBook, &ClockReading) -> Result<PersonId, ApiError> + Send + Sync>;

/// What a `moved` event says.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Moved {
    /// Documents open to the caller that moved, or were opened to them: machines and properties under their ids, the roster and the
    /// engine cards under theirs.
    documents: Vec<DocId>,
    /// The end of the shop's log now.
    position: u64,
}

#[derive(Debug, Clone, Copy, Default)]
struct Signal {
    moves: u64,
    over: bool,
}

/// Everyone who listens.
#[derive(Debug)]
pub(crate) struct Events {
    signal: watch::Sender<Signal>,
    listening: Arc<Permits<DeviceId>>,
}

impl Events {
    pub(crate) fn new(most: usize, most_of_one: usize) -> Self {
        Self { signal: watch::Sender::default(), listening: Permits::new(most, most_of_one) }
    }

    /// Wakes every listener.
    pub(crate) fn wake(&self) {
        self.signal.send_modify(|signal| signal.moves = signal.moves.wrapping_add(1));
    }

    /// Does something after each wake, for as long as it is asked to.
    pub(crate) async fn after_each<F: Future>(&self, mut step: impl FnMut() -> F) {
        let mut signal = self.signal.subscribe();
        while signal.changed().await.is_ok() {
            step().await;
        }
    }

    /// Ends every stream, now and from now on: the server is to stop.
    pub(crate) fn end(&self) {
        self.signal.send_modify(|signal| signal.over = true);
    }

    /// How many listen.
    pub(crate) fn live(&self) -> usize {
        self.listening.in_use()
    }
}

/// One listener.
struct Listening {
    state: ServerState,
    who: Who,
    signal: watch::Receiver<Signal>,
    /// What has been told; nothing before the first event.
    told: Option<LogEnd>,
    /// What the listener says it was told, in an earlier stream.
    earlier: Option<LogEnd>,
    end: Pin<Box<Sleep>>,
    /// The request's, so that what is logged later has its id too.
    span: tracing::Span,
    _place: Permit<DeviceId>,
}

/// A stream of events for one listener, after the event that it names; the device is whose count it is on.
pub(crate) async fn stream(
    state: ServerState,
    device: DeviceId,
    who: Who,
    last_event: Option<String>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, ApiError> {
    let place = state.events.listening.take(device).ok_or_else(ApiError::too_many_streams)?;
    // Subscribed before anything is looked at: what moves from here on wakes it.
    let signal = state.events.signal.subscribe();
    let end = Box::pin(tokio::time::sleep(state.limits.connection));
    let listening = Listening {
        earlier: last_event.as_deref().map(place_of),
        told: None,
        state,
        who,
        signal,
        end,
        span: tracing::Span::current(),
        _place: place,
    };
    Ok(Sse::new(futures_util::stream::unfold(listening, async |mut listening| {
        let span = listening.span.clone();
        let event = listening.next().instrument(span).await?;
        Some((Ok(event), listening))
    })))
}

/// An event's id read back; what is none is a place of no log.
fn place_of(id: &str) -> LogEnd {
    let (position, epoch) = id.split_once('.').unwrap_or((id, ""));
    let epoch = epoch.parse::<u128>().ok().map(|number| shared::bytes::Bytes16(number.to_be_bytes()));
    LogEnd { position: position.parse().unwrap_or(u64::MAX), epoch }
}

fn id_of(end: &LogEnd) -> String {
    let epoch = end.epoch.map(|epoch| u128::from_be_bytes(epoch.0)).unwrap_or_default();
    format!("{}.{epoch}", end.position)
}

impl Listening {
    /// The next event; `None` ends the stream.
    async fn next(&mut self) -> Option<Event> {
        if self.told.is_none() {
            return self.look(true).await.ok().flatten();
        }
        loop {
            let every = self.state.limits.keep_alive;
            let woken = tokio::select! {
                biased;
                () = &mut self.end => return None,
                changed = self.signal.changed() => changed.is_ok(),
                () = tokio::time::sleep(every) => false,
            };
            if self.signal.borrow().over {
                return None;
            }
            if woken {
                tokio::time::sleep(TOGETHER).await;
                self.signal.mark_unchanged();
            }
            match self.look(false).await {
                Err(_) => return None,
                Ok(Some(event)) => return Some(event),
                // Keeps what is in between from closing a line that seems dead.
                Ok(None) if !woken => return Some(Event::default().comment("still here")),
                Ok(None) => {}
            }
        }
    }

    /// What there is to tell; a refusal ends the stream.
    async fn look(&mut self, first: bool) -> Result<Option<Event>, ApiError> {
        let (who, now) = (Arc::clone(&self.who), self.state.now());
        let since = self.told.or(self.earlier);
        let (end, moved) = self
            .state
            .ask(move |shop| {
                let person = who(shop, &now)?;
                let end = shop.read(|book| book.outgoing().log_end())?;
                let within = since.filter(|since| since.epoch == end.epoch && since.position <= end.position);
                let moved = match within.or(since.is_none().then_some(end)) {
                    Some(from) if from.position == end.position => Some(Vec::new()),
                    Some(from) => Some(shop.read(|book| book.read_by(person).moved(from.position, end.position))?)
                        .filter(|docs| docs.len() <= MOST_DOCUMENTS),
                    None => None,
                };
                Ok::<_, ApiError>((end, moved))
            })
            .await?;
        self.told = Some(end);
        let event = match moved {
            Some(documents) if documents.is_empty() && !first => return Ok(None),
            Some(documents) => json("moved", &Moved { documents, position: end.position }),
            None => json("resync", &Moved { documents: Vec::new(), position: end.position }),
        };
        Ok(Some(if first { event.retry(COME_BACK) } else { event }.id(id_of(&end))))
    }
}

fn json(name: &str, moved: &Moved) -> Event {
    Event::default().event(name).data(serde_json::to_string(moved).unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_is_read_back_and_nonsense_is_a_place_of_no_log() {
        let end = LogEnd { position: 7, epoch: Some(shared::bytes::Bytes16([250; 16])) };
        assert_eq!(place_of(&id_of(&end)), end);
        for bad in ["", "x", "7", "7.x", "-1.2"] {
            assert!(place_of(bad).position == u64::MAX || place_of(bad).epoch.is_none(), "{bad}");
        }
    }
}
