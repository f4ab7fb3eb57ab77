//! What a device's owner waits for, on a filled book: the terminal from its start to its end, a reading kept, and how soon
//! others hear of it.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde::Serialize;
use server::{Clock, SystemClock};
use shared::ids::DocId;
use shared::record::{Body, Note};
use sync_core::book::Draft;

use super::bare::{Synchronous, Table};
use super::listener::Listener;
use super::seed::Seeded;
use super::workload::{Line, lines};
use super::{Device, DeviceConfig, Stopwatch, Work, about, chance, words};

/// Runs of each verb of the terminal.
const RUNS: usize = 11;
/// Readings kept, one after another.
const READINGS: usize = 200;
/// Events awaited.
const EVENTS: usize = 10;
/// Between one event and what brings the next: longer than the server gathers what it tells together.
const BETWEEN_EVENTS: Duration = Duration::from_millis(400);

/// Times of one step, in ms.
#[derive(Debug, Clone, Serialize)]
pub struct Times {
    /// How many were taken.
    pub runs: usize,
    /// The middle one.
    pub median_ms: f64,
    /// The shortest.
    pub least_ms: f64,
    /// The longest.
    pub most_ms: f64,
    /// The first: with less in the caches than the others.
    pub first_ms: f64,
}

impl Times {
    /// Of some times in the order in which they were taken.
    ///
    /// # Errors
    /// A sentence where there are none.
    fn of(taken: &[f64]) -> Result<Self, String> {
        let mut sorted = taken.to_vec();
        sorted.sort_by(f64::total_cmp);
        match (taken.first(), sorted.as_slice()) {
            (Some(first), [least, .., most]) => {
                Ok(Self { runs: taken.len(), median_ms: sorted[sorted.len() / 2], least_ms: *least, most_ms: *most, first_ms: *first })
            }
            _ => Err("fewer than two times were taken".to_owned()),
        }
    }
}

/// To whole µs: no more is meant by it.
fn rounded(ms: f64) -> f64 {
    (ms * 1000.0).round() / 1000.0
}

/// What `fleet cold` tells.
#[derive(Debug, Serialize)]
pub struct Cold {
    /// Machines of the fleet.
    pub machines: usize,
    /// Records in the device's book, the shop's receipts not counted.
    pub records: u64,
    /// The first fill, in ms.
    pub fill_ms: f64,
    /// The device's book, in bytes.
    pub book_bytes: u64,
    /// `tappet due` as a process.
    pub due: Times,
    /// `tappet show TAG` as a process.
    pub show: Times,
    /// `tappet status` as a process.
    pub status: Times,
    /// One reading kept: `Book::write` until it returns.
    pub write: Times,
    /// The same signed bytes into a plain SQLite table, one commit, `synchronous=FULL`.
    pub bare_full: Times,
    /// The same with `synchronous=EXTRA`, which the book's store has.
    pub bare_extra: Times,
    /// Mean size of those signed bytes.
    pub signed_bytes: usize,
    /// From the exchange's answer to the event at another listener; below zero where the event came first.
    pub event_after_answer: Times,
}

/// The server in a process of its own. Dropped, it is told to end, and has ended.
struct Serving {
    child: Child,
    address: String,
}

impl Serving {
    fn start(fleet: &Path, work: &Work, shift_ms: i64) -> Result<Self, String> {
        let mut command = Command::new(fleet);
        command.arg("serve").arg(&work.0).arg("--shift-ms").arg(shift_ms.to_string());
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().map_err(about(fleet))?;
        let mut address = String::new();
        let read = child.stdout.take().map(|out| BufReader::new(out).read_line(&mut address));
        let serving = Self { child, address: address.trim().to_owned() };
        match read {
            Some(Ok(1..)) => Ok(serving),
            _ => Err("the server did not start".to_owned()),
        }
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        // It ends by itself once its standard input has ended; there is nothing to do about one that does not.
        let _ = self.child.wait();
    }
}

/// Fills device 0 of a seeded run over the loopback, and times what its owner waits for. `data` is the workload, from which the
/// readings are; `fleet` and `tappet` are programs.
///
/// # Errors
/// A sentence; also where the terminal answers with anything but success.
pub fn cold(data: &Path, work: &Work, tappet: &Path, fleet: &Path) -> Result<Cold, String> {
    let seeded = Seeded::read(&work.seeded())?;
    let shift_ms = seeded.morning_ms.saturating_sub(SystemClock::new().map_err(words)?.now().wall_ms);
    let serving = Serving::start(fleet, work, shift_ms)?;
    let day = data.join("day").join("dev-00.ndjson");
    let config = |n: usize| DeviceConfig {
        name: format!("dev-{n:02}"),
        book: work.device_book(n),
        url: format!("http://{}", serving.address),
        day: day.clone(),
        machines: work.seeded(),
        shift_ms,
    };
    let (mut device, _) = Device::open(config(0))?;
    let watch = Stopwatch::start();
    device.level()?;
    let fill_ms = watch.wall_ms();
    let records = device.count()?.count;
    let event_after_answer = events(&mut device, &Device::open(config(1))?.0, &serving.address, &seeded)?;
    let Kept { write, bare_full, bare_extra, signed_bytes } = keep(&mut device, &day, work, &seeded)?;
    drop(device);
    drop(serving);
    let book = work.device_book(0);
    let run = |verb: &[&str]| {
        let times = (0..RUNS).map(|_| terminal(tappet, &book, verb)).collect::<Result<Vec<_>, _>>()?;
        Times::of(&times)
    };
    Ok(Cold {
        machines: seeded.machines.len(),
        records,
        fill_ms: rounded(fill_ms),
        book_bytes: std::fs::metadata(&book).map_err(about(&book))?.len(),
        due: run(&["due"])?,
        show: run(&["show", "M-00000"])?,
        status: run(&["status"])?,
        write,
        bare_full,
        bare_extra,
        signed_bytes,
        event_after_answer,
    })
}

/// One run of the terminal, from its start to its end, in ms.
fn terminal(tappet: &Path, book: &Path, verb: &[&str]) -> Result<f64, String> {
    let mut command = Command::new(tappet);
    command.env_clear().arg("--book").arg(book).args(verb);
    let watch = Stopwatch::start();
    let output = command.stdin(Stdio::null()).output().map_err(about(tappet))?;
    let took_ms = watch.wall_ms();
    if output.status.success() && !output.stdout.is_empty() {
        return Ok(took_ms);
    }
    Err(format!("tappet {}: {}: {}", verb.join(" "), output.status, String::from_utf8_lossy(&output.stderr)))
}

/// How long after each exchange's answer another device hears of what it brought.
fn events(device: &mut Device, other: &Device, address: &str, seeded: &Seeded) -> Result<Times, String> {
    let watch = Stopwatch::start();
    let mut listener = Listener::open(address, other.token(), &watch)?;
    let machine = *seeded.machines.values().next().ok_or("the fleet has no machine")?;
    let mut after = Vec::with_capacity(EVENTS);
    for n in 0..EVENTS {
        std::thread::sleep(BETWEEN_EVENTS);
        write(device, machine, Note { text: format!("Heard of, {n}"), visit: None }.into())?;
        let began_ms = watch.wall_ms();
        let did = device.level()?;
        if did.requests != 1 {
            return Err(format!("{} requests where one brings a note to the shop", did.requests));
        }
        after.push(listener.moved_ms()? - (began_ms + did.detail.offer_ms + did.detail.wait_ms));
    }
    Times::of(&after)
}

/// Writes one record; how long until it was kept, in ms, and its signed bytes.
fn write(device: &mut Device, machine: DocId, body: Body) -> Result<(f64, [u8; 16], Vec<u8>), String> {
    let now = device.clock().on_a_phone();
    let draft = vec![Draft::new(machine, body)];
    let watch = Stopwatch::start();
    let written = device.book().write(draft, &now, &mut chance).map_err(words)?;
    let took_ms = watch.wall_ms();
    let id = *written.first().ok_or("nothing was written")?;
    let held = device.book().store().records().held(id).map_err(words)?.ok_or("what was written is not held")?;
    Ok((took_ms, *id.as_bytes(), held.bytes))
}

struct Kept {
    write: Times,
    bare_full: Times,
    bare_extra: Times,
    signed_bytes: usize,
}

/// Keeps readings of the first device's day, and gives the same bytes to SQLite alone: in turns, so that what else the disk
/// does meets all three alike.
fn keep(device: &mut Device, day: &Path, work: &Work, seeded: &Seeded) -> Result<Kept, String> {
    let (full, extra) = (work.bare(), work.bare().with_extension("extra.db"));
    let tables = [Table::make(&full, Synchronous::Full)?, Table::make(&extra, Synchronous::Extra)?];
    let machines: Vec<DocId> = seeded.machines.values().copied().collect();
    let bodies: Vec<Body> = lines::<Line>(day)?.iter().map(Line::body).collect();
    let (mut kept, mut bare, mut bytes) = (Vec::new(), [Vec::new(), Vec::new()], 0);
    for n in 0..READINGS {
        let (Some(machine), Some(body)) = (machines.get(n % machines.len().max(1)), bodies.get(n % bodies.len().max(1))) else {
            return Err("the seeding left no machine, or no reading to write".to_owned());
        };
        let (took_ms, id, signed) = write(device, *machine, body.clone())?;
        kept.push(took_ms);
        bytes += signed.len();
        for (table, times) in tables.iter().zip(&mut bare) {
            times.push(table.insert(std::iter::once((id.as_slice(), signed.as_slice())))?);
        }
    }
    let [bare_full, bare_extra] = bare;
    Ok(Kept {
        write: Times::of(&kept)?,
        bare_full: Times::of(&bare_full)?,
        bare_extra: Times::of(&bare_extra)?,
        signed_bytes: bytes / READINGS,
    })
}

#[cfg(test)]
mod tests {
    use super::Times;

    #[test]
    fn the_first_the_least_the_middle_and_the_most() {
        let times = Times::of(&[9.0, 3.0, -1.0, 5.0, 4.0]).unwrap();
        assert_eq!((times.runs, times.first_ms, times.least_ms, times.median_ms, times.most_ms), (5, 9.0, -1.0, 4.0, 9.0));
        assert!(Times::of(&[]).is_err() && Times::of(&[1.0]).is_err());
    }
}
