//! `cargo load`: a crew far larger than any shop's, all exchanging at once with one server process on this machine.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program's words")]

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Parser;
use mimalloc::MiMalloc;
use tests::load::{Beside, Figures, Plan, SERVE_IN, run, serve_until_told};

/// The server's own: what it holds is measured.
#[global_allocator]
static ALLOCATOR: MiMalloc = MiMalloc;

/// So long the insider is at it before the others begin: what it may do in a burst is done by then.
const BEFORE_S: u16 = 30;

/// A load on one shop's server on this machine: how long devices wait, and that nothing is lost.
#[derive(Parser)]
#[command(name = "load", after_help = "Exit codes: 0 all well, 1 a request failed or something is missing, 2 wrong options.")]
struct Arguments {
    /// Devices
    #[arg(long, default_value_t = 200, value_parser = clap::value_parser!(u16).range(1..=1000))]
    devices: u16,
    /// Records that each device writes offline
    #[arg(long, default_value_t = 50, value_parser = clap::value_parser!(u16).range(1..=1000))]
    records: u16,
    /// Devices that share a yard
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u16).range(1..=100))]
    devices_per_yard: u16,
    /// Machines in each yard
    #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u16).range(1..=100))]
    machines_per_yard: u16,
    /// Seconds after which the load fails
    #[arg(long, default_value_t = 600, value_parser = clap::value_parser!(u32).range(1..=840))]
    within: u32,
    /// Once more beside one insider with a valid key who does his worst, and the waits of both runs beside each other
    #[arg(long)]
    insider: bool,
    /// Serve a new shop in this folder until standard input ends: what the load starts itself with
    #[arg(long, value_name = "DIR", hide = true)]
    serve_in: Option<PathBuf>,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let outcome = match &arguments.serve_in {
        Some(folder) => serve_until_told(folder, &mut std::io::stdout()).map(|()| true),
        None => load(&arguments),
    };
    match outcome {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("load: {error}");
            ExitCode::FAILURE
        }
    }
}

fn load(arguments: &Arguments) -> Result<bool, String> {
    let plan = Plan {
        devices: arguments.devices.into(),
        records: arguments.records.into(),
        devices_per_yard: arguments.devices_per_yard.into(),
        machines_per_yard: arguments.machines_per_yard.into(),
        within_s: arguments.within,
        insider: None,
    };
    debug_assert_eq!(SERVE_IN, "--serve-in");
    let program = std::env::current_exe().map_err(|e| e.to_string())?;
    let loaded = |plan: &Plan| -> Result<Figures, String> {
        let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
        let figures = run(plan, &program, Path::new(&folder.path().join("shop")))?;
        print!("{figures}");
        Ok(figures)
    };
    let alone = loaded(&plan)?;
    if !arguments.insider {
        return Ok(alone.is_well());
    }
    println!("\nthe same beside an insider");
    let insider = loaded(&Plan { insider: Some(BEFORE_S), ..plan })?;
    print!("\n{}", Beside { alone: &alone, insider: &insider });
    Ok(alone.is_well() && insider.is_well())
}
