//! How a device's process is driven: a command as a line of JSON, its answer as another one, until it is told to quit.

use std::io::{BufRead, Write};

use serde::{Deserialize, Serialize};

use super::stopwatch::rss;
use super::{Device, DeviceConfig, Did, Stopwatch, words};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Command {
    cmd: Verb,
    #[serde(default)]
    arg: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Verb {
    Open,
    Fill,
    Append,
    Upload,
    Catchup,
    Prove,
    Idle,
    Count,
    Get,
    Close,
    Quit,
}

/// An answer: what the command did, and what it took.
#[derive(Debug, Serialize)]
struct Answer {
    wall_ms: f64,
    cpu_s: f64,
    rss: u64,
    #[serde(flatten)]
    did: Did,
}

#[derive(Debug, Serialize)]
struct Failed {
    error: String,
}

/// Does what it is told by lines of `told`, and answers each on a line of `out`; ends with `quit`, or with `told`.
///
/// # Errors
/// A sentence where nobody can be answered. A command that fails is an answer.
pub fn talk(config: &DeviceConfig, told: &mut dyn BufRead, out: &mut dyn Write) -> Result<(), String> {
    let mut device = None;
    for line in told.lines() {
        let line = line.map_err(words)?;
        let command: Result<Command, String> = serde_json::from_str(&line).map_err(|e| format!("\"{line}\" is no command: {e}"));
        let quits = command.as_ref().is_ok_and(|command| command.cmd == Verb::Quit);
        let watch = Stopwatch::start();
        let text = match command.and_then(|command| follow(&mut device, config, &command)) {
            Ok(did) => serde_json::to_string(&Answer { wall_ms: watch.wall_ms(), cpu_s: watch.cpu_s(), rss: rss(), did }),
            Err(error) => serde_json::to_string(&Failed { error }),
        };
        writeln!(out, "{}", text.map_err(words)?).and_then(|()| out.flush()).map_err(words)?;
        if quits {
            break;
        }
    }
    Ok(())
}

fn follow(device: &mut Option<Device>, config: &DeviceConfig, command: &Command) -> Result<Did, String> {
    if command.cmd == Verb::Open {
        let (opened, did) = Device::open(config.clone())?;
        *device = Some(opened);
        return Ok(did);
    }
    if matches!(command.cmd, Verb::Close | Verb::Quit) {
        *device = None;
        return Ok(Did::default());
    }
    let device = device.as_mut().ok_or_else(|| format!("{} is not open", config.name))?;
    match command.cmd {
        Verb::Append => device.append(),
        Verb::Prove => device.prove(),
        Verb::Upload => device.upload(),
        Verb::Count => device.count(),
        Verb::Get => device.get(&command.arg),
        Verb::Fill | Verb::Catchup | Verb::Idle | Verb::Open | Verb::Close | Verb::Quit => device.level(),
    }
}
