//! Start-up and stop, the same for the binary, the demo and the tests.

use std::fmt;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use sync_core::book::Book;
use sync_core::book::backup::{Restored, back_up_shop, restore_shop};
use sync_core::engine::Verification;
use sync_core::server::{OpenedShop, SharedBook};
use sync_core::store::Backup;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use crate::config::Config;
use crate::connection_limits::Places;
use crate::error::ServerError;
use crate::origin::Origin;
use crate::permissions;
use crate::router::router;
use crate::serve::serve;
use crate::state::ServerState;
use crate::system::{Clock, entropy};
use crate::tls;

/// How often the server looks for something to tidy.
const TIDY_EACH: Duration = Duration::from_secs(60);
/// So many documents are tidied before others have their turn.
const TIDIED_AT_ONCE: usize = 16;

/// A server that serves. Dropped, it stops.
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    /// Where the shop was founded just now: the first office person's one-time code. Never shown again.
    pub first_code: Option<String>,
    url: String,
    /// Held while it is to serve: the server stops once this is gone.
    stop: Option<oneshot::Sender<()>>,
    task: Option<JoinHandle<()>>,
}

impl fmt::Debug for Running {
    /// Without the code: it must not end up in a log.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Running").field("address", &self.address).finish_non_exhaustive()
    }
}

impl Running {
    /// The address as a URL.
    #[must_use]
    pub fn url(&self) -> String {
        self.url.clone()
    }

    /// Stops: takes no more requests, finishes those under way, and lets the book's file go.
    pub async fn shutdown(mut self) {
        self.stop.take();
        self.wait().await;
    }

    /// Waits until the server has ended, which it does by itself only where it breaks.
    pub async fn wait(&mut self) {
        if let Some(task) = &mut self.task {
            if let Err(error) = task.await {
                tracing::error!(%error, "the server ended by a defect");
            }
            self.task = None;
        }
    }
}

/// Starts a server on the current tokio runtime: binds, opens the shop (founding it on the first start), serves.
///
/// # Errors
/// [`ServerError`]; nothing is served then.
pub async fn start(config: Config, clock: Arc<dyn Clock>) -> Result<Running, ServerError> {
    config.check()?;
    let tls = config.tls_cert.as_deref().zip(config.tls_key.as_deref()).map(|(cert, key)| tls::acceptor(cert, key)).transpose()?;
    let unbound = |source| ServerError::Address { address: config.listen, source };
    // Bound before the shop is founded: the address may become the shop's issuer.
    let listener = TcpListener::bind(config.listen).await.map_err(unbound)?;
    let address = listener.local_addr().map_err(unbound)?;
    let (url, limits, over_tls) = (config.url(address), config.limits, tls.is_some() || config.behind_tls_proxy);
    let places = Places::new(limits.connections, config.of_one_address());
    let origin = Origin::of(&config);
    let opening = Arc::clone(&clock);
    let opened = tokio::task::spawn_blocking(move || open(&config, address, &*opening)).await;
    let (OpenedShop { shop, first_code }, issuer) = opened.map_err(|e| ServerError::Broke(e.to_string()))??;
    let state = ServerState::bounded(Arc::new(shop), clock, limits).over_tls(over_tls).named(&issuer);
    let (stop, stopped) = oneshot::channel();
    let task = tokio::spawn(async move {
        let ending = {
            let state = state.clone();
            async move {
                // Also where the sender is gone without a word: the server was dropped.
                let _ = stopped.await;
                state.events.end();
            }
        };
        let served = serve(listener, tls, router(state.clone()), limits, places, origin, ending);
        tokio::select! {
            () = served => {}
            () = keep_tidy(state.clone()) => {}
            // Beside the answer, not before it; a failure is the next request's to tell.
            () = state.events.after_each(|| state.read(|book| book.upkeep().checkpoint_wal())) => {}
        }
        state.quiet().await;
    });
    Ok(Running { address, first_code, url, stop: Some(stop), task: Some(task) })
}

/// Tidies the book for as long as it is asked to, a little at a time, so that nobody waits for it.
async fn keep_tidy(state: ServerState) {
    let mut turns = tokio::time::interval(TIDY_EACH);
    // The first is at once, and let pass: who waited for the server to start comes before.
    turns.tick().await;
    loop {
        turns.tick().await;
        // A failure is the next request's to tell; there is nobody here to hear it.
        while state.read(|book| book.upkeep().tidy(TIDIED_AT_ONCE)).await.is_ok_and(|tidied| tidied > 0) {
            tokio::task::yield_now().await;
        }
        // Exchanges that move nothing wake nobody, and are written all the same.
        let _ = state.read(|book| book.upkeep().checkpoint_wal()).await;
    }
}

fn open(config: &Config, address: SocketAddr, clock: &dyn Clock) -> Result<(OpenedShop, String), ServerError> {
    permissions::folder(&config.data)?;
    let book = config.book();
    permissions::files_of(&book)?;
    let founding = match founded(&book)? {
        // A founded shop has its own name, zone and issuer; what the command line says of them is not looked at.
        true => config.founding(address).unwrap_or_else(|_| unused()),
        false => config.founding(address)?,
    };
    let opened = SharedBook::open(&book, &founding, &clock.now(), entropy()?)?;
    let issuer = opened.shop.read(|book| book.reader().shop_front())?.issuer;
    Ok((opened, issuer))
}

/// Whether the file holds a book that belongs to somebody. Makes no file.
fn founded(book: &Path) -> Result<bool, ServerError> {
    Ok(book.exists() && Book::open(book, &mut *entropy()?)?.identity().is_ok())
}

/// Stands where a founding is asked for and never read.
fn unused() -> sync_core::book::enrol::Founding {
    let shop = shared::record::ShopCard::usual("", "");
    sync_core::book::enrol::Founding { shop, office_name: String::new(), issuer: String::new() }
}

/// Verifies the shop's book in a folder that no server is serving. Makes nothing, changes nothing.
///
/// # Errors
/// [`ServerError`] where there is no book or it cannot even be read.
pub fn verify(config: &Config) -> Result<Verification, ServerError> {
    Ok(present_book(config)?.verify()?)
}

/// Verifies a backup, which is only read.
///
/// # Errors
/// [`ServerError`] where there is none or it cannot even be read.
pub fn verify_backup(file: &Path) -> Result<Verification, ServerError> {
    Ok(sync_core::book::backup::open_backup(file, &mut *entropy()?)?.verify()?)
}

/// Makes a backup of the shop's book in a folder that no server is serving, and of its photos' pictures beside that file.
///
/// # Errors
/// [`ServerError`]; no file is left then, unless it was a picture that could not be copied.
pub fn backup(config: &Config, to: &Path) -> Result<Backup, ServerError> {
    Ok(back_up_shop(&present_book(config)?, &config.book(), to)?)
}

/// Puts the shop in a folder back from a backup, while no server serves it.
///
/// # Errors
/// [`ServerError`]; nothing is changed then.
pub fn restore(config: &Config, from: &Path, clock: &dyn Clock) -> Result<Restored, ServerError> {
    config.check_data()?;
    permissions::folder(&config.data)?;
    Ok(restore_shop(from, &config.book(), &clock.now(), &mut *entropy()?)?)
}

fn present_book(config: &Config) -> Result<Book, ServerError> {
    config.check_data()?;
    let book = config.book();
    if !book.exists() {
        return Err(ServerError::NoBook(book));
    }
    Ok(Book::open(&book, &mut *entropy()?)?)
}
