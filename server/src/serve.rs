//! Connections: taken in, bounded, and ended. Everything has a stated limit ([`crate::limits`]).
//!
//! What hyper finds to be no request (a head too large, lengths that contradict each other) it answers itself, with a
//! status and no body: there is no route yet that could speak.

use std::future::Future;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use axum::Router;
use hyper::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, watch};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;

use crate::connection_limits::Places;
use crate::limits::{LARGEST_HEAD, Limits, MOST_HEADERS};
use crate::origin::Origin;

/// Marks a request of a program on this very computer.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FromHere;

/// How long to wait after a connection could not be taken in, as where the system has no more handles.
const BREATH: Duration = Duration::from_millis(200);

/// Serves until `stop` resolves, then finishes what is under way.
pub(crate) async fn serve(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
    limits: Limits,
    places: Places,
    origin: Origin,
    stop: impl Future,
) {
    let (stopping, told) = watch::channel(());
    let mut connections = JoinSet::new();
    let mut stop = std::pin::pin!(stop);
    loop {
        let taken = tokio::select! {
            biased;
            _ = &mut stop => break,
            Some(_) = connections.join_next() => continue,
            taken = take(&listener, &places) => taken,
        };
        let (stream, peer, place) = match taken {
            Ok(taken) => taken,
            Err(error) => {
                tracing::warn!(%error, "a connection could not be taken in");
                tokio::time::sleep(BREATH).await;
                continue;
            }
        };
        let Some(place) = places.give(place, peer.ip()) else {
            tracing::debug!("an address that has its share of the places was sent away");
            continue;
        };
        let one = One { router: router.clone(), peer: peer.ip(), origin: origin.clone(), limits, told: told.clone() };
        let tls = tls.clone();
        connections.spawn(async move {
            match tls {
                None => one.answer(stream).await,
                Some(tls) => one.answer_within_tls(&tls, stream).await,
            }
            drop(place);
        });
    }
    drop(listener);
    drop(stopping);
    let finished = async { while connections.join_next().await.is_some() {} };
    if tokio::time::timeout(limits.last, finished).await.is_err() {
        tracing::warn!("requests were still under way when the server stopped; devices send them again");
    }
    connections.shutdown().await;
}

async fn take(listener: &TcpListener, places: &Places) -> std::io::Result<(TcpStream, SocketAddr, OwnedSemaphorePermit)> {
    let place = places.any().await?;
    let (stream, peer) = listener.accept().await?;
    Ok((stream, peer, place))
}

/// One connection, in a task of its own: nothing that it does or leaves undone holds the next one up.
struct One {
    router: Router,
    peer: IpAddr,
    origin: Origin,
    limits: Limits,
    /// Closed once the server is to stop.
    told: watch::Receiver<()>,
}

impl One {
    async fn answer_within_tls(mut self, tls: &TlsAcceptor, stream: TcpStream) {
        let handshake = tokio::time::timeout(self.limits.handshake, tls.accept(stream));
        let shaken = tokio::select! {
            shaken = handshake => shaken,
            // Nothing has been asked yet.
            _ = self.told.changed() => return,
        };
        match shaken {
            Ok(Ok(stream)) => self.answer(stream).await,
            Ok(Err(error)) => tracing::debug!(%error, "a TLS handshake failed"),
            Err(_) => tracing::debug!("a TLS handshake took too long"),
        }
    }

    async fn answer(mut self, stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static) {
        let (router, peer, origin) = (TowerToHyperService::new(self.router), self.peer, self.origin);
        let service = service_fn(move |mut request: Request<Incoming>| {
            // Of each request: one connection of a proxy's carries those of many clients.
            let who = origin.who(peer, request.headers());
            request.extensions_mut().insert(who);
            if origin.is_here(peer) {
                request.extensions_mut().insert(FromHere);
            }
            router.call(request)
        });
        let mut builder = http1::Builder::new();
        builder
            .timer(TokioTimer::new())
            .header_read_timeout(self.limits.head)
            .max_headers(MOST_HEADERS)
            .max_header_size(LARGEST_HEAD)
            .max_buf_size(LARGEST_HEAD * 2);
        let mut connection = std::pin::pin!(builder.serve_connection(TokioIo::new(stream), service));
        let ended = tokio::select! {
            ended = connection.as_mut() => Ok(ended),
            () = last_request(&mut self.told, self.limits.connection) => {
                connection.as_mut().graceful_shutdown();
                tokio::time::timeout(self.limits.last, connection).await
            }
        };
        match ended {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::debug!(%error, "a connection ended early"),
            Err(_) => tracing::debug!("a connection was cut: its last request took too long"),
        }
    }
}

/// Resolves once the request under way is to be the connection's last.
async fn last_request(told: &mut watch::Receiver<()>, life: Duration) {
    tokio::select! {
        _ = told.changed() => {}
        () = tokio::time::sleep(life) => {}
    }
}
