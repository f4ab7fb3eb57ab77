//! What a load measured, and how it is told.

use std::collections::BTreeMap;
use std::fmt;

use super::caller::Told;
use super::insider::Worst;

/// One stage of a load, which all devices begin together.
#[derive(Debug, Clone)]
pub struct Phase {
    /// What the devices did.
    pub name: &'static str,
    /// From the start to the last device's end, in ms.
    pub wall_ms: i64,
    /// How long each exchange took that was answered, in ms, shortest first.
    pub exchanges_ms: Vec<i64>,
    /// The same of log-ins and enrolments.
    pub others_ms: Vec<i64>,
    /// Requests that failed, by what was said. Told to wait is no failure.
    pub failed: BTreeMap<String, u64>,
    /// How often the server asked a device to wait.
    pub put_off: u64,
}

impl Phase {
    pub(super) fn new(name: &'static str, wall_ms: i64, mut told: Told) -> Self {
        told.exchanges_ms.sort_unstable();
        told.others_ms.sort_unstable();
        let Told { exchanges_ms, others_ms, failed, put_off } = told;
        Self { name, wall_ms, exchanges_ms, others_ms, failed, put_off }
    }
}

/// What a load measured.
#[derive(Debug, Clone, Default)]
pub struct Figures {
    /// The stages, in order.
    pub phases: Vec<Phase>,
    /// The most memory that the server's process had resident, in KiB; `None` where the system does not tell.
    pub server_peak_kib: Option<u64>,
    /// Size of the shop's book at the end, in bytes.
    pub shop_bytes: u64,
    /// Records that the devices wrote.
    pub written: usize,
    /// Of them, those at the shop.
    pub at_shop: usize,
    /// Of them, those whose receipt came back to their device.
    pub receipted: usize,
    /// Records that did not come to a device that shares the yard, once for each such device.
    pub missing_at_devices: usize,
    /// What the shop's verification found.
    pub faults: Vec<String>,
    /// What the insider was answered, where there was one.
    pub worst: Option<Worst>,
}

impl Figures {
    /// Failed requests of all stages.
    #[must_use]
    pub fn failures(&self) -> u64 {
        self.phases.iter().flat_map(|phase| phase.failed.values()).sum()
    }

    /// Whether no request failed, nothing is missing anywhere, and the shop's book verifies.
    #[must_use]
    pub fn is_well(&self) -> bool {
        let everywhere = self.at_shop == self.written && self.receipted == self.written && self.missing_at_devices == 0;
        self.failures() == 0 && everywhere && self.faults.is_empty()
    }
}

/// The value that so many per cent do not exceed (nearest rank); 0 of none. `sorted` ascends.
fn percentile(sorted: &[i64], percent: usize) -> i64 {
    let rank = (sorted.len() * percent).div_ceil(100);
    sorted.get(rank.saturating_sub(1)).copied().unwrap_or(0)
}

fn waits(f: &mut fmt::Formatter<'_>, what: &str, sorted: &[i64]) -> fmt::Result {
    if sorted.is_empty() {
        return Ok(());
    }
    let [p50, p90, p99, most] = [50, 90, 99, 100].map(|percent| percentile(sorted, percent));
    writeln!(f, "  {} {what}: p50 {p50} ms, p90 {p90} ms, p99 {p99} ms, longest {most} ms", sorted.len())
}

impl fmt::Display for Figures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for phase in &self.phases {
            let failed: u64 = phase.failed.values().sum();
            writeln!(f, "{}: {} ms; {failed} failed, {} times told to wait", phase.name, phase.wall_ms, phase.put_off)?;
            waits(f, "exchanges", &phase.exchanges_ms)?;
            waits(f, "log-ins and enrolments", &phase.others_ms)?;
            for (what, count) in &phase.failed {
                writeln!(f, "  {count} x {what}")?;
            }
        }
        writeln!(f, "{} records written, {} at the shop, {} receipted", self.written, self.at_shop, self.receipted)?;
        writeln!(f, "{} missing at devices that share the yard", self.missing_at_devices)?;
        match self.server_peak_kib {
            Some(kib) => writeln!(f, "server's peak memory {} MiB, its book {} bytes", kib / 1024, self.shop_bytes)?,
            None => writeln!(f, "server's peak memory not told by this system, its book {} bytes", self.shop_bytes)?,
        }
        if let Some(worst) = &self.worst {
            write!(f, "{worst}")?;
        }
        match self.faults.first() {
            Some(first) => writeln!(f, "{} faults in the shop's book; the first: {first}", self.faults.len()),
            None => writeln!(f, "no fault in the shop's book"),
        }
    }
}

/// The waits of one load beside those of another, stage by stage.
#[derive(Debug)]
pub struct Beside<'f> {
    /// Without an insider.
    pub alone: &'f Figures,
    /// With one.
    pub insider: &'f Figures,
}

impl fmt::Display for Beside<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "exchanges of the honest devices, alone and beside the insider, in ms:")?;
        for (alone, beside) in self.alone.phases.iter().zip(&self.insider.phases).filter(|(alone, _)| !alone.exchanges_ms.is_empty()) {
            let [p50, p90, p99, most] = [50, 90, 99, 100].map(|percent| {
                let [alone, beside] = [alone, beside].map(|phase| percentile(&phase.exchanges_ms, percent));
                format!("{alone} / {beside}")
            });
            writeln!(f, "  {}: p50 {p50}, p90 {p90}, p99 {p99}, longest {most}", alone.name)?;
            writeln!(
                f,
                "    whole stage {} / {}, told to wait {} / {} times",
                alone.wall_ms, beside.wall_ms, alone.put_off, beside.put_off
            )?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::percentile;

    #[test]
    fn a_percentile_is_the_nearest_rank() {
        let hundred: Vec<i64> = (1..=100).collect();
        assert_eq!([50, 90, 99, 100].map(|p| percentile(&hundred, p)), [50, 90, 99, 100]);
        assert_eq!([50, 99, 100].map(|p| percentile(&[3, 8, 9], p)), [8, 9, 9]);
        assert_eq!(percentile(&[], 50), 0);
    }
}
