//! `tappet completions`: completions for a shell.

use clap::CommandFactory;
use clap_complete::Shell;
use serde_json::json;

use crate::args::Cli;
use crate::exit::Failure;
use crate::outcome::Outcome;

/// Arguments of `completions`.
#[derive(Debug, clap::Args)]
pub(crate) struct CompletionsArgs {
    /// For which shell
    shell: Shell,
}

pub(crate) fn run(args: &CompletionsArgs) -> Result<Outcome, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "tappet", &mut script);
    let script = String::from_utf8_lossy(&script).into_owned();
    Outcome::new(&json!({ "shell": args.shell.to_string(), "script": script }), script)
}
