//! The workload's files: one JSON object a line, as `tests/peers/README.md` says. A line becomes a statement of ours here.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;

use jiff::Timestamp;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use shared::ids::{DeviceId, RecordId};
use shared::length::Length;
use shared::record::{Body, Clearance, Note, Stage};
use shared::valve::Valve;

use super::about;

/// A line of `machines.ndjson`.
#[derive(Debug, Deserialize)]
pub(super) struct Machine {
    pub(super) i: usize,
    pub(super) id: String,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    Gauge,
    Adjust,
    Note,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum When {
    AsFound,
    AsLeft,
    Check,
}

/// A line of `fleet.ndjson` or of a device's day. Its `by`, `seen` and `sig` are not looked at: here these follow from who
/// writes, what the book holds, and the device's key.
#[derive(Debug, Deserialize)]
pub(super) struct Line {
    id: RecordId,
    kind: Kind,
    pub(super) machine: String,
    valve: Valve,
    stage: When,
    go_um: i64,
    nogo_um: i64,
    device: String,
    taken_at: Timestamp,
}

impl Line {
    /// When it was written, ms since 1970 UTC.
    pub(super) fn at_ms(&self) -> i64 {
        self.taken_at.as_millisecond()
    }

    /// The record's id, as its device gives it: the workload's own has another's bytes in it.
    pub(super) fn id_by(&self, device: DeviceId) -> RecordId {
        let mut random = [0; 10];
        random.copy_from_slice(&self.id.as_bytes()[6..]);
        RecordId(device.make(self.at_ms(), random))
    }

    /// The number in the device's name.
    pub(super) fn device(&self) -> Result<usize, String> {
        let number = self.device.strip_prefix("dev-").and_then(|number| number.parse().ok());
        number.ok_or_else(|| format!("\"{}\" names no device: the workload's are dev-00, dev-01 and so on", self.device))
    }

    /// What is stated: a clearance for `gauge` and `adjust`, with as-found, check and as-left for found, set and left; a note.
    pub(super) fn body(&self) -> Body {
        let stage = match self.stage {
            When::AsFound => Stage::Found,
            When::Check => Stage::Set,
            When::AsLeft => Stage::Left,
        };
        let leaf = |um: i64| Some(Length::from_tenth_um(um.saturating_mul(10)));
        match self.kind {
            Kind::Note => Note { text: format!("{} {stage}: gap {} to {} µm", self.valve, self.go_um, self.nogo_um), visit: None }.into(),
            Kind::Gauge | Kind::Adjust => Clearance {
                valve: self.valve,
                stage,
                go: leaf(self.go_um),
                no_go: leaf(self.nogo_um),
                leaves: Vec::new(),
                cold: true,
                engine_tenth_c: None,
                adjusted: matches!(self.kind, Kind::Adjust),
                visit: None,
            }
            .into(),
        }
    }
}

/// Reads a file of JSON lines.
pub(super) fn lines<T: DeserializeOwned>(path: &Path) -> Result<Vec<T>, String> {
    let file = BufReader::new(File::open(path).map_err(about(path))?);
    let mut read = Vec::new();
    for (n, line) in file.lines().enumerate() {
        let line = line.map_err(about(path))?;
        read.push(serde_json::from_str(&line).map_err(|e| format!("{}, line {}: {e}", path.display(), n + 1))?);
    }
    Ok(read)
}

/// The days' files in order: one for each device.
pub(super) fn days(data: &Path) -> Result<Vec<Vec<Line>>, String> {
    let mut days = Vec::new();
    loop {
        let path = data.join("day").join(format!("dev-{:02}.ndjson", days.len()));
        if !path.exists() {
            break;
        }
        days.push(lines(&path)?);
    }
    if days.is_empty() { Err(format!("{} holds no device's day", data.display())) } else { Ok(days) }
}
