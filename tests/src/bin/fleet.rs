//! `cargo fleet`: the parts of the measurement in `tests/peers`, each a process of its own.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program's words")]

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use mimalloc::MiMalloc;
use tests::fleet::{DeviceConfig, Stopwatch, Work, cold, copy_morning, seed, serve_until_told, sizes, talk, verify};

/// As in the programs themselves.
#[global_allocator]
static MEMORY: MiMalloc = MiMalloc;

/// Our exchange on the peers' workload. tests/peers/run.sh runs it all; these are its parts.
#[derive(Parser)]
#[command(name = "fleet", after_help = "Exit codes: 0 done, 1 failed or a book is not well, 2 wrong options.")]
struct Arguments {
    #[command(subcommand)]
    part: Part,
}

#[derive(Subcommand)]
enum Part {
    /// Make the morning in an empty folder: a shop with the workload's fleet, and a device for each of its devices
    Seed {
        /// The workload's folder
        data: PathBuf,
        /// The run's folder
        work: PathBuf,
    },
    /// Serve the shop on a free loopback port, which is printed, until standard input ends
    Serve {
        /// The run's folder
        work: PathBuf,
        /// By how many ms the clock is ahead; a number as a line of standard input sets it anew
        #[arg(long, default_value_t = 0, allow_negative_numbers = true)]
        shift_ms: i64,
    },
    /// Be a device: a command as JSON a line on standard input, its answer on standard output
    Device {
        /// {"name", "book", "url", "day", "machines", "shift_ms"}
        config: String,
    },
    /// Give a device the filled book of another one, with an identity of its own
    Clone {
        /// The number of the filled device
        from: usize,
        /// The number of the other one
        to: usize,
        /// The run's folder
        work: PathBuf,
    },
    /// Weigh the signed records of a finished run, and time SQLite alone with them
    Sizes {
        /// The run's folder
        work: PathBuf,
    },
    /// Fill a device in a seeded run, and time what its owner waits for: the terminal from cold, a reading kept, an event
    Cold {
        /// The workload's folder
        data: PathBuf,
        /// The run's folder, seeded
        work: PathBuf,
        /// The terminal's program
        #[arg(long)]
        tappet: PathBuf,
    },
    /// Verify a book against its rebuild
    Verify {
        /// The book
        book: PathBuf,
    },
}

fn main() -> ExitCode {
    match run(Arguments::parse().part) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("fleet: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(part: Part) -> Result<(), String> {
    match part {
        Part::Seed { data, work } => seed(&data, &Work::new(work), &mut |said| eprintln!("  {said}")).map(drop),
        Part::Serve { work, shift_ms } => {
            serve_until_told(&Work::new(work), shift_ms, &mut std::io::stdin().lock(), &mut std::io::stdout())
        }
        Part::Device { config } => {
            let config: DeviceConfig =
                serde_json::from_str(&config).map_err(|e| format!("the device's configuration cannot be read: {e}"))?;
            talk(&config, &mut std::io::stdin().lock(), &mut std::io::stdout())
        }
        Part::Clone { from, to, work } => {
            let work = Work::new(work);
            copy_morning(&work.device_book(from), &work.device_book(to))
        }
        Part::Sizes { work } => {
            println!("{}", serde_json::to_string(&sizes(&Work::new(work))?).map_err(|e| e.to_string())?);
            Ok(())
        }
        Part::Cold { data, work, tappet } => {
            let fleet = std::env::current_exe().map_err(|e| e.to_string())?;
            println!("{}", serde_json::to_string(&cold(&data, &Work::new(work), &tappet, &fleet)?).map_err(|e| e.to_string())?);
            Ok(())
        }
        Part::Verify { book } => {
            let watch = Stopwatch::start();
            let faults = verify(&book)?;
            println!("{}", serde_json::json!({ "faults": faults, "took_s": watch.wall_ms() / 1000.0 }));
            if faults.is_empty() { Ok(()) } else { Err(format!("{} has {} faults", book.display(), faults.len())) }
        }
    }
}
