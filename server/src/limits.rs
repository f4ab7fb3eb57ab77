//! Every limit of the server on one page, with the reason for its size. A test hands in smaller ones.

use std::time::Duration;

use crate::rate_limit::Rate;

/// What the server bears. The default is what a shop runs with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Connections held at once; further ones wait in the listener's queue.
    pub connections: usize,
    /// Of those, connections of one address, where peers have addresses of their own: half, because a shop's whole crew
    /// may come through one router at day's end, and one address must still not take every place. `None`: half where
    /// peers have addresses of their own, and no such limit on loopback or behind a proxy, where one address is everyone.
    pub of_one_address: Option<usize>,
    /// A TLS handshake that is not done by then is given up.
    pub handshake: Duration,
    /// A connection that has not sent a request's head by then is closed, so that no sleeper holds a place.
    pub head: Duration,
    /// A request, its body included, takes at most this long.
    pub answer: Duration,
    /// A connection is ended after this long, between two requests where that is possible: whoever reads an answer a
    /// byte at a time gives its place back too.
    pub connection: Duration,
    /// How long requests under way may take once they are to be the last.
    pub last: Duration,
    /// Requests of one device: a crew's office that opens every machine of a fleet passes, a loop gone wild does not.
    pub device: Rate,
    /// Requests of one address that has shown no token: 200 devices behind one router that log in twice each at day's end pass.
    pub strangers: Rate,
    /// Such requests of all addresses together: more than the book bears to be asked for nothing.
    pub all_strangers: Rate,
    /// Exchanges of one device under way at once. It needs one; a phone whose signal broke off asks again meanwhile.
    pub exchanges_of_one: usize,
    /// Answers of one device that it has not read yet, of those that may be large: an exchange's, and a picture. A browser asks for six
    /// pictures at once; a device that reads none holds eight, and no more, until its connections end.
    pub unread_of_one: usize,
    /// Pictures of photos on their way at once, at most 8 MiB each: together they hold no more than a small server spares.
    pub pictures: usize,
    /// Of those, pictures of one device: it sends one after the other; the next may begin before the last is answered.
    pub pictures_of_one: usize,
    /// Streams of events at once: half of the connections, so that there is room for everything else.
    pub streams: usize,
    /// Of those, streams of one device: a phone needs one, an office's browser one for each open page.
    pub streams_of_one: usize,
    /// How often a stream says that it is still there, and looks whether its token still holds.
    pub keep_alive: Duration,
}

/// Largest head of a request, in bytes: ours stay under two thousand.
pub(crate) const LARGEST_HEAD: usize = 32 * 1024;
/// A picture may take so many times as long as any other request: 8 MiB over a poor signal, in the two minutes for which the
/// terminal and the kit wait. A connection lasts longer still.
pub(crate) const PICTURE_TIMES: u32 = 4;
/// Most header fields of a request.
pub(crate) const MOST_HEADERS: usize = 64;

impl Default for Limits {
    fn default() -> Self {
        Self {
            connections: 512,
            of_one_address: None,
            handshake: Duration::from_secs(10),
            head: Duration::from_secs(30),
            answer: Duration::from_secs(30),
            connection: Duration::from_secs(300),
            last: Duration::from_secs(35),
            device: Rate { burst: 240, per_s: 4 },
            strangers: Rate { burst: 1000, per_s: 50 },
            all_strangers: Rate { burst: 8000, per_s: 400 },
            exchanges_of_one: 4,
            unread_of_one: 8,
            pictures: 24,
            pictures_of_one: 2,
            streams: 256,
            streams_of_one: 8,
            keep_alive: Duration::from_secs(15),
        }
    }
}
