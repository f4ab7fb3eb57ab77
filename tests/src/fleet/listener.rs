//! Whoever listens to `GET /v1/events`: notes when each event came.

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use super::{Stopwatch, words};

/// No event is awaited longer.
const AT_MOST: Duration = Duration::from_secs(10);

/// An event: the end of the shop's log that it tells, and when it came by the stopwatch, in ms.
#[derive(Debug, Clone, Copy)]
struct Event {
    position: u64,
    came_ms: f64,
}

/// A stream of events that is open.
#[derive(Debug)]
pub(super) struct Listener {
    events: Receiver<Event>,
    position: u64,
}

impl Listener {
    /// Opens the stream at `ADDRESS:PORT`, and waits for the first event, which says where the log ends now. The stream is left
    /// to the server to end.
    pub(super) fn open(address: &str, token: &str, watch: &Stopwatch) -> Result<Self, String> {
        let mut stream = TcpStream::connect(address).map_err(words)?;
        stream.set_nodelay(true).map_err(words)?;
        let asked =
            format!("GET /v1/events HTTP/1.1\r\nhost: {address}\r\nauthorization: Bearer {token}\r\naccept: text/event-stream\r\n\r\n");
        stream.write_all(asked.as_bytes()).map_err(words)?;
        let (send, events) = channel();
        let watch = watch.clone();
        std::thread::spawn(move || {
            for line in BufReader::new(stream).lines().map_while(Result::ok) {
                let came_ms = watch.wall_ms();
                let Some(position) = position_in(&line) else { continue };
                if send.send(Event { position, came_ms }).is_err() {
                    break;
                }
            }
        });
        let mut listener = Self { events, position: 0 };
        listener.position = listener.next()?.position;
        Ok(listener)
    }

    /// When the log's next move was told, in ms of the stopwatch.
    pub(super) fn moved_ms(&mut self) -> Result<f64, String> {
        loop {
            let event = self.next()?;
            if event.position > self.position {
                self.position = event.position;
                return Ok(event.came_ms);
            }
        }
    }

    fn next(&self) -> Result<Event, String> {
        self.events.recv_timeout(AT_MOST).map_err(|e| match e {
            RecvTimeoutError::Timeout => format!("no event came within {} s", AT_MOST.as_secs()),
            RecvTimeoutError::Disconnected => "the stream of events ended, or never began".to_owned(),
        })
    }
}

/// The position that a line of an event tells (the HTML standard, 9.2.6: a field is its name, a colon and its value).
fn position_in(line: &str) -> Option<u64> {
    let data: serde_json::Value = serde_json::from_str(line.strip_prefix("data:")?).ok()?;
    data.get("position")?.as_u64()
}

#[cfg(test)]
mod tests {
    use super::position_in;

    #[test]
    fn only_an_event_that_says_where_the_log_ends_counts() {
        assert_eq!(position_in("data: {\"documents\":[],\"position\":17}"), Some(17));
        for other in ["", "event: moved", "data: {}", "data: hello", "{\"position\":17}", ": {\"position\":17}"] {
            assert_eq!(position_in(other), None, "{other}");
        }
    }
}
