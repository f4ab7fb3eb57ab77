//! Connections: taken in, bounded, and ended. Everything has a stated limit.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio::task::JoinSet;

/// Connections held at once; further ones wait in the listener's queue.
const MOST_CONNECTIONS: usize = 512;
/// A connection that has not sent a request's head by then is closed, so that no sleeper holds a place.
const HEAD_WITHIN: Duration = Duration::from_secs(30);
/// How long requests under way may take once the server is told to stop.
const STOP_WITHIN: Duration = Duration::from_secs(35);
/// How long to wait after a connection could not be taken in, as where the system has no more handles.
const BREATH: Duration = Duration::from_millis(200);

/// Serves until `stop` resolves, then finishes what is under way.
pub(crate) async fn serve(listener: TcpListener, router: Router, stop: impl Future) {
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let graceful = GracefulShutdown::new();
    let mut connections = JoinSet::new();
    let mut stop = std::pin::pin!(stop);
    loop {
        let taken = tokio::select! {
            biased;
            _ = &mut stop => break,
            Some(_) = connections.join_next() => continue,
            taken = take(&listener, &places) => taken,
        };
        let (stream, place) = match taken {
            Ok(taken) => taken,
            Err(error) => {
                tracing::warn!(%error, "a connection could not be taken in");
                tokio::time::sleep(BREATH).await;
                continue;
            }
        };
        let service = TowerToHyperService::new(router.clone());
        let mut builder = http1::Builder::new();
        builder.timer(TokioTimer::new()).header_read_timeout(HEAD_WITHIN);
        let connection = graceful.watch(builder.serve_connection(TokioIo::new(stream), service));
        connections.spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!(%error, "a connection ended early");
            }
            drop(place);
        });
    }
    drop(listener);
    if tokio::time::timeout(STOP_WITHIN, graceful.shutdown()).await.is_err() {
        tracing::warn!("requests were still under way when the server stopped; devices send them again");
    }
    connections.shutdown().await;
}

async fn take(
    listener: &TcpListener,
    places: &Arc<Semaphore>,
) -> std::io::Result<(tokio::net::TcpStream, tokio::sync::OwnedSemaphorePermit)> {
    let place = Arc::clone(places).acquire_owned().await.map_err(std::io::Error::other)?;
    let (stream, _) = listener.accept().await?;
    Ok((stream, place))
}
