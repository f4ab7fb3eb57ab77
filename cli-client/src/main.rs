//! `tappet`: builds the real environment and does what the arguments say.

use std::process::ExitCode;

use cli_client::Environment;
use cli_client::exit::Exit;
use mimalloc::MiMalloc;

/// A book is many small pieces of memory, which this one hands out and takes back faster than most systems' own.
#[global_allocator]
static MEMORY: MiMalloc = MiMalloc;

fn main() -> ExitCode {
    let Some(mut env) = Environment::of_this_process() else {
        return Exit::Internal.into();
    };
    let code = cli_client::run(std::env::args_os(), &mut env);
    ExitCode::from(u8::try_from(code).unwrap_or(u8::MAX))
}
