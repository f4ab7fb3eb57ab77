//! What the server counts of itself, as Prometheus reads it. Numbers alone: no name, no id, no address.
//!
//! Each server has a recorder of its own and none is global, so that two servers in one process do not mix.
//! A label is a route's pattern, a method or a status: their number is bounded by the code.

use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use axum::extract::{MatchedPath, Request, State};
use axum::http::Method;
use axum::middleware::Next;
use axum::response::Response;
use metrics::{counter, describe_counter, describe_gauge, describe_histogram, gauge, histogram, with_local_recorder};
use metrics_exporter_prometheus::{Matcher, PrometheusBuilder, PrometheusRecorder};

use crate::state::ServerState;

const REQUESTS: &str = "tappetbook_requests_total";
const EXCHANGE: &str = "tappetbook_exchange_seconds";
const RECORDS: &str = "tappetbook_records_total";
const WAITING: &str = "tappetbook_quarantine_waiting";
const STREAMS: &str = "tappetbook_event_streams";
const POSITION: &str = "tappetbook_log_position";

/// Upper ends of the classes of exchange durations, in seconds: from a phone with nothing new to a season's first fill.
const CLASSES: [f64; 10] = [0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0, 30.0];
/// After so many observations they are folded into their classes, so that they take no room where nobody ever looks.
const FOLD_AFTER: u64 = 1024;

/// What is counted.
pub(crate) struct Measures {
    recorder: PrometheusRecorder,
    observed: AtomicU64,
}

impl fmt::Debug for Measures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Measures").finish_non_exhaustive()
    }
}

/// What is looked up when somebody asks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Now {
    pub(crate) waiting: usize,
    pub(crate) streams: usize,
    pub(crate) position: u64,
}

#[expect(clippy::cast_precision_loss, reason = "these counts stay far below 2^53")]
impl Measures {
    pub(crate) fn new() -> Self {
        // Refused only for no classes at all.
        let classes = PrometheusBuilder::new().set_buckets_for_metric(Matcher::Full(EXCHANGE.to_owned()), &CLASSES);
        let recorder = classes.unwrap_or_default().build_recorder();
        with_local_recorder(&recorder, || {
            describe_counter!(REQUESTS, "Requests answered, by method, route and status.");
            describe_histogram!(EXCHANGE, "How long exchanges took at the shop, in seconds.");
            describe_counter!(RECORDS, "Records that exchanges brought, by outcome; one that is sent again counts again.");
            describe_gauge!(WAITING, "Records that wait in quarantine.");
            describe_gauge!(STREAMS, "Streams of events that are open.");
            describe_gauge!(POSITION, "End of the shop's log.");
        });
        Self { recorder, observed: AtomicU64::new(0) }
    }

    fn request(&self, method: &Method, route: &str, status: u16) {
        let method = if *method == Method::GET || *method == Method::POST || *method == Method::HEAD { method.as_str() } else { "other" };
        let labels = [("method", method.to_owned()), ("route", route.to_owned()), ("status", status.to_string())];
        with_local_recorder(&self.recorder, || counter!(REQUESTS, &labels).increment(1));
    }

    /// An exchange that was answered.
    pub(crate) fn exchange(&self, took: Duration, taken: u64, refused: u64) {
        with_local_recorder(&self.recorder, || {
            histogram!(EXCHANGE).record(took.as_secs_f64());
            counter!(RECORDS, "outcome" => "taken").increment(taken);
            counter!(RECORDS, "outcome" => "refused").increment(refused);
        });
        if self.observed.fetch_add(1, Ordering::Relaxed) % FOLD_AFTER == FOLD_AFTER - 1 {
            self.recorder.handle().run_upkeep();
        }
    }

    /// Everything as text, in Prometheus' exposition format.
    pub(crate) fn text(&self, now: Now) -> String {
        with_local_recorder(&self.recorder, || {
            gauge!(WAITING).set(now.waiting as f64);
            gauge!(STREAMS).set(now.streams as f64);
            gauge!(POSITION).set(now.position as f64);
        });
        self.recorder.handle().render()
    }
}

/// Counts a request by its route and status, whatever became of it.
pub(crate) async fn count(State(state): State<ServerState>, request: Request, next: Next) -> Response {
    let method = request.method().clone();
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str).to_owned();
    let response = next.run(request).await;
    state.measures.request(&method, &route, response.status().as_u16());
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_and_counts_come_out_as_prometheus_reads_them() {
        let measures = Measures::new();
        for _ in 0..FOLD_AFTER + 1 {
            measures.exchange(Duration::from_millis(30), 2, 1);
        }
        measures.request(&Method::GET, "/v1/due", 200);
        measures.request(&Method::from_bytes(b"BREW").unwrap(), "none", 405);
        let text = measures.text(Now { waiting: 3, streams: 1, position: 42 });
        for line in [
            "tappetbook_exchange_seconds_bucket{le=\"0.025\"} 0",
            "tappetbook_exchange_seconds_bucket{le=\"0.05\"} 1025",
            "tappetbook_exchange_seconds_count 1025",
            "tappetbook_records_total{outcome=\"taken\"} 2050",
            "tappetbook_records_total{outcome=\"refused\"} 1025",
            "tappetbook_requests_total{method=\"GET\",route=\"/v1/due\",status=\"200\"} 1",
            "tappetbook_requests_total{method=\"other\",route=\"none\",status=\"405\"} 1",
            "tappetbook_quarantine_waiting 3",
            "tappetbook_event_streams 1",
            "tappetbook_log_position 42",
        ] {
            assert!(text.lines().any(|have| have == line), "{line} is not in\n{text}");
        }
    }
}
