//! The shop's server over a seeded book: the one that shops run, in a process of its own, with a clock set to the workload's
//! day.

use std::io::{BufRead, Write};
use std::net::SocketAddr;
use std::sync::Arc;

use server::Config;

use super::{ShiftedClock, Work, words};

/// How the server is told to run: on a free loopback port.
#[must_use]
pub fn config(work: &Work) -> Config {
    Config { listen: SocketAddr::from(([127, 0, 0, 1], 0)), ..Config::new(work.shop()) }
}

/// Serves until `told` ends, having written the address to `out`. A number as a line of `told` sets by how many ms the
/// server's clock is ahead.
///
/// # Errors
/// A sentence, where the server cannot start or nobody can be told.
pub fn serve_until_told(work: &Work, shift_ms: i64, told: &mut dyn BufRead, out: &mut dyn Write) -> Result<(), String> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(words)?;
    let clock = Arc::new(ShiftedClock::new(shift_ms)?);
    let running = runtime.block_on(server::start(config(work), Arc::clone(&clock) as Arc<dyn server::Clock>)).map_err(words)?;
    writeln!(out, "{}", running.address).and_then(|()| out.flush()).map_err(words)?;
    for line in told.lines() {
        clock.shift(line.map_err(words)?.trim().parse().map_err(|e| format!("the clock was told a number that is none: {e}"))?);
    }
    runtime.block_on(running.shutdown());
    Ok(())
}
