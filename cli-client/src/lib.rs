//! The terminal of the crew and the office: everything that `tappet` does, as one function.
//!
//! [`run`] takes arguments and an [`Environment`] and gives an exit code; `main` only builds the real environment.
//!
//! - Nothing here is a rule of the trade or of the book: those are `shared` and `sync-core`.
//! - Only [`environment`] reads the clock, randomness, the home folder, variables or the terminal.
//! - Only `transport` opens a socket. Only `exit` turns an error into an exit code and a hint.
//! - One verb, one file, in `commands`; the words and tables that come out are made in `show`.

pub mod environment;
pub mod exit;

mod args;
mod commands;
mod copied;
mod files;
mod outcome;
mod parse;
mod pictures;
mod prompt;
mod render;
mod session;
mod sync;
mod transport;

use std::ffi::OsString;
use std::io::Write;

use clap::{CommandFactory, FromArgMatches};

use shared::text::{visible, visible_in_json};

pub use environment::Environment;

use crate::args::Cli;
use crate::exit::{Exit, Failure};
use crate::outcome::Outcome;

/// Does what the arguments say, the program's name first, and gives the exit code.
pub fn run(args: impl IntoIterator<Item = OsString>, env: &mut Environment<'_>) -> i32 {
    let args: Vec<OsString> = args.into_iter().collect();
    let json = args.iter().any(|arg| arg == "--json");
    let command = Cli::command().term_width(render::width(env));
    let cli = match command.try_get_matches_from(args).and_then(|matches| Cli::from_arg_matches(&matches)) {
        Ok(cli) => cli,
        Err(told) => return exit::by_parser(&told, json, env).code(),
    };
    let exit = match commands::run(cli, env) {
        Ok(outcome) => print(&outcome, json, env),
        Err(failure) => exit::complain(&failure, json, env),
    };
    exit.code()
}

/// Prints what a command did: one JSON document, or text.
fn print(outcome: &Outcome, json: bool, env: &mut Environment<'_>) -> Exit {
    let text = if json {
        match serde_json::to_string_pretty(&outcome.json) {
            Ok(text) => visible_in_json(&text).into_owned(),
            Err(error) => return exit::complain(&Failure::Defect(error.to_string()), json, env),
        }
    } else {
        visible(outcome.text.trim_end()).into_owned()
    };
    let printed = if text.is_empty() { Ok(()) } else { writeln!(env.stdout, "{text}").and_then(|()| env.stdout.flush()) };
    match printed {
        Ok(()) => outcome.exit,
        // A reader that has gone away (a closed pipe) takes nothing back: what was kept is kept.
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => outcome.exit,
        Err(error) => exit::unsaid(&error, json, env),
    }
}
