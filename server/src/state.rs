//! What every request shares: the shop, the clock, the limits and what is counted for them, and the one way to ask the shop something.

use std::fmt;
use std::sync::Arc;

use sync_core::book::Book;
use sync_core::server::SharedBook;
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::CryptoRng;
use tokio::sync::Semaphore;

use crate::concurrency::{Client, MOST_UNPACKED, Turns};
use crate::events::Events;
use crate::guards::Names;
use crate::idempotency::Once;
use crate::limits::Limits;
use crate::metrics::Measures;
use crate::pages::Rooms;
use crate::permits::Permits;
use crate::problem_response::ApiError;
use crate::rate_limit::Pace;
use crate::system::Clock;

/// Steps of the shop under way at once. The book does one at a time; more only hold memory while they wait.
const MOST_STEPS: u32 = 16;
/// What is true when a step of the shop broke: its transaction was undone.
const NOTHING_TAKEN: &str = "Nothing was taken in. Try again; if it stays so, tell the office.";

/// What every request shares.
#[derive(Clone)]
pub struct ServerState {
    shop: Arc<SharedBook>,
    clock: Arc<dyn Clock>,
    steps: Arc<Semaphore>,
    pub(crate) pace: Arc<Pace>,
    pub(crate) turns: Arc<Turns>,
    pub(crate) uploads: Arc<Turns>,
    pub(crate) unread: Arc<Permits<Client>>,
    pub(crate) once: Arc<Once>,
    pub(crate) events: Arc<Events>,
    pub(crate) measures: Arc<Measures>,
    pub(crate) limits: Limits,
    // Pages.
    pub(crate) rooms: Arc<Rooms>,
    pub(crate) over_tls: bool,
    /// Under which names it answers; `None`: under any.
    pub(crate) names: Option<Arc<Names>>,
}

impl fmt::Debug for ServerState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ServerState").finish_non_exhaustive()
    }
}

impl ServerState {
    /// The state of a server for a shop, with the usual limits.
    #[must_use]
    pub fn new(shop: Arc<SharedBook>, clock: Arc<dyn Clock>) -> Self {
        Self::bounded(shop, clock, Limits::default())
    }

    /// The state of a server for a shop, with limits of one's own.
    #[must_use]
    pub fn bounded(shop: Arc<SharedBook>, clock: Arc<dyn Clock>, limits: Limits) -> Self {
        Self {
            shop,
            clock,
            steps: Arc::new(Semaphore::new(MOST_STEPS as usize)),
            pace: Arc::new(Pace::new(limits.device, limits.strangers, limits.all_strangers)),
            turns: Arc::new(Turns::new(limits.exchanges_of_one, MOST_UNPACKED)),
            uploads: Arc::new(Turns::new(limits.pictures_of_one, limits.pictures)),
            unread: Permits::of_each(limits.unread_of_one),
            once: Arc::default(),
            events: Arc::new(Events::new(limits.streams, limits.streams_of_one)),
            measures: Arc::new(Measures::new()),
            limits,
            rooms: Arc::default(),
            over_tls: false,
            names: None,
        }
    }

    /// The same, where browsers come to it over TLS: they then show their session over nothing else.
    #[must_use]
    pub fn over_tls(self, over_tls: bool) -> Self {
        Self { over_tls, ..self }
    }

    /// The same, answering to the name in the shop's issuer alone, and to addresses written as numbers.
    #[must_use]
    pub fn named(self, issuer: &str) -> Self {
        Self { names: Some(Arc::new(Names::of(issuer))), ..self }
    }

    pub(crate) fn now(&self) -> ClockReading {
        self.clock.now()
    }

    /// Tells whoever listens that the shop's log may have moved. To be called after every step that writes.
    pub(crate) fn moved(&self) {
        self.events.wake();
    }

    /// Reads in the shop's book, away from the threads that serve.
    pub(crate) async fn read<T, E>(&self, look: impl FnOnce(&Book) -> Result<T, E> + Send + 'static) -> Result<T, ApiError>
    where
        T: Send + 'static,
        E: Into<ApiError> + Send + 'static,
    {
        self.ask(move |shop| shop.read(look)).await
    }

    /// Writes in the shop's book, away from the threads that serve: a commit waits for the disk.
    pub(crate) async fn write<T, E>(
        &self,
        step: impl FnOnce(&mut Book, &mut dyn CryptoRng) -> Result<T, E> + Send + 'static,
    ) -> Result<T, ApiError>
    where
        T: Send + 'static,
        E: Into<ApiError> + Send + 'static,
    {
        self.ask(move |shop| shop.write(step)).await
    }

    /// Asks the shop several things, away from the threads that serve. Between them others have the book.
    pub(crate) async fn ask<T, E>(&self, step: impl FnOnce(&SharedBook) -> Result<T, E> + Send + 'static) -> Result<T, ApiError>
    where
        T: Send + 'static,
        E: Into<ApiError> + Send + 'static,
    {
        let shop = Arc::clone(&self.shop);
        self.work(NOTHING_TAKEN, move || step(&shop)).await
    }

    /// Does work that would hold a serving thread up. A panic in it, as of a dependency, becomes a refusal that says
    /// what is true `after` it.
    pub(crate) async fn work<T, E>(&self, after: &str, step: impl FnOnce() -> Result<T, E> + Send + 'static) -> Result<T, ApiError>
    where
        T: Send + 'static,
        E: Into<ApiError> + Send + 'static,
    {
        let place = Arc::clone(&self.steps).acquire_owned().await.map_err(|_| ApiError::broke(after))?;
        let span = tracing::Span::current();
        let outcome = tokio::task::spawn_blocking(move || {
            // Held until the step ends, not until the request does: a request given up on leaves its step running.
            let _place = place;
            span.in_scope(step)
        });
        match outcome.await {
            Ok(result) => result.map_err(Into::into),
            Err(error) => {
                tracing::error!(panicked = error.is_panic(), "a step broke");
                Err(ApiError::broke(after))
            }
        }
    }

    /// Waits until no step is under way, and lets none begin.
    pub(crate) async fn quiet(&self) {
        if let Ok(all) = self.steps.acquire_many(MOST_STEPS).await {
            all.forget();
        }
    }
}
