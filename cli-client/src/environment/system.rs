//! The real environment: this process's clocks, randomness, streams, folders and variables.

use std::env;
use std::fs;
use std::io::{self, IsTerminal};
use std::path::PathBuf;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use shared::bytes::Bytes16;
use sync_core::sys::clock::ClockReading;

use super::{Environment, Prompts, Variables};

/// Columns where the output is no terminal.
const PLAIN_WIDTH: usize = 80;

impl Environment<'static> {
    /// The environment of this process. `None` where the operating system gives no random bytes: without them there
    /// are no keys and no ids.
    #[must_use]
    pub fn of_this_process() -> Option<Self> {
        let mut boot = [0; 16];
        getrandom::fill(&mut boot).ok()?;
        let mut clock = SystemClock::new(boot);
        let terminal = io::stdin().is_terminal() && io::stdout().is_terminal();
        Some(Self {
            clock: Box::new(move || clock.now()),
            entropy: Box::new(fill),
            stdin: Box::new(io::stdin().lock()),
            stdout: Box::new(io::stdout()),
            stderr: Box::new(io::stderr()),
            data_dir: data_dir(),
            device_name: device_name(),
            width: terminal_size::terminal_size().map_or(PLAIN_WIDTH, |(width, _)| usize::from(width.0)),
            is_tty: terminal,
            prompts: if terminal { Prompts::Terminal } else { Prompts::Lines },
            variables: Variables {
                book: env::var_os("TAPPET_BOOK").filter(|v| !v.is_empty()).map(PathBuf::from),
                unit: env::var("TAPPET_UNIT").ok().filter(|v| !v.is_empty()),
                ca: env::var_os("TAPPET_CA").filter(|v| !v.is_empty()).map(PathBuf::from),
            },
        })
    }
}

/// Fills a buffer with random bytes. The source was proved when the program began; one that fails later must not
/// give weak keys, so it ends the program.
fn fill(buffer: &mut [u8]) {
    if getrandom::fill(buffer).is_err() {
        std::process::abort();
    }
}

/// The wall clock, and a clock that never steps within one boot.
struct SystemClock {
    /// Boot id of a system that tells; there the steady clock is the time since boot, the same for every process.
    of_system: Option<Bytes16>,
    /// Elsewhere: a boot id that no other process has, so that whatever was measured before counts as stepped.
    own: Bytes16,
    began: Instant,
}

impl SystemClock {
    fn new(own: [u8; 16]) -> Self {
        Self { of_system: boot_id().filter(|_| uptime_ms().is_some()), own: Bytes16(own), began: Instant::now() }
    }

    fn now(&mut self) -> ClockReading {
        let wall_ms = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| i64::try_from(since.as_millis()).unwrap_or(i64::MAX));
        match (self.of_system, uptime_ms()) {
            (Some(boot), Some(steady_ms)) => ClockReading { wall_ms, steady_ms, boot },
            _ => {
                let steady_ms = i64::try_from(self.began.elapsed().as_millis()).unwrap_or(i64::MAX);
                ClockReading { wall_ms, steady_ms, boot: self.own }
            }
        }
    }
}

/// Milliseconds since boot, sleep included, to the hundredth of a second that Linux tells.
fn uptime_ms() -> Option<i64> {
    let text = fs::read_to_string("/proc/uptime").ok()?;
    let (seconds, hundredths) = text.split_whitespace().next()?.split_once('.')?;
    let seconds: i64 = seconds.parse().ok()?;
    let hundredths: i64 = hundredths.get(..2)?.parse().ok()?;
    seconds.checked_mul(1000)?.checked_add(hundredths * 10)
}

fn boot_id() -> Option<Bytes16> {
    let text = fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    text.trim().parse::<uuid::Uuid>().ok().map(|id| Bytes16(id.into_bytes()))
}

/// Where this person's programs keep their data.
fn data_dir() -> Option<PathBuf> {
    let folder = |name: &str| env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let base = folder("XDG_DATA_HOME")
        .or_else(|| folder("HOME").map(|home| home.join(".local").join("share")))
        .or_else(|| folder("LOCALAPPDATA"))?;
    Some(base.join("tappetbook"))
}

fn device_name() -> String {
    let named = fs::read_to_string("/etc/hostname").ok().map(|name| name.trim().to_owned());
    named.or_else(|| env::var("COMPUTERNAME").ok()).filter(|name| !name.is_empty()).unwrap_or_else(|| "terminal".to_owned())
}
