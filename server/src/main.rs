//! The shop's server as a program. The only place of the server that speaks to a person.
//!
//! Exit codes: 0 all well; 1 `verify` found faults; 2 what it was told cannot be; 3 it could not start, read the book, or make or put
//! back a backup.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "this is the program; everything below it returns what it has to say")]

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use clap::builder::BoolishValueParser;
use clap::{Parser, Subcommand};
use mimalloc::MiMalloc;
use server::{Config, ServerError, SystemClock};
use tracing_subscriber::EnvFilter;

/// A book is many small pieces of memory, which this one hands out and takes back faster than most systems' own.
#[global_allocator]
static MEMORY: MiMalloc = MiMalloc;

const FAULTS: u8 = 1;
const USAGE: u8 = 2;
const BROKEN: u8 = 3;

/// The shop's server of Tappetbook: the book of valve clearances and engine hours.
#[derive(Debug, Parser)]
#[command(
    name = "tappetbook-server",
    version,
    after_help = "Exit codes: 0 all well, 1 verify found faults, 2 wrong options, 3 could not start or read."
)]
struct Args {
    #[command(flatten)]
    config: Config,
    /// Write the log as JSON, one line each
    #[arg(long, global = true, env = "TAPPETBOOK_LOG_JSON", value_parser = BoolishValueParser::new())]
    log_json: bool,
    #[command(subcommand)]
    verb: Option<Verb>,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Check every signature, change and derived row of the book, while no server serves it
    Verify {
        /// Check this backup instead; it is only read
        #[arg(long, value_name = "FILE")]
        file: Option<PathBuf>,
    },
    /// Copy the book, keys and all, into a new file, while no server serves it (while one does: tappet office backup)
    Backup {
        /// The file to make; it must not exist
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
    },
    /// Put the shop back from a backup that verifies; the present book is moved aside, and the devices bring what is missing
    Restore {
        /// The backup
        #[arg(long, value_name = "FILE")]
        from: PathBuf,
    },
}

fn main() -> ExitCode {
    let args = Args::parse();
    log(args.log_json);
    let outcome = match args.verb {
        Some(Verb::Verify { file }) => verify(&args.config, file.as_deref()),
        Some(Verb::Backup { to }) => backup(&args.config, &to),
        Some(Verb::Restore { from }) => restore(&args.config, &from),
        None => serve(args.config),
    };
    outcome.unwrap_or_else(|error| {
        eprintln!("tappetbook-server: {error}.");
        ExitCode::from(if matches!(error, ServerError::Config(_)) { USAGE } else { BROKEN })
    })
}

/// The log goes to standard error; `TAPPETBOOK_LOG` says how much, as in `info` or `server=debug`.
fn log(json: bool) {
    let filter = EnvFilter::try_from_env("TAPPETBOOK_LOG").unwrap_or_else(|_| EnvFilter::new("info"));
    let lines = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    if json { lines.json().init() } else { lines.init() }
}

fn verify(config: &Config, file: Option<&Path>) -> Result<ExitCode, ServerError> {
    let found = match file {
        Some(file) => server::lifecycle::verify_backup(file)?,
        None => server::lifecycle::verify(config)?,
    };
    println!("{} documents, {} changes, {} records checked.", found.documents, found.changes, found.records);
    if found.faults.is_empty() {
        println!("No fault found.");
        return Ok(ExitCode::SUCCESS);
    }
    for fault in &found.faults {
        println!("Fault: {fault}");
    }
    println!(
        "Nothing was changed. Keep a copy of the file, and restore the last backup that verifies: the devices bring again what it lacks."
    );
    Ok(ExitCode::from(FAULTS))
}

fn backup(config: &Config, to: &Path) -> Result<ExitCode, ServerError> {
    let made = server::lifecycle::backup(config, to)?;
    println!("Written to {}: {} documents, {} records, {} bytes.", to.display(), made.documents, made.records, made.bytes);
    println!("The pictures of its photos are in the folder photos beside it: keep the two together.");
    println!("It holds the shop's keys: whoever has the file can be the shop. Keep it where only the shop can read it.");
    Ok(ExitCode::SUCCESS)
}

fn restore(config: &Config, from: &Path) -> Result<ExitCode, ServerError> {
    let restored = server::lifecycle::restore(config, from, &SystemClock::new()?)?;
    let held = &restored.verified;
    println!(
        "The backup verifies: {} documents, {} changes, {} records. It is now the shop's book in {}.",
        held.documents,
        held.changes,
        held.records,
        config.data.display()
    );
    if restored.pictures > 0 {
        println!("{} pictures of photos came back from the folder photos beside the backup.", restored.pictures);
    }
    if let Some(aside) = &restored.aside {
        println!("The book that was there is kept as {}. Remove it once all is well: it holds the shop's keys.", aside.display());
    }
    println!("Start the server. At its next exchange each device offers again all that the shop lacks; nobody needs to do more.");
    println!("A device that was enrolled after the backup is known again once another device has exchanged.");
    Ok(ExitCode::SUCCESS)
}

fn serve(config: Config) -> Result<ExitCode, ServerError> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(|e| ServerError::Broke(e.to_string()))?;
    runtime.block_on(async {
        // Listened for before the shop opens, so that a stop during start-up is a stop and not a cut.
        let told = told_to_stop().map_err(|e| ServerError::Broke(e.to_string()))?;
        let issuer = config.issuer.clone();
        let data = config.data.clone();
        let mut running = server::start(config, Arc::new(SystemClock::new()?)).await?;
        println!("The shop in {} listens on {}", data.display(), running.url());
        if let Some(code) = &running.first_code {
            first_words(code, &issuer.unwrap_or_else(|| running.url()), &data);
        }
        tokio::select! {
            () = told => println!("Stopping: requests under way are finished first."),
            () = running.wait() => return Err(ServerError::Broke("the server ended by itself".to_owned())),
        }
        running.shutdown().await;
        println!("Stopped.");
        Ok(ExitCode::SUCCESS)
    })
}

fn first_words(code: &str, url: &str, data: &std::path::Path) {
    println!("A new shop was founded. The office's one-time code, shown only now and good for 24 hours:");
    println!();
    println!("    {code}");
    println!();
    println!("In a browser: {url}/office/first");
    println!("Or on the office's computer, in the terminal: tappet enrol --server {url} --code {code}");
    println!("The code is good once; for the other of the two, the office issues a further one.");
    println!(
        "Should the code lapse before it is used, stop the server, remove {} and start again: the book is still empty.",
        data.display()
    );
}

/// Resolves at ctrl-c, and where there is such a thing at SIGTERM.
fn told_to_stop() -> std::io::Result<impl Future<Output = ()>> {
    #[cfg(unix)]
    let mut term = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())?;
    #[cfg(unix)]
    let mut interrupt = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::interrupt())?;
    Ok(async move {
        #[cfg(unix)]
        tokio::select! {
            _ = term.recv() => {}
            _ = interrupt.recv() => {}
        }
        #[cfg(not(unix))]
        let _ = tokio::signal::ctrl_c().await;
    })
}
