//! The shop's server as a process of its own, so that its memory is its own: started through the same door as the
//! program that shops run, and ended when its standard input ends, so that it never outlives who started it.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;

use server::{Config, SystemClock};

/// The word that makes the load program a server; the folder follows.
pub const SERVE_IN: &str = "--serve-in";

/// Serves a new shop on a free loopback port until standard input ends. This is what the child process does.
///
/// # Errors
/// A sentence, where the server cannot start or the parent cannot be told.
pub fn serve_until_told(folder: &Path, out: &mut dyn Write) -> Result<(), String> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(|e| e.to_string())?;
    runtime.block_on(async {
        let config = Config {
            listen: SocketAddr::from(([127, 0, 0, 1], 0)),
            shop_name: Some("Load".to_owned()),
            office_name: Some("Office".to_owned()),
            time_zone: Some("UTC".to_owned()),
            ..Config::new(folder)
        };
        let clock = SystemClock::new().map_err(|e| e.to_string())?;
        let running = server::start(config, Arc::new(clock)).await.map_err(|e| e.to_string())?;
        let code = running.first_code.clone().ok_or("the folder holds a shop already")?;
        writeln!(out, "{} {code}", running.address).and_then(|()| out.flush()).map_err(|e| e.to_string())?;
        let ended = tokio::task::spawn_blocking(|| std::io::copy(&mut std::io::stdin().lock(), &mut std::io::sink()));
        ended.await.map_err(|e| e.to_string())?.map_err(|e| e.to_string())?;
        running.shutdown().await;
        Ok(())
    })
}

/// A server process. Dropped, it is killed.
#[derive(Debug)]
pub(super) struct Serving {
    child: Child,
    pub(super) address: SocketAddr,
    pub(super) code: String,
}

impl Serving {
    pub(super) fn start(program: &Path, folder: &Path) -> Result<Self, String> {
        let mut command = Command::new(program);
        command.arg(SERVE_IN).arg(folder).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child = command.spawn().map_err(|e| format!("{} does not start: {e}", program.display()))?;
        let mut line = String::new();
        if let Some(out) = child.stdout.take() {
            BufReader::new(out.take(1024)).read_line(&mut line).map_err(|e| e.to_string())?;
        }
        let told = line.trim().split_once(' ').and_then(|(address, code)| Some((address.parse().ok()?, code.to_owned())));
        match told {
            Some((address, code)) => Ok(Self { child, address, code }),
            None => {
                let _ = child.kill();
                let _ = child.wait();
                Err(format!("the server did not start; it said {line:?}"))
            }
        }
    }

    /// The most memory that the process has had resident, in KiB; `None` where the system does not tell.
    pub(super) fn peak_kib(&self) -> Option<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).ok()?;
        status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?.trim().strip_suffix("kB")?.trim().parse().ok()
    }

    /// Tells it to stop, and waits until it has let the book go.
    pub(super) fn stop(mut self) -> Result<(), String> {
        drop(self.child.stdin.take());
        match self.child.wait() {
            Ok(status) if status.success() => Ok(()),
            Ok(status) => Err(format!("the server ended with {status}")),
            Err(error) => Err(error.to_string()),
        }
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
